"""The line between water and land, and stations along it.

The line is the half-way contour of the slightly blurred water mask: sub-pixel, smooth at the
scale of the photo, and moved inward at a bend of radius r by only about blur² / 2r.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS
from rasterio.features import rasterize
from rasterio.features import shapes as raster_shapes
from scipy import ndimage
from shapely.geometry import LinearRing, LineString, MultiLineString, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from skimage.measure import find_contours

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster, require_same_crs, require_same_grid
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, FloatArray, Int32Array, ObjectArray
from sitegeo.landcover.filters import compiled
from sitegeo.landcover.water_params import WaterParams
from sitegeo.shore.stations import BANK_NAMES, bank_classes, bank_heights, pixels_behind

LAND_FRACTION_RADII_M = (25, 75, 200)
"""Radii of the discs about a station in which the share of land is told."""

_FRAME_PX = 0.75
"""Shore nearer to the edge of the data than this is that edge, and no shore."""

_VOID_EDGE_M = 5.0
"""Shore nearer than this to ground without data inside a photo is told by too few pixels to be one
(judgement: the window in which water is seen to be smooth)."""

_FIT_POINTS = 12
"""Points each way through which the facing of a station is fitted."""

_LEAST_STRIPS = 64
"""Least number of strips a disc is cut into; its area is then off by less than 0.1 %."""


@dataclass(frozen=True)
class ShorelineParams:
    """How the shoreline is drawn and walked. All values are judgement.

    Parameters
    ----------
    min_water_m2, min_island_m2
        Smaller waters and islands are dropped.
    blur_px, simplify_px
        Blur of the mask, and tolerance of the simplified line, in pixels.
    spacing_m
        Distance between stations.
    normal_m
        The water-facing bearing is fitted over this much shore each way.
    bank_m
        How far behind the line the bank is looked at.
    shown_share
        Least share of a water that the photo, or the map, shows as water to be its source.
    """

    min_water_m2: float = WaterParams.min_area_m2
    min_island_m2: float = WaterParams.min_island_m2
    blur_px: float = 1.0
    simplify_px: float = 0.15
    spacing_m: float = 10.0
    normal_m: float = 15.0
    bank_m: float = 15.0
    shown_share: float = 0.1


@step("water", "land", "stations")
def shoreline(
    *,
    cover: Raster,
    canopy_height: Raster,
    mapped_water: gpd.GeoDataFrame | None = None,
    photo_cover: Raster | None = None,
    params: ShorelineParams = ShorelineParams(),
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return the water, the land that touches it, and stations along the shores.

    Parameters
    ----------
    cover, canopy_height
        Rasters on one grid; height in metres.
    mapped_water
        The map's water polygons, in the CRS of `cover`.
    photo_cover
        The cover read from the photo alone, where `cover` is anchored by the map.
    params
        How the shoreline is drawn and walked.

    Returns
    -------
    water, land, stations : GeoDataFrame
        The layers of those names. `source` says which of the photo and the map show a water;
        land has that of its waters. `facing_deg` is the true bearing towards the water.
        `land_fraction_R` is the share of land in a disc of R metres (0.5 on a straight shore,
        less on a point, more in a cove), NaN where over half the disc is off the data. The edge
        of the data is not a shore and carries no stations.

    Raises
    ------
    RasterError, CrsError
        If layers lie on different grids or in different coordinate systems.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 2.0, (100, 100))
    >>> classes = np.full((100, 100), Cover.OPEN, np.uint8)
    >>> classes[:, 50:] = Cover.WATER
    >>> seen = np.stack([classes, np.full_like(classes, 90)])
    >>> cover = Raster(seen, grid, None, ("class", "confidence"))
    >>> height = Raster(np.zeros((100, 100)), grid)
    >>> water, land, stations = shoreline(cover=cover, canopy_height=height)
    >>> water["area_m2"].round().tolist(), stations["facing_deg"].round().unique().tolist()
    ([20000.0], [90.0])
    """
    require_same_grid(cover, canopy_height)
    grid = cover.grid
    extent = data_extent(grid, cover.valid)
    waters = split_into_waters(trace_water(cover, extent, params), params, pixel_m=grid.pixel_m)
    shown = cover if photo_cover is None else photo_cover
    sources = _sources(waters, mapped_water, shown, params)
    water = water_layer(waters, sources, grid.crs)
    walked = place_stations(water, extent, params, pixel_m=grid.pixel_m)
    stations = describe_stations(walked, cover, canopy_height, params)
    return water, land_layer(water, extent, params), stations


def shore_points(cover: Raster, *, params: ShorelineParams = ShorelineParams()) -> ObjectArray:
    """Return points at even steps along all shores of a cover raster, shape (n,)."""
    extent = data_extent(cover.grid, cover.valid)
    frame = _edge_of_data(extent, cover.grid.pixel_m)
    lines = [
        line
        for water in split_into_waters(
            trace_water(cover, extent, params), params, pixel_m=cover.grid.pixel_m
        )
        for line in _shores(water, frame, params.spacing_m)
    ]
    xy = [_walk(line, params)[:, :2] for line in lines]
    return np.asarray(shapely.points(np.concatenate([np.empty((0, 2)), *xy])))


def data_extent(grid: Grid, valid: BoolArray | None) -> BaseGeometry:
    """Return the ground on which there is data."""
    if valid is None or bool(valid.all()):
        return box(*grid.bounds)
    parts = raster_shapes(valid.astype(np.uint8), mask=valid, transform=grid.transform)
    return shapely.union_all([shapely.geometry.shape(geometry) for geometry, _ in parts])


def _edge_of_data(extent: BaseGeometry, pixel_m: float) -> BaseGeometry:
    """Return the ground so near the edge of the data that a shore there is none."""
    near_edge = shapely.buffer(extent.boundary, _FRAME_PX * pixel_m)
    voids = shapely.difference(shapely.envelope(extent), extent)
    return shapely.union(near_edge, shapely.buffer(voids, _VOID_EDGE_M))


def trace_water(cover: Raster, extent: BaseGeometry, params: ShorelineParams) -> BaseGeometry:
    """Return the water within an extent by its half-way contour, every vertex kept.

    Parameters
    ----------
    cover
        The `cover` raster.
    extent
        Ground on which there is data.
    params
        How the shoreline is drawn.

    Returns
    -------
    BaseGeometry
        Polygons in the CRS of `cover`, perhaps none.

    Notes
    -----
    A contour depends on a few pixels about it: pieces drawn apart, on a cover known a little way
    beyond each, join without a seam.
    """
    grid = cover.grid
    wet = (cover.band("class") == Cover.WATER) & cover.mask
    if cover.valid is not None and not cover.valid.all():
        # Water that runs off the data goes straight on, and is cut at the edge afterwards.
        nearest = ndimage.distance_transform_edt(
            ~cover.valid, return_distances=False, return_indices=True
        )
        wet = wet[tuple(nearest)]
    margin = int(np.ceil(4 * params.blur_px)) + 1
    padded = np.pad(wet, margin, mode="edge").astype(np.float32)
    level = np.pad(ndimage.gaussian_filter(padded, params.blur_px), 1)
    margin += 1
    rings = []
    for contour in find_contours(level, 0.5):  # type: ignore[no-untyped-call]
        x, y = grid.xy(contour[:, 0] - margin, contour[:, 1] - margin)
        if len(contour) >= 4:
            rings.append(LineString(np.column_stack([x, y])))
    area = shapely.build_area(shapely.geometrycollections(rings))
    return shapely.intersection(shapely.make_valid(area), extent)


def split_into_waters(
    area: BaseGeometry, params: ShorelineParams, *, pixel_m: float
) -> list[Polygon]:
    """Return the bodies of an area of water, simplified, north to south.

    Parameters
    ----------
    area
        As `trace_water` gives it.
    params
        How the shoreline is drawn.
    pixel_m
        Pixel of the cover it was traced on.

    Returns
    -------
    list[Polygon]
        Without waters and islands that are too small.
    """
    area = shapely.make_valid(area.simplify(params.simplify_px * pixel_m))
    return _in_order(
        Polygon(p.exterior, [r for r in p.interiors if Polygon(r).area >= params.min_island_m2])
        for p in polygons_of(area)
        if p.area >= params.min_water_m2
    )


def water_layer(waters: Sequence[Polygon], sources: Sequence[str], crs: CRS) -> gpd.GeoDataFrame:
    """Return the `water` layer.

    Parameters
    ----------
    waters
        Bodies of water in order.
    sources
        What shows each: "photo", "vector" or "both".
    crs
        The CRS of the polygons.

    Returns
    -------
    GeoDataFrame
        Ids W001, W002 and so on.
    """
    return _layer(waters, "W", sources, crs)


def land_layer(
    water: gpd.GeoDataFrame, extent: BaseGeometry, params: ShorelineParams
) -> gpd.GeoDataFrame:
    """Return the `land` layer: what of the extent touches the water.

    Parameters
    ----------
    water
        The `water` layer.
    extent
        Ground on which there is data.
    params
        How the shoreline is drawn.

    Returns
    -------
    GeoDataFrame
        Ids L001, L002 and so on.
    """
    bodies = list(water.geometry)
    lakes = shapely.union_all(bodies)
    lands = _in_order(
        p
        for p in polygons_of(shapely.difference(extent, lakes))
        if bodies and p.area >= params.min_island_m2 and p.intersects(lakes)
    )
    assert water.crs is not None
    return _layer(lands, "L", _of_waters(lands, bodies, list(water["source"])), water.crs)


def polygons_of(geometry: BaseGeometry) -> list[Polygon]:
    """Return the polygons in a geometry, however nested, leaving out lines and points."""
    if isinstance(geometry, Polygon):
        return [] if geometry.is_empty else [geometry]
    return [p for part in getattr(geometry, "geoms", ()) for p in polygons_of(part)]


def _in_order(polygons: Iterable[Polygon]) -> list[Polygon]:
    """Return polygons north to south, then west to east, water or land on the ring's left."""
    key = [(-round(p.centroid.y, 3), round(p.centroid.x, 3), p) for p in polygons]
    return [orient(p) for _, _, p in sorted(key, key=lambda k: k[:2])]


def _sources(
    polygons: Sequence[Polygon],
    mapped: gpd.GeoDataFrame | None,
    shown: Raster,
    params: ShorelineParams,
) -> list[str]:
    """Return which of the photo and the map show each water; without a map, the photo."""
    if mapped is None or mapped.empty or not polygons:
        return ["photo"] * len(polygons)
    grid = shown.grid
    require_same_crs(grid.crs, mapped.crs, where="mapped water")
    owner = rasterize(
        [(p, i) for i, p in enumerate(polygons, 1)], grid.shape, transform=grid.transform
    )
    known = [g for g in mapped.geometry if g is not None and not g.is_empty]
    on_map = rasterize(known, grid.shape, transform=grid.transform) if known else owner * 0
    pixels = np.maximum(np.bincount(owner.ravel(), minlength=len(polygons) + 1), 1)
    by_photo, by_map = (
        np.bincount(owner[seen], minlength=len(pixels)) >= params.shown_share * pixels
        for seen in (shown.band("class") == Cover.WATER, on_map > 0)
    )
    names = np.where(by_photo & by_map, "both", np.where(by_map, "vector", "photo"))
    return [str(n) for n in names[1:]]


def _of_waters(
    lands: Sequence[Polygon], waters: Sequence[BaseGeometry], sources: Sequence[str]
) -> list[str]:
    if len(set(sources)) <= 1:
        return [*(sources[:1] or ["photo"])] * len(lands)
    tree = shapely.STRtree(waters)
    touching = [{sources[i] for i in tree.query(p, predicate="intersects")} for p in lands]
    return [s.pop() if len(s) == 1 else "both" for s in touching]


def _layer(
    polygons: Sequence[Polygon], letter: str, sources: Sequence[str], crs: CRS
) -> gpd.GeoDataFrame:
    digits = max(3, len(str(len(polygons))))
    return gpd.GeoDataFrame(
        {
            "id": [f"{letter}{i:0{digits}d}" for i in range(1, len(polygons) + 1)],
            "area_m2": np.array([p.area for p in polygons], float),
            "source": list(sources),
        },
        geometry=list(polygons),
        crs=crs,
    )


def place_stations(
    water: gpd.GeoDataFrame, extent: BaseGeometry, params: ShorelineParams, *, pixel_m: float
) -> gpd.GeoDataFrame:
    """Return stations at even steps along the shores, without what pixels tell of them.

    Parameters
    ----------
    water
        The `water` layer.
    extent
        Ground on which there is data; its edge is not a shore.
    params
        How the shoreline is walked.
    pixel_m
        Pixel of the cover the waters were traced on.

    Returns
    -------
    GeoDataFrame
        Points with `id`, `shore_id`, `chainage_m` and `facing_grid_deg`, the grid bearing towards
        the water.
    """
    frame = _edge_of_data(extent, pixel_m)
    shore_ids: list[str] = []
    parts: list[FloatArray] = []
    for water_id, shape in zip(water["id"], water.geometry, strict=True):
        lines = [s for p in polygons_of(shape) for s in _shores(p, frame, params.spacing_m)]
        for number, line in enumerate(lines):
            walked = _walk(line, params)
            shore_ids += [f"{water_id}-{number}"] * len(walked)
            parts.append(walked)
    table = np.concatenate(parts) if parts else np.empty((0, 4))
    x, y, chainage, facing_grid = table.T
    digits = max(5, len(str(len(x))))
    columns: dict[str, object] = {
        "id": [f"S{i:0{digits}d}" for i in range(1, len(x) + 1)],
        "shore_id": np.array(shore_ids, object),
        "chainage_m": np.round(chainage, 3),
        "facing_grid_deg": facing_grid,
    }
    return gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy(x, y), crs=water.crs)


def describe_stations(
    walked: gpd.GeoDataFrame, cover: Raster, canopy_height: Raster, params: ShorelineParams
) -> gpd.GeoDataFrame:
    """Return the `stations` layer: stations with what lies about and behind each.

    Parameters
    ----------
    walked
        As `place_stations` gives them.
    cover, canopy_height
        Rasters on one grid about them; height in metres.
    params
        How far behind the line the bank is looked at.

    Returns
    -------
    GeoDataFrame
        `facing_deg` is true.
    """
    grid = cover.grid
    x, y = (np.asarray(v, float) for v in (walked.geometry.x, walked.geometry.y))
    facing_grid = walked["facing_grid_deg"].to_numpy(float)
    behind = pixels_behind(x, y, facing_grid, grid, reach_m=params.bank_m)
    columns: dict[str, object] = {
        **{name: walked[name].to_numpy() for name in ("id", "shore_id", "chainage_m")},
        "facing_deg": grid.to_true_bearing(facing_grid),
    }
    land = ~((cover.band("class") == Cover.WATER) & cover.mask)
    for radius in LAND_FRACTION_RADII_M:
        columns[f"land_fraction_{radius}"] = land_fraction(
            x, y, radius, land=land, valid=cover.mask, grid=grid
        )
    names = [BANK_NAMES[c] for c in bank_classes(cover, behind)]
    columns["bank_cover"] = np.array(names, object)
    columns["canopy_height_m"] = bank_heights(canopy_height, behind)
    return gpd.GeoDataFrame(columns, geometry=walked.geometry.to_numpy(), crs=grid.crs)


def _shores(polygon: Polygon, frame: BaseGeometry, shortest_m: float) -> list[LineString]:
    """Return the rings of a water, cut at the frame of the data, water on the left."""
    shores: list[LineString] = []
    for ring in (polygon.exterior, *polygon.interiors):
        line = _from_north(ring)
        if line.intersects(frame):
            rest = line.difference(frame)
            if isinstance(rest, MultiLineString):
                rest = shapely.line_merge(rest, directed=True)
            pieces = list(shapely.get_parts(rest))
        else:
            pieces = [line]
        shores += [p for p in pieces if isinstance(p, LineString) and p.length >= shortest_m]
    return shores


def _from_north(ring: LinearRing) -> LineString:
    """Return a ring that begins at its northernmost, then westernmost, vertex."""
    xy = np.asarray(ring.coords)[:-1]
    start = int(np.lexsort((xy[:, 0], -xy[:, 1]))[0])
    turned = np.roll(xy, -start, axis=0)
    return LineString(np.vstack([turned, turned[:1]]))


def _walk(line: LineString, params: ShorelineParams) -> FloatArray:
    """Return x, y, chainage and water-facing grid bearing at even steps along a shore."""
    length = line.length
    count = max(1, round(length / params.spacing_m))
    chainage = (np.arange(count) + (0.0 if line.is_closed else 0.5)) * length / count
    # The least-squares direction over the shore each way: the sum of chords, weighted by reach.
    reach = np.linspace(0, min(params.normal_m, length / 8), _FIT_POINTS + 1)[1:]
    ahead = _along(line, chainage[:, None] + reach)
    back = _along(line, chainage[:, None] - reach)
    east, north = np.einsum("k,cnk->cn", reach, ahead - back)
    facing = np.rad2deg(np.arctan2(-north, east)) % 360.0
    return np.column_stack([*_along(line, chainage), chainage, facing])


def _along(line: LineString, chainage: FloatArray) -> FloatArray:
    """Return x and y at chainages, stacked first; round again on a closed line."""
    xy = np.asarray(line.coords)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.mod(chainage, run[-1]) if line.is_closed else chainage
    return np.stack([np.interp(at, run, xy[:, 0]), np.interp(at, run, xy[:, 1])])


def land_fraction(
    x: FloatArray, y: FloatArray, radius_m: float, *, land: BoolArray, valid: BoolArray, grid: Grid
) -> FloatArray:
    """Return the share of land in a disc about each point, ground off the data left out.

    Parameters
    ----------
    x, y
        Points, shape (n,), metres in the grid's CRS.
    radius_m
        Radius of the disc.
    land, valid
        Masks of the grid: where there is land, and where there is data.
    grid
        Where the masks lie.

    Returns
    -------
    FloatArray
        Shape (n,), 0 to 1; NaN where less than half of the disc is on the data.

    Notes
    -----
    On a smooth shore the share is 1/2 - radius x curvature / (3 pi) to first order, curvature
    positive round a point of land.

    References
    ----------
    An integral invariant of the curve: Manay et al. 2006, Integral invariants for shape matching,
    IEEE Transactions on Pattern Analysis and Machine Intelligence.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.grid import Grid
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 1.0, (100, 100))
    >>> x, y = np.array([500_050.0]), np.array([4_199_950.0])
    >>> land, valid = np.zeros((100, 100), bool), np.ones((100, 100), bool)
    >>> land[:50, :50] = True
    >>> land_fraction(x, y, 25.0, land=land, valid=valid, grid=grid).round(2)
    array([0.25])
    """
    strips = max(_LEAST_STRIPS, 4 * int(np.ceil(2 * radius_m / grid.pixel_m)))
    offset = (np.arange(strips) + 0.5) / strips * 2 - 1
    half = np.sqrt(1 - offset**2) * radius_m / grid.pixel_m
    row, column = (grid.north - y) / grid.pixel_m, (x - grid.west) / grid.pixel_m
    down = offset * radius_m / grid.pixel_m
    on_land, on_data = (
        _in_discs(_running(mask), row, column, down, half) for mask in (land & valid, valid)
    )
    share = on_land / np.maximum(on_data, 1e-9)
    return np.where(on_data >= half.sum(), np.clip(share, 0.0, 1.0), np.nan)


def _running(mask: BoolArray) -> Int32Array:
    """Return the pixels of a mask counted along each row, from 0 before the first."""
    running = np.zeros((mask.shape[0], mask.shape[1] + 1), np.int32)
    np.cumsum(mask, axis=1, out=running[:, 1:])
    return running


@compiled
def _in_discs(
    running: Int32Array, row: FloatArray, column: FloatArray, down: FloatArray, half: FloatArray
) -> FloatArray:
    """Return the summed length, in pixels, of what was counted in the strips of each disc."""
    total = np.zeros(len(row))
    rows, columns = running.shape[0], running.shape[1] - 1
    for n in range(len(row)):
        for k in range(len(down)):
            at = np.floor(row[n] - down[k])
            if at < 0 or at >= rows:
                continue
            line = running[int(at)]
            for side in (-1.0, 1.0):
                to = min(max(column[n] + side * half[k], 0.0), float(columns))
                whole = min(int(to), columns - 1)
                before = line[whole]
                total[n] += side * (before + (line[whole + 1] - before) * (to - whole))
    return total
