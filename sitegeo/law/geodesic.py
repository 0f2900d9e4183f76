"""Geodesic distance from points to the nearest features, never longer than it truly is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer

from sitegeo.angles import wrap360
from sitegeo.core.typing import AnyArray, FloatArray, IntArray
from sitegeo.errors import CrsError

_SAMPLES = 5
"""Points, each way, at which the scale of an area is worked out."""

_PAD = 1e-4
"""The scale's extremes may lie between samples: this share covers 700 km of one UTM zone."""

_STEP_M = 100.0
"""Length of the geodesics whose images give the scale."""

_QUAD_SEGMENTS = 16
"""Chords to a quarter circle in a buffer."""

_CHORD_EXCESS = 1.5
"""How much longer than its nominal step GEOS may draw a chord."""

_LEAST_RADIUS_M = 0.01
"""Smallest radius of a buffer: GEOS loses whole shapes to one near nothing."""

_PIECE_CORNERS = 64
"""Corners above which an outline is buffered in pieces."""

_SEARCH_SLACK_M = 0.001
"""Added to the radius in which the nearest feature is looked for, against rounding."""

_TOUCHING_M = 0.001
"""Nearer than this a point lies on a feature, and has no bearing to it."""


@dataclass(frozen=True)
class Scale:
    """Grid metres per true metre over an area: least, most, and the worst ratio at a point."""

    least: float
    most: float
    stretch: float


def scale_over(crs: CRS, *shapes: AnyArray) -> Scale:
    """Return the scale of a projected CRS over the extent of some shapes.

    Tissot's indicatrix, from the images of short geodesics east and north: PROJ's own factors
    take Web Mercator for a conformal projection, which it is not on the ellipsoid. Raises
    `CrsError` where the shapes lie outside the area the projection can represent.
    """
    west, south, east, north = shapely.total_bounds(np.concatenate(shapes))
    x, y = np.meshgrid(np.linspace(west, east, _SAMPLES), np.linspace(south, north, _SAMPLES))
    to_degrees = _to_degrees(crs)
    lon, lat = (v.ravel() for v in to_degrees.transform(x, y))
    if not np.isfinite([lon, lat]).all():
        raise CrsError(
            "shapes lie outside the area of their coordinate reference system",
            where=crs.name,
            value=tuple(float(v) for v in (west, south, east, north)),
            remedy="Give the layers in a CRS made for the place, such as its UTM zone",
        )
    bearing = np.repeat([90.0, 270.0, 0.0, 180.0], lon.size)
    steps = np.full(bearing.size, _STEP_M)
    ends = ellipsoid_of(crs).fwd(np.tile(lon, 4), np.tile(lat, 4), bearing, steps)[:2]
    images = np.stack(to_degrees.transform(*ends, direction="INVERSE"), axis=-1)
    ahead, behind = images.reshape(2, 2, -1, 2).swapaxes(0, 1)
    jacobian = np.moveaxis((ahead - behind) / (2 * _STEP_M), 0, -1)
    most, least = np.linalg.svd(jacobian, compute_uv=False).T
    stretch = float((most / least).max())
    # Rounding leaves some 1e-9 in a conformal projection.
    stretch = stretch if stretch > 1 + 1e-6 else 1.0
    return Scale(float(least.min()) * (1 - _PAD), float(most.max()) * (1 + _PAD), stretch)


@lru_cache(maxsize=8)
def _to_degrees(crs: CRS) -> Transformer:
    return Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)


def ellipsoid_of(crs: CRS) -> Geod:
    """Return the ellipsoid of a CRS, for geodesics on it."""
    geod = crs.get_geod()
    assert geod is not None  # every projected CRS has an ellipsoid
    return geod


def buffer_radius(distance_m: Any, scale: Scale) -> Any:
    """Return a radius for shapely's buffer that holds every point truly within a distance.

    GEOS draws arcs as chords, of at most 1.5 times the nominal step; the radius is enlarged
    by their sag and by the grid's scale. It loses whole shapes to a radius near nothing, so the
    radius, negative for drawing in, is never smaller than a centimetre.
    """
    half_chord = _CHORD_EXCESS * np.pi / (4 * _QUAD_SEGMENTS)
    radius = np.asarray(distance_m, float) * scale.most / np.cos(half_chord)
    return np.copysign(np.maximum(np.abs(radius), _LEAST_RADIUS_M), radius)


def buffered(shapes: Any, distance_m: Any, scale: Scale) -> Any:
    """Return shapes drawn out by a true distance, or in by a negative one, never less.

    Parameters
    ----------
    shapes
        One shape or an array, in a projected metric CRS.
    distance_m
        True metres, one or as many as shapes.
    scale
        Of that CRS over the shapes.

    Returns
    -------
    shape or array of shapes
    """
    given, radius = np.broadcast_arrays(
        np.asarray(shapes, object), buffer_radius(distance_m, scale)
    )
    many = shapely.get_num_coordinates(given) > _PIECE_CORNERS
    out = shapely.buffer(given, np.where(many, 0.0, radius), quad_segs=_QUAD_SEGMENTS)
    if not many.any():
        return out
    out = np.asarray(out, object)
    out[many] = [_grown_in_pieces(*one) for one in zip(given[many], radius[many], strict=True)]
    return out[()]


def _grown_in_pieces(shape: Any, radius: float) -> Any:
    """Return the buffer of a shape of very many corners as the union of that of its pieces.

    It is the same area: GEOS takes a minute over one jagged outline of some thousand corners.
    """
    areal = shapely.get_dimensions(shape) == 2
    lines = shapely.get_parts(shapely.boundary(shape) if areal else shape)
    corners = [shapely.get_coordinates(line) for line in lines]
    pieces = [
        shapely.LineString(xy[n : n + _PIECE_CORNERS + 1])
        for xy in corners
        for n in range(0, len(xy) - 1, _PIECE_CORNERS)
    ]
    edge = shapely.union_all(shapely.buffer(pieces, abs(radius), quad_segs=_QUAD_SEGMENTS))
    if radius < 0:
        return shapely.difference(shape, edge)
    return shapely.union(shape, edge) if areal else edge


@dataclass(frozen=True)
class Nearest:
    """For each point the feature that is nearest once its offset is taken off.

    Parameters
    ----------
    feature
        Position of the feature in the layer.
    distance_m
        Geodesic distance less the offset, not below 0.
    bearing_deg
        True bearing from the point to the feature, NaN where the point lies on it.
    """

    feature: IntArray
    distance_m: FloatArray
    bearing_deg: FloatArray


def nearest_features(
    points: AnyArray, features: AnyArray, offset_m: FloatArray, *, crs: CRS
) -> Nearest:
    """Return the nearest of the features to each point, once each feature's offset is taken off.

    Candidates come from a tree in the CRS, with a search radius that allows for its scale, so that
    the true nearest is among them; the distance is the geodesic to the nearest point of each. In a
    projection that is not conformal that point is a little off, so the distance is shortened by
    the most it can be.

    Parameters
    ----------
    points, features
        Arrays of at least one shape each, in `crs`.
    offset_m
        How much nearer each feature must be taken, shape (features,).
    crs
        Projected and metric.

    Returns
    -------
    Nearest
        Arrays of shape (points,).

    Raises
    ------
    CrsError
        If shapes lie outside the area of the CRS.

    References
    ----------
    C. F. F. Karney, Algorithms for geodesics, Journal of Geodesy 87 (2013), as in PROJ.

    Examples
    --------
    >>> import numpy as np, shapely
    >>> from pyproj import CRS
    >>> points = shapely.points([[500_000.0, 4_900_000.0]])
    >>> houses = shapely.points([[500_300.0, 4_900_000.0], [500_000.0, 4_900_200.0]])
    >>> found = nearest_features(points, houses, np.zeros(2), crs=CRS("EPSG:32617"))
    >>> found.feature.tolist(), found.distance_m.round(2).tolist()
    ([1], [200.08])
    """
    scale = scale_over(crs, points, features)
    tree = shapely.STRtree(features)
    (rows, first), gap = tree.query_nearest(points, all_matches=False, return_distance=True)
    spare = offset_m.max() - offset_m[first]
    radius = np.empty(len(points))
    radius[rows] = scale.most * (gap / scale.least + scale.stretch * spare) + _SEARCH_SLACK_M
    point, feature = tree.query(points, predicate="dwithin", distance=radius)
    length_m, bearing = _geodesic(crs, shapely.shortest_line(points[point], features[feature]))
    left = length_m / scale.stretch - offset_m[feature]
    order = np.lexsort((feature, left, point))
    best = order[np.unique(point[order], return_index=True)[1]]
    return Nearest(feature[best], np.maximum(left[best], 0.0), bearing[best])


def _geodesic(crs: CRS, lines: AnyArray) -> tuple[FloatArray, FloatArray]:
    """Return length and starting bearing of the geodesic between the ends of each line."""
    ends = shapely.get_coordinates(lines)
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = (np.asarray(v).reshape(-1, 2) for v in to_degrees.transform(*ends.T))
    bearing, _, length_m = ellipsoid_of(crs).inv(lon[:, 0], lat[:, 0], lon[:, 1], lat[:, 1])
    touching = length_m < _TOUCHING_M
    return length_m, np.where(touching, np.nan, wrap360(bearing))
