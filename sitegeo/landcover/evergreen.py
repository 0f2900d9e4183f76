"""Trees that keep their leaves or needles, and their shelter, all winter."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster, require_same_grid
from sitegeo.core.steps import step
from sitegeo.landcover.filters import box_mean
from sitegeo.landcover.indices import ndvi, otsu, window_radius_px
from sitegeo.landcover.leaves import NOT_TOLD, leaves_are_off


@dataclass(frozen=True)
class EvergreenParams:
    """How a green tree is told from a bare one in a winter photo. All values are judgement.

    Parameters
    ----------
    crown_m
        Width over which the vegetation index is averaged.
    greenness
        Least and greatest threshold of that index; between them the photo's own trees decide.
        Photos are rarely calibrated, and bare twigs stand over litter or grass.
    """

    crown_m: float = 5.0
    greenness: tuple[float, float] = (0.1, 0.2)


@step("evergreen")
def evergreen(
    *,
    cover: Raster,
    imagery: Raster,
    landcover_evergreen: Raster | None = None,
    taken: str | None = None,
    params: EvergreenParams = EvergreenParams(),
) -> Raster:
    """Return which trees are evergreen, from land cover or from a winter photo with infrared.

    Parameters
    ----------
    cover
        The `cover` raster.
    imagery
        The photo on the same grid.
    landcover_evergreen
        Where a land-cover raster shows trees that keep their leaves; the photo is then not asked.
    taken
        Day or time of the photo in ISO 8601.
    params
        How a green tree is told from a bare one.

    Returns
    -------
    Raster
        uint8: 1 on evergreen trees, 0 elsewhere; `NOT_TOLD` all over where neither can tell, since
        a summer photo shows all trees green.

    Raises
    ------
    RasterError
        If `landcover_evergreen` lies on another grid.
    """
    trees = cover.band("class") == Cover.TREE
    if landcover_evergreen is not None:
        require_same_grid(cover, landcover_evergreen)
        found = trees & landcover_evergreen.mask & (landcover_evergreen.values > 0)
        return Raster(found.astype(np.uint8), cover.grid)
    winter = taken is not None and leaves_are_off(
        datetime.fromisoformat(taken).month, cover.grid.centre_latlon[0]
    )
    if not winter or "nir" not in imagery.bands or not trees.any():
        return Raster(np.full(cover.grid.shape, NOT_TOLD, np.uint8), cover.grid)
    radius = window_radius_px(params.crown_m, cover.grid.pixel_m)
    red, nir = (imagery.band(name).astype(np.float32) for name in ("red", "nir"))
    # Over trees alone: water beside a bank would darken it.
    share = np.maximum(box_mean(trees, radius), 1e-3)
    green = box_mean(np.where(trees, ndvi(red, nir), 0), radius) / share
    cut = float(np.clip(otsu(green[trees]), *params.greenness))
    return Raster((trees & (green > cut)).astype(np.uint8), cover.grid)
