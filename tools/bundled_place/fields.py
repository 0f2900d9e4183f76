"""Field parcels between lake, woods and roads, and the hedgerows along some of their edges."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from .blueprint import SIDE_M

CROPS = ("corn", "ploughed", "hay", "stubble", "soy")
TURN_DEG = 5.0


def field_parcels(
    rng: np.random.Generator, keep_out: BaseGeometry
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return parcels (`crop`, `rows_deg`) and hedgerow stands, both outside `keep_out`."""
    boxes: list[tuple[float, float, float, float]] = []
    cuts: list[LineString] = []
    _split(rng, (-300.0, -300.0, SIDE_M + 300, SIDE_M + 300), boxes, cuts)
    frame = shapely.box(0, 0, SIDE_M, SIDE_M)
    rows = []
    for box in boxes:
        shape = _turn(shapely.box(*box)).buffer(-3.0).intersection(frame).difference(keep_out)
        shape = shape.buffer(-14.0).buffer(14.0 - 1.0)
        for part in shapely.get_parts(shape):
            if part.area > 6_000:
                rows_deg = TURN_DEG + (90.0 if box[3] - box[1] > box[2] - box[0] else 0.0)
                rows.append({"rows_deg": rows_deg, "geometry": Polygon(part.exterior)})
    parcels = gpd.GeoDataFrame(rows, geometry="geometry")
    order = parcels.area.to_numpy().argsort(kind="stable")[::-1]
    crop = np.empty(len(parcels), dtype=object)
    crop[order] = [CROPS[i % len(CROPS)] for i in range(len(parcels))]
    parcels["crop"] = crop
    lines = [_turn(c) for c in cuts if rng.random() < 0.5]
    hedges = unary_union(lines).buffer(3.5).intersection(frame).difference(keep_out)
    stand = gpd.GeoDataFrame(
        {"species": ["hedge"], "height_m": [8.0], "spacing_m": [5.5]}, geometry=[hedges]
    )
    return parcels, stand


def _split(
    rng: np.random.Generator,
    box: tuple[float, float, float, float],
    boxes: list[tuple[float, float, float, float]],
    cuts: list[LineString],
) -> None:
    """Halve a rectangle again and again, across its longer side, down to field size."""
    w, s, e, n = box
    if (e - w) * (n - s) < rng.uniform(45_000, 110_000):
        boxes.append(box)
        return
    share = rng.uniform(0.36, 0.64)
    if e - w > n - s:
        x = w + share * (e - w)
        cuts.append(LineString([(x, s), (x, n)]))
        halves = ((w, s, x, n), (x, s, e, n))
    else:
        y = s + share * (n - s)
        cuts.append(LineString([(w, y), (e, y)]))
        halves = ((w, s, e, y), (w, y, e, n))
    for half in halves:
        _split(rng, half, boxes, cuts)


def _turn(shape: BaseGeometry) -> BaseGeometry:
    return affinity.rotate(shape, TURN_DEG, origin=(SIDE_M / 2, SIDE_M / 2))
