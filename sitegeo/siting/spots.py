"""Where on each kind of position a person could hide, and which way the hide looks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import circular_mean_deg, unit_from_bearing
from sitegeo.grid import Raster
from sitegeo.layers import Cover
from sitegeo.siting.around import Floats


@dataclass(frozen=True)
class SpotParams:
    """How blinds are spread over a position; judgement throughout.

    Parameters
    ----------
    spacing_m
        Between blinds along a tree line or round a flat.
    inland_m, deepest_m
        From the waterline to the hide, and how much farther in it may go to find cover.
    facings, rim
        Ways a clump looks, and spots round the rim of a timber opening, evenly turned.
    clump_edge_m
        The hide in a clump keeps this far inside its edge where the clump is wide enough.
    flat_reach_m, flat_most
        Low cover this close to a flat is its edge; no more blinds than this on one flat.
    """

    spacing_m: float = 75.0
    inland_m: float = 2.5
    deepest_m: float = 9.0
    facings: int = 4
    rim: int = 8
    clump_edge_m: float = 2.0
    flat_reach_m: float = 15.0
    flat_most: int = 6


Spot = tuple[float, Floats]
"""A facing (true) and the hide's coordinates."""


@dataclass(frozen=True)
class Shore:
    """The shore's stations and the cover, as the spots ask for them."""

    at: Floats
    facings: Floats
    ids: NDArray[Any]
    banks: NDArray[Any]
    tree: cKDTree
    cover: Raster

    @classmethod
    def of(cls, stations: gpd.GeoDataFrame, cover: Raster) -> Shore:
        """Return the shore of the `stations` layer."""
        at = shapely.get_coordinates(stations.geometry)
        facings = stations["facing_deg"].to_numpy(float)
        ids, banks = stations["shore_id"].to_numpy(), stations["bank_cover"].to_numpy()
        return cls(at, facings, ids, banks, cKDTree(at), cover)

    def near(self, spot: Floats) -> tuple[int, Floats]:
        """Return the nearest station and the facings of its neighbours on the same shore."""
        nearest = int(self.tree.query(spot)[1])
        near = np.array(self.tree.query_ball_point(self.at[nearest], 15.0))
        return nearest, self.facings[near[self.ids[near] == self.ids[nearest]]]

    def class_at(self, at: Floats) -> Floats:
        """Return the cover class under points."""
        classes: Floats = self.cover.sample(at[:, 0], at[:, 1], fill=0.0)[
            self.cover.bands.index("class")
        ]
        return classes

    def in_from(self, edge: Floats, facing_deg: float, params: SpotParams) -> Floats:
        """Return the first spot in cover straight in from an edge, or the nearest one to it."""
        inland = np.arange(params.inland_m, params.deepest_m + 0.5, 1.0)
        spots = edge - inland[:, None] * self.ahead(facing_deg)
        covered = np.isin(self.class_at(spots), (Cover.TREE, Cover.LOW))
        return np.asarray(spots[covered.argmax()], float)

    def ahead(self, facing_deg: float) -> Floats:
        """Return the unit vector on the grid of a true bearing."""
        east, north = unit_from_bearing(self.cover.grid.to_grid_bearing(facing_deg))
        return np.array([float(east), float(north)])


def spots_on(
    kind: str, shape: BaseGeometry, facing_deg: float, shore: Shore, params: SpotParams
) -> Iterator[Spot]:
    """Yield the spots of one position, in a stable order."""
    finder = _FINDERS.get(kind)
    if finder is not None:
        yield from finder(shape, shore, params)
        return
    for spot in _along(shape, params.spacing_m):
        nearest, near = shore.near(spot)
        follows_bank = kind == "tree line" or not np.isfinite(facing_deg)
        facing = float(circular_mean_deg(near)) if follows_bank else facing_deg
        at = spot if kind == "chosen" else shore.in_from(shore.at[nearest], facing, params)
        yield facing, at


def _along(shape: BaseGeometry, spacing_m: float) -> Iterator[Floats]:
    if shape.geom_type in {"LineString", "MultiLineString"}:
        count = max(1, round(shape.length / spacing_m))
        for fraction in (np.arange(count) + 0.5) / count:
            yield shapely.get_coordinates(shape.interpolate(fraction, normalized=True))[0]
    else:
        yield shapely.get_coordinates(shapely.point_on_surface(shape))[0]


def _in_clump(shape: BaseGeometry, shore: Shore, params: SpotParams) -> Iterator[Spot]:
    """Yield one hide a facing: on that side of the clump, inside its edge."""
    middle = _middle(shape)
    for facing in np.arange(params.facings) * 360.0 / params.facings:
        ahead = shore.ahead(float(facing))
        out = max(0.0, _to_edge_m(shape, middle, ahead) - params.clump_edge_m)
        yield float(facing), middle + out * ahead


def _round_opening(shape: BaseGeometry, shore: Shore, params: SpotParams) -> Iterator[Spot]:
    """Yield hides among the trees all round an opening, each looking into it.

    The upwind end depends on the wind, so the spots go all the way round.
    """
    middle = _middle(shape)
    for turn in np.arange(params.rim) * 360.0 / params.rim:
        facing = (float(turn) + 180.0) % 360.0
        out = shore.ahead(float(turn))
        edge = middle + _to_edge_m(shape, middle, out) * out
        yield facing, shore.in_from(edge, facing, params)


def _round_flat(shape: BaseGeometry, shore: Shore, params: SpotParams) -> Iterator[Spot]:
    """Yield hides in the low cover round a flat, well apart."""
    close = shapely.dwithin(shapely.points(shore.at), shape, params.flat_reach_m)
    chosen: list[int] = []
    for index in np.flatnonzero(close & (shore.banks == "low cover")):
        apart = np.hypot(*(shore.at[chosen] - shore.at[index]).T)
        if len(chosen) < params.flat_most and (apart >= params.spacing_m).all():
            chosen.append(int(index))
    for station in chosen:
        nearest, near = shore.near(shore.at[station])
        facing = float(circular_mean_deg(near))
        yield facing, shore.in_from(shore.at[nearest], facing, params)


def _middle(shape: BaseGeometry) -> Floats:
    widest = max(shapely.get_parts(shape), key=lambda g: float(g.area))
    circle = shapely.maximum_inscribed_circle(widest, tolerance=0.5)
    return np.asarray(shapely.get_coordinates(circle)[0], float)


def _to_edge_m(shape: BaseGeometry, start: Floats, direction: Floats) -> float:
    """Return how far from a spot inside a shape its edge is."""
    ray = LineString([start, start + 1000.0 * direction])
    parts = shapely.get_parts(ray.intersection(shape))
    return min((float(p.length) for p in parts if p.dwithin(Point(start), 0.01)), default=0.0)


_FINDERS: dict[str, Callable[[BaseGeometry, Shore, SpotParams], Iterator[Spot]]] = {
    "cover clump": _in_clump,
    "timber opening": _round_opening,
    "open flat": _round_flat,
}
