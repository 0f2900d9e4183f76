"""Where a photo and the map of its water agree, and what they disagree on."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import geopandas as gpd
import numpy as np
import shapely
from rasterio.features import rasterize
from shapely.geometry import box

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster, require_same_crs
from sitegeo.core.typing import BoolArray
from sitegeo.landcover.filters import open_by_square
from sitegeo.shore.shoreline import shore_points

_SHORE_REACH_M = 30.0
"""Shore of a photo farther than this from the mapped one is another shore (judgement)."""

_STRIP_M = 3.0
"""Strips along the edges narrower than this are a matter of the shoreline (judgement)."""

_TOLD_M2 = 500.0
"""Areas of disagreement smaller than this are not told (judgement)."""


@dataclass(frozen=True)
class Agreement:
    """How the water of a photo fits a map's.

    Parameters
    ----------
    rms_m, share, reach_m
        Root mean square distance from the photo's shoreline to the mapped one, along the `share`
        (0 to 1) of it that lies within `reach_m`; NaN where nothing does.
    trees_m2, dry_m2
        Mapped water on which the photo shows trees, or anything else but water.
    unmapped_m2
        Water of the photo outside the map's.
    """

    rms_m: float
    share: float
    reach_m: float
    trees_m2: float
    dry_m2: float
    unmapped_m2: float

    def record(self) -> dict[str, float | None]:
        """Return the numbers, rounded, for a record; None where there is none."""
        return {
            name: round(value, 3) if np.isfinite(value) else None
            for name, value in asdict(self).items()
        }

    def words(self) -> list[str]:
        """Return what a person should know, one sentence each."""
        told = []
        if np.isfinite(self.rms_m):
            told.append(
                f"the photo's shoreline lies {self.rms_m:.1f} m (RMS) from the mapped one along "
                f"{100 * self.share:.0f} % of its length; the rest is over {self.reach_m:.0f} m off"
            )
        else:
            told.append("no shoreline of the photo lies near the mapped water")
        for area, words in (
            (self.trees_m2, "trees stand on {} ha of mapped water: flooded timber, overhanging "
                            "crowns, or a lower level on the day of the photo"),
            (self.dry_m2, "the photo shows no water on {} ha of mapped water: another level or "
                          "date, plants, or one of the two is wrong"),
            (self.unmapped_m2, "the photo shows {} ha of water that the map lacks"),
        ):  # fmt: skip
            if area >= _TOLD_M2:
                told.append(words.format(f"{area / 1e4:.2g}"))
        return told


def compare_with_map(
    photo_cover: Raster, mapped_water: gpd.GeoDataFrame, *, reach_m: float = _SHORE_REACH_M
) -> Agreement:
    """Compare the cover read from a photo alone with the water of a map.

    Parameters
    ----------
    photo_cover
        The cover read from the photo, not anchored by that map.
    mapped_water
        The map's water polygons in the same CRS.
    reach_m
        Shore of the photo farther than this from the mapped one is left out of the RMS.

    Returns
    -------
    Agreement
        Strips along the edges narrower than three metres, or three pixels, are a matter of the
        shoreline and not counted in its areas.

    Raises
    ------
    CrsError
        If the two are in different coordinate systems.

    Examples
    --------
    The photo shows water 2 m farther west than the map:

    >>> import geopandas as gpd
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from shapely.geometry import box
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 1.0, (100, 100))
    >>> classes = np.full((100, 100), Cover.OPEN, np.uint8)
    >>> classes[:, 50:] = Cover.WATER
    >>> seen = np.stack([classes, np.full_like(classes, 90)])
    >>> photo = Raster(seen, grid, None, ("class", "confidence"))
    >>> lake = box(500_052, 4_199_900, 500_100, 4_200_000)
    >>> found = compare_with_map(photo, gpd.GeoDataFrame(geometry=[lake], crs=grid.crs))
    >>> round(found.rms_m, 1), found.share
    (2.0, 1.0)
    """
    grid = photo_cover.grid
    require_same_crs(grid.crs, mapped_water.crs, where="mapped water")
    shore = shore_points(photo_cover)
    known = shapely.make_valid(mapped_water.geometry.union_all())
    # The frame cuts both alike and is no shore of the map's.
    edge = shapely.intersection(known.boundary, box(*grid.bounds).buffer(reach_m))
    shapely.prepare(edge)
    distance = shapely.distance(shore, edge) if not edge.is_empty else np.empty(0)
    near = distance[distance <= reach_m]
    classes = photo_cover.band("class")
    inside = np.zeros(grid.shape, bool)
    if not known.is_empty:
        inside = rasterize([known], grid.shape, transform=grid.transform).astype(bool)
    wet, tree = classes == Cover.WATER, classes == Cover.TREE
    told = photo_cover.mask & (classes != Cover.NONE)

    def area(mask: BoolArray) -> float:
        radius = max(1, round(_STRIP_M / 2 / grid.pixel_m))
        return float(open_by_square(mask, radius).sum()) * grid.pixel_m**2

    return Agreement(
        rms_m=float(np.sqrt(np.mean(near**2))) if near.size else float("nan"),
        share=near.size / max(len(shore), 1),
        reach_m=reach_m,
        trees_m2=area(inside & told & tree),
        dry_m2=area(inside & told & ~tree & ~wet),
        unmapped_m2=area(~inside & told & wet),
    )
