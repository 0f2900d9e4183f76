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


@dataclass(frozen=True)
class FlatParams:
    """What counts as an open flat. All values are judgement unless marked.

    Parameters
    ----------
    deepest_m
        Dabbling ducks feed to about this depth (practice, no source).
    least_width_m, least_area_m2
        A shelving bank is shallow too, but narrower or smaller than this.
    around_m
        The bank is looked at this far about the flat; no more than `tree_share` of it is
        trees.
    blur_m
        Depth, or the photo's colour, is averaged over about this distance.
    paler
        Least difference of the logarithm of red over green between pale and dark water; below it
        the water is of one colour.
    sounded_trust, pale_trust
        Confidence in a flat known by its depth, and in one known by its colour alone: paler water
        may be muddy.
    """

    deepest_m: float = 0.5
    least_width_m: float = 30.0
    least_area_m2: float = 2_500.0
    around_m: float = 30.0
    tree_share: float = 0.5
    blur_m: float = 4.0
    paler: float = 0.15
    sounded_trust: float = 0.9
    pale_trust: float = 0.4


def find_open_flats(
    cover: Raster,
    *,
    depth: Raster | None = None,
    imagery: Raster | None = None,
    params: FlatParams = FlatParams(),
) -> Iterator[Position]:
    """Yield the broad shallow waters, by their depth or, less surely, by their colour.

    Parameters
    ----------
    cover
        The `cover` raster.
    depth
        Depth of the water in metres on the same grid.
    imagery
        The photo on the same grid, looked at where there is no `depth`.
    params
        What counts as an open flat.

    Yields
    ------
    Position
        Polygons; none without `depth` and `imagery`.

    Raises
    ------
    RasterError
        If the rasters lie on different grids.
    """
    grid = cover.grid
    classes = cover.band("class")
    wet = classes == Cover.WATER
    if depth is not None:
        require_same_grid(cover, depth)
        sounded = wet & depth.mask & np.isfinite(depth.values)
        mean = blur_within(depth.values, sounded, params.blur_m / grid.pixel_m)
        shallow, trust = sounded & (mean <= params.deepest_m), params.sounded_trust
    elif imagery is not None:
        require_same_grid(cover, imagery)
        shallow = find_pale_bed(
            imagery, wet, blur_px=params.blur_m / grid.pixel_m, paler=params.paler
        )
        trust = params.pale_trust
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


def find_pale_bed(imagery: Raster, wet: BoolArray, *, blur_px: float, paler: float) -> BoolArray:
    """Return water where a pale bed shows through, none where the water is of one colour.

    Parameters
    ----------
    imagery
        A photo with "red" and "green".
    wet
        Where it shows water, shape (rows, columns).
    blur_px
        Standard deviation of the blur, in pixels.
    paler
        Least difference of the mean log ratio of red to green between pale and dark water.

    Returns
    -------
    BoolArray
        Shape (rows, columns).

    Notes
    -----
    Red is soaked up within a metre or two and green much deeper, so their log ratio falls with
    depth whatever the bed. The limit between pale and dark is Otsu's (1979).

    References
    ----------
    After the ratio method of Stumpf et al. 2003, doi 10.4319/lo.2003.48.1_part_2.0547, with red
    for the shallowest water.
    """
    smooth = blur_within(
        np.log((imagery.band("red") + 1.0) / (imagery.band("green") + 1.0)), wet, blur_px
    )
    values = smooth[wet]
    if not values.size:
        return np.zeros_like(wet)
    cut = otsu(values)
    pale = wet & (smooth > cut)
    if not pale.any() or values[values > cut].mean() - values[values <= cut].mean() < paler:
        return np.zeros_like(wet)
    return pale


def blur_within(plane: AnyArray, where: BoolArray, blur_px: float) -> Float32Array:
    """Return a plane blurred over the pixels of a mask alone.

    Parameters
    ----------
    plane
        Shape (rows, columns).
    where
        Pixels that count, the same shape.
    blur_px
        Standard deviation of the Gaussian, in pixels.

    Returns
    -------
    Float32Array
        The same shape.

    Examples
    --------
    >>> import numpy as np
    >>> depth, sounded = np.array([[2.0, 2.0, 99.0]]), np.array([[True, True, False]])
    >>> blur_within(depth, sounded, 1.0)[0, :2].round(3)
    array([2., 2.], dtype=float32)
    """
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
