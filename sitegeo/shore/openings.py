"""Timber openings and cover clumps: small wet gaps among trees, small plants amid water."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from rasterio.features import rasterize
from shapely.geometry import Polygon

from sitegeo.angles import bearing_of
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import FloatArray, IntArray
from sitegeo.shore.position import Position
from sitegeo.shore.shoreline import ShorelineParams, polygons_of


@dataclass(frozen=True)
class OpeningParams:
    """What counts as a timber opening. All values are judgement.

    Parameters
    ----------
    min_tree_share
        Least share of its shore with trees behind.
    min_width_m
        Least diameter of the largest circle inside it.
    max_area_m2
        Larger waters are ponds.
    trust
        Confidence in one without trees, and what a shore all of trees has more.
    """

    min_tree_share: float = 0.8
    min_width_m: float = 8.0
    max_area_m2: float = 10_000.0
    trust: tuple[float, float] = (0.4, 0.4)


@dataclass(frozen=True)
class ClumpParams:
    """What counts as a cover clump. All values are judgement.

    Parameters
    ----------
    min_area_m2, max_area_m2
        Smallest and largest island.
    min_plant_share
        Least share of it that is trees or low cover.
    trust
        Confidence as a share of the photo's own.
    """

    min_area_m2: float = ShorelineParams.min_island_m2
    max_area_m2: float = 5_000.0
    min_plant_share: float = 0.5
    trust: float = 0.9


def find_timber_openings(
    stations: gpd.GeoDataFrame,
    water: gpd.GeoDataFrame,
    grid: Grid,
    *,
    params: OpeningParams = OpeningParams(),
) -> Iterator[tuple[str, Position]]:
    """Yield the small waters whose shore is nearly all trees.

    Parameters
    ----------
    stations, water
        The layers of those names.
    grid
        The place's grid, for its convergence.
    params
        What counts as a timber opening.

    Yields
    ------
    tuple[str, Position]
        The id of the water and the opening, a polygon.
    """
    owner = stations["shore_id"].str.rsplit("-", n=1).str[0]
    tree_share = (stations["bank_cover"] == "tree").groupby(owner).mean()
    height = stations["canopy_height_m"].groupby(owner).mean()
    parts = [
        (n, p) for n, g in zip(water["id"], water.geometry, strict=True) for p in polygons_of(g)
    ]
    least, more = params.trust
    for name, polygon in parts:
        share = float(tree_share.get(name, 0.0))
        width = inscribed_width_m(polygon)
        if (
            share < params.min_tree_share
            or polygon.area > params.max_area_m2
            or width < params.min_width_m
        ):
            continue
        length, bearing = long_axis(polygon)
        opening = Position(
            "timber opening",
            polygon,
            least + more * share,
            f"wet gap of {polygon.area:.0f} m2 with trees along {100 * share:.0f} % of its edge; "
            f"a circle {width:.0f} m wide fits inside",
            length_m=length,
            width_m=width,
            bearing_deg=float(grid.to_true_bearing(bearing)),
            canopy_height_m=float(height.get(name, np.nan)),
            canopy_density=share,
            area_m2=polygon.area,
        )
        yield str(name), opening


def find_cover_clumps(
    water: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    *,
    params: ClumpParams = ClumpParams(),
) -> Iterator[Position]:
    """Yield the small islands of plants that stand alone in water.

    Parameters
    ----------
    water
        The `water` layer.
    cover, canopy_height
        Rasters on one grid; height in metres.
    params
        What counts as a cover clump.

    Yields
    ------
    Position
        Polygons.
    """
    islands = [
        island
        for polygon in (p for g in water.geometry for p in polygons_of(g))
        for island in map(Polygon, polygon.interiors)
        if params.min_area_m2 <= island.area <= params.max_area_m2
    ]
    counts, heights, sure = _class_counts(islands, cover, canopy_height)
    for i, island in enumerate(islands):
        total = max(int(counts[i].sum()), 1)
        tree, low = counts[i, Cover.TREE] / total, counts[i, Cover.LOW] / total
        if tree + low < params.min_plant_share:
            continue
        width = inscribed_width_m(island)
        words = "trees" if tree > low else "low cover"
        yield Position(
            "cover clump",
            island,
            params.trust * sure[i],
            f"{island.area:.0f} m2 of {words} standing alone in water, {width:.0f} m wide",
            width_m=width,
            canopy_height_m=heights[i],
            canopy_density=float(tree),
            area_m2=island.area,
        )


def inscribed_width_m(polygon: Polygon) -> float:
    """Return the diameter in metres of the largest circle inside a polygon, to about 0.5 m.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(inscribed_width_m(box(0, 0, 40, 12)))
    12
    """
    return 2.0 * float(shapely.maximum_inscribed_circle(polygon, tolerance=0.25).length)


def long_axis(polygon: Polygon) -> tuple[float, float]:
    """Return the length and grid bearing (0 to 180) of the tightest rectangle's long side.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> long_axis(box(0, 0, 40, 12))
    (40.0, 90.0)
    """
    corners = shapely.get_coordinates(polygon.minimum_rotated_rectangle)
    sides = np.diff(corners, axis=0)[:2]
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    longest = int(np.argmax(lengths))
    return float(lengths[longest]), float(bearing_of(*sides[longest])) % 180.0


def _class_counts(
    polygons: Sequence[Polygon], cover: Raster, canopy_height: Raster
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return per polygon the count of each class, the mean plant height and the certainty."""
    if not polygons:
        return np.empty((0, 6), np.int64), np.empty(0), np.empty(0)
    grid = cover.grid
    labels = rasterize(
        [(p, i + 1) for i, p in enumerate(polygons)],
        out_shape=grid.shape,
        transform=grid.transform,
        dtype="int32",
    )
    inside = labels > 0
    which = labels[inside] - 1
    classes = cover.band("class")[inside]
    n, kinds = len(polygons), len(Cover)
    counts = np.bincount(which * kinds + classes, minlength=n * kinds).reshape(n, kinds)
    plants = np.isin(classes, (Cover.TREE, Cover.LOW))
    rows = np.maximum(np.bincount(which[plants], minlength=n), 1)
    height = np.bincount(which[plants], canopy_height.values[inside][plants], n) / rows
    sure = np.bincount(which[plants], cover.band("confidence")[inside][plants], n) / rows / 100
    return counts, height, sure
