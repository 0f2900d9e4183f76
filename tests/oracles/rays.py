"""Fetch along exact rays against land polygons: what the swept raster is held to.

`geodesic_fetch` follows the ellipsoid from a longitude and latitude; `planar_fetch` works in
one metric frame, on many points at once. Both measure to the shoreline as drawn.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Geod
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from sitegeo.core.typing import AnyArray, FloatArray

_WGS84 = Geod(ellps="WGS84")
_ARC_M = 500.0  # a geodesic and the straight line in degrees part by centimetres over this


def geodesic_fetch(
    lon: float,
    lat: float,
    land: BaseGeometry,
    bearings_deg: Sequence[float],
    *,
    max_m: float,
    spread_deg: Sequence[float] = (0.0,),
) -> FloatArray:
    """Return the geodesic distance over water to land, for each bearing.

    Parameters
    ----------
    lon, lat
        The point, degrees on WGS 84.
    land
        Land polygons in degrees; sides are straight in longitude and latitude. Land on the
        other side of the date line is found.
    bearings_deg
        True bearings, the way the wind comes from.
    max_m
        How far to look; also the answer where no land is met.
    spread_deg
        Deviations around each bearing whose fetches are averaged, weighted by cosine.

    Returns
    -------
    ndarray
        Metres, one a bearing; all NaN, with a warning, when the point is on land.
    """
    shifted = [land, affinity.translate(land, 360), affinity.translate(land, -360)]
    around = shapely.union_all(shifted)
    start = shapely.Point(lon, lat)
    if around.intersects(start):
        warnings.warn(f"the point {lon}, {lat} is on land: no fetch", stacklevel=2)
        return np.full(len(bearings_deg), np.nan)
    shapely.prepare(around)
    radials = [
        [_geodesic_ray(start, around, bearing + turn, max_m) for bearing in bearings_deg]
        for turn in spread_deg
    ]
    cosines = np.cos(np.deg2rad(spread_deg))
    fetch: FloatArray = np.tensordot(cosines, np.asarray(radials), axes=1) / cosines.sum()
    return fetch


def _geodesic_ray(start: shapely.Point, land: BaseGeometry, bearing: float, max_m: float) -> float:
    distances = np.linspace(0.0, max_m, max(2, int(np.ceil(max_m / _ARC_M)) + 1))
    n = distances.size
    lons, lats, _ = _WGS84.fwd(
        np.full(n, start.x), np.full(n, start.y), np.full(n, bearing), distances
    )
    track = np.column_stack([np.unwrap(lons, period=360.0), lats])
    track[:, 0] += start.x - track[0, 0]
    met = shapely.get_coordinates(shapely.LineString(track).intersection(land))
    if met.size == 0:
        return max_m
    _, _, reached = _WGS84.inv(
        np.full(len(met), start.x), np.full(len(met), start.y), met[:, 0], met[:, 1]
    )
    return float(min(np.min(reached), max_m))


def planar_fetch(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    shore: BaseGeometry,
    *,
    from_grid_deg: float,
    max_m: float,
) -> FloatArray:
    """Return the exact distance from each point to the first shoreline upwind.

    Parameters
    ----------
    x, y
        Points on the water, in the metric frame of `shore`.
    shore
        Polygons of land or of water, or lines: only their boundary counts.
    from_grid_deg
        Grid bearing the wind comes from.
    max_m
        How far to look; also the answer where no shore is met.

    Returns
    -------
    ndarray
        (points,) metres.
    """
    x = np.atleast_1d(np.asarray(x, float))
    y = np.atleast_1d(np.asarray(y, float))
    east, north = np.sin(np.deg2rad(from_grid_deg)), np.cos(np.deg2rad(from_grid_deg))
    ends = np.column_stack([x + max_m * east, y + max_m * north])
    rays = np.asarray(shapely.linestrings(np.stack([np.column_stack([x, y]), ends], axis=1)))
    sides = _segments(shore)
    ray, side = shapely.STRtree(sides).query(rays, predicate="intersects")
    distance = shapely.distance(
        shapely.points(x[ray], y[ray]), shapely.intersection(rays[ray], sides[side])
    )
    fetch: FloatArray = np.full(x.size, float(max_m))
    np.minimum.at(fetch, ray, distance)
    return fetch


def _segments(shore: BaseGeometry) -> AnyArray:
    """Every side of the geometry's lines, one by one."""
    lines = shapely.get_parts(shapely.boundary(shore) if shore.area else shore)
    coordinates, index = shapely.get_coordinates(lines, return_index=True)
    joined = index[1:] == index[:-1]
    pairs = np.stack([coordinates[:-1], coordinates[1:]], axis=1)[joined]
    return np.asarray(shapely.linestrings(pairs))
