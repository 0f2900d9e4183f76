"""Open flats: broad shallow water in the open, from soundings or from a paler bed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

import numpy as np
from rasterio.features import shapes
from scipy import ndimage
from shapely.geometry import Polygon, shape

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster, require_same_grid
from sitegeo.core.typing import AnyArray, BoolArray, Float32Array, IntArray
from sitegeo.landcover.filters import open_by_disc
from sitegeo.landcover.indices import otsu
from sitegeo.shore.openings import inscribed_width_m, long_axis
from sitegeo.shore.position import Position

_PALER = 0.15


@dataclass(frozen=True)
class FlatParams:
    """What counts as an open flat.

    Parameters
    ----------
    deepest_m
        Dabbling ducks feed to about this depth (common practice, no source).
    least_width_m, least_area_m2
        A shelving bank is shallow too, but narrower or smaller than this.
    around_m
        The bank is looked at this far about the flat; no more than `tree_share` of it is
        trees.
    blur_m
        Depth, or the photo's colour, is blur_within over about this distance.
    """

    deepest_m: float = 0.5
    least_width_m: float = 30.0
    least_area_m2: float = 2_500.0
    around_m: float = 30.0
    tree_share: float = 0.5
    blur_m: float = 4.0


def find_open_flats(
    cover: Raster, *, depth: Raster | None, imagery: Raster | None, params: FlatParams
) -> Iterator[Position]:
    """Yield broad shallow waters, from the depth layer or, less surely, from the photo's colour."""
    grid = cover.grid
    classes = cover.band("class")
    wet = classes == Cover.WATER
    if depth is not None:
        require_same_grid(cover, depth)
        sounded = wet & depth.mask & np.isfinite(depth.values)
        mean = blur_within(depth.values, sounded, params.blur_m / grid.pixel_m)
        shallow, trust = sounded & (mean <= params.deepest_m), 0.9
    elif imagery is not None:
        require_same_grid(cover, imagery)
        shallow, trust = find_pale_bed(imagery, wet, blur_px=params.blur_m / grid.pixel_m), 0.4
    else:
        return
    broad = open_by_disc(shallow, params.least_width_m / 2 / grid.pixel_m)
    reach = int(np.ceil(params.around_m / grid.pixel_m))
    for geometry, _ in shapes(broad.astype(np.uint8), mask=broad, transform=grid.transform):
        # Simplified within its topology: one polygon stays one.
        flat = cast("Polygon", shape(geometry).simplify(grid.pixel_m))
        if flat.area < params.least_area_m2:
            continue
        window = _window(flat.bounds, cover, reach)
        here, near = broad[window], classes[window]
        about = ndimage.distance_transform_edt(~here) <= reach
        land = about & (near != Cover.WATER) & (near != Cover.NONE)
        total = max(int(land.sum()), 1)
        low = float((near[land] == Cover.LOW).sum() / total)
        if (near[land] == Cover.TREE).sum() > params.tree_share * total:
            continue
        length, bearing = long_axis(flat)
        width = inscribed_width_m(flat)
        if depth is None:
            seen = "of water paler than the rest: shallow, or muddy; depth not checked"
        else:
            depths = depth.values[window][here & (near == Cover.WATER)]
            seen = f"of water about {np.nanmedian(depths):.1f} m deep"
        yield Position(
            "open flat",
            flat,
            trust,
            f"{flat.area / 1e4:.1f} ha {seen}; low cover on {100 * low:.0f} % of its bank",
            length_m=length,
            width_m=width,
            bearing_deg=float(grid.to_true_bearing(bearing)),
            area_m2=flat.area,
        )


def find_pale_bed(imagery: Raster, wet: BoolArray, *, blur_px: float) -> BoolArray:
    """Return water where a pale bed shows through, none where the water is of one colour.

    Red is soaked up within a metre or two and green much deeper, so their log ratio falls with
    depth whatever the bed (after the ratio method of Stumpf et al. 2003,
    doi 10.4319/lo.2003.48.1_part_2.0547, with red for the shallowest). Otsu (1979) sets its limit.
    """
    smooth = blur_within(
        np.log((imagery.band("red") + 1.0) / (imagery.band("green") + 1.0)), wet, blur_px
    )
    values = smooth[wet]
    if not values.size:
        return np.zeros_like(wet)
    cut = otsu(values)
    pale = wet & (smooth > cut)
    if not pale.any() or values[values > cut].mean() - values[values <= cut].mean() < _PALER:
        return np.zeros_like(wet)
    return pale


def blur_within(plane: AnyArray, where: BoolArray, blur_px: float) -> Float32Array:
    """Return a plane blurred over the pixels of `where` alone."""
    weight = np.maximum(ndimage.gaussian_filter(where.astype(np.float32), blur_px), 1e-3)
    held = np.where(where, plane, 0).astype(np.float32)
    return np.asarray(ndimage.gaussian_filter(held, blur_px) / weight, np.float32)


def _window(
    bounds: tuple[float, float, float, float], cover: Raster, reach: int
) -> tuple[slice, slice]:
    west, south, east, north = bounds
    rows: IntArray
    rows, columns = cover.grid.rowcol([west, east], [north, south])
    top, left = (max(0, int(v[0]) - reach) for v in (rows, columns))
    return slice(top, int(rows[1]) + reach + 1), slice(left, int(columns[1]) + reach + 1)
