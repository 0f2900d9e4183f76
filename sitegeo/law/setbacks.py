"""Setbacks: verdicts by geodesic distance, sectors of fire, and the setbacks drawn for maps.

A verdict is never wrong in the permissive direction where the data allows a choice: a missing
layer is not checked, nor what lies beyond the edge of one; a rule for private land is silent only
on ground that is surely public; a permission lifts a rule only for the building it was written
for; a sector of fire counts as the full disc until a person closes arcs; and an unknown building
counts as everything it might be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import unit_from_bearing
from sitegeo.core import contracts
from sitegeo.core.grid import convergence_deg, require_metric, require_same_crs
from sitegeo.core.typing import AnyArray, BoolArray, FloatArray, IntArray, ObjectArray
from sitegeo.law import features
from sitegeo.law.context import (
    VERDICT_COLUMNS,
    VERDICT_POINTS,
    Terms,
    on_permitted_ground,
    permissions_lifting,
    permitted_building,
)
from sitegeo.law.features import outline_shows_line, plain_word
from sitegeo.law.geodesic import Nearest, buffered, nearest_features, scale_over
from sitegeo.law.ground import ground_ownership
from sitegeo.law.rules import DistanceRule, Law, MeasuredFrom, Target

SETBACK_LAYERS = {"dwelling": "dwellings", "road": "roads"}
"""The layer of the map behind each target of a setback verdict."""

_RULE_TARGETS: dict[str, tuple[Target, ...]] = {
    "dwelling": features.BUILDING_TARGETS,
    "road": ("road",),
}
"""What rules may be about, for each target of a setback verdict."""

WORST_FIRST = ("inside", "close", "not checked", "clear")
"""Every verdict, the worst first."""

SECTOR_MARGIN_DEG = 30.0
"""A sector of fire is taken this much wider on both hands: guns swing; judgement."""

_SLICES = 73
"""Edges of the triangles that make a sector: none is wider than 5°."""

Arc = tuple[float, float]
"""True bearings, clockwise from the first to the second, in degrees."""


def setback_verdicts(
    points: gpd.GeoDataFrame,
    law: Law,
    *,
    dwellings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    public_land: gpd.GeoDataFrame | None = None,
    terms: Terms,
) -> pd.DataFrame:
    """Return one row per point and target (dwelling, road), by the rule that governs there.

    The governing rule is the one with the least margin, distance less limit. `inside` is a
    distance up to the limit, `clear` one beyond it by more than the error, `close` between.
    `not checked` is a target whose layer is missing or ends within the limit; for which the law
    has no firearm rule in force there (for buildings: none that reaches a house); of which
    nothing is mapped, unless the layer is complete; or whose rule counts from a line the map
    does not show. Buildings that no rule reaches, such as a shed, are left out.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    law
        Whose rules for firearms count.
    dwellings, roads, public_land
        Layers by their contracts; None where there is none.
    terms
        What the verdicts rest on beside the law and the map.

    Returns
    -------
    DataFrame
        Columns `VERDICT_COLUMNS`: metres, a true bearing from point to feature, numbers NaN
        where there
        is none. `note` says what else the verdict rests on. Rows keep the order of the points.

    Raises
    ------
    LayerError, CrsError
        If the points or a layer break their contract or differ in CRS.

    Examples
    --------
    A hide 300 m east of a house, under the strictest of the example laws:

    >>> import geopandas as gpd
    >>> from sitegeo.law.examples import example_laws, strictest_law
    >>> at = gpd.points_from_xy([500_300, 500_000], [4_900_000] * 2, crs="EPSG:32617")
    >>> hide = gpd.GeoDataFrame({"id": ["hide"]}, geometry=at[:1])
    >>> house = gpd.GeoDataFrame({"kind": ["house"]}, geometry=at[1:])
    >>> law = strictest_law(example_laws())
    >>> table = setback_verdicts(hide, law, dwellings=house, roads=None, terms=Terms())
    >>> table[["target", "verdict"]].to_numpy().tolist()
    [['dwelling', 'clear'], ['road', 'not checked']]
    """
    contracts.check(points, VERDICT_POINTS)
    error_m = terms.errors.total_m("public_land")
    public = (ground_ownership(points, public_land, error_m=error_m) == "public").to_numpy(bool)
    tables = [
        _target_verdicts(target, points, law, layer, public=public, terms=terms)
        for target, layer in (("dwelling", dwellings), ("road", roads))
    ]
    # Row n of each table is point n: a stable sort puts a point's rows together.
    table = pd.concat(tables).sort_index(kind="stable").reset_index(drop=True)
    return table[list(VERDICT_COLUMNS)]


def _target_verdicts(
    target: str,
    points: gpd.GeoDataFrame,
    law: Law,
    layer: gpd.GeoDataFrame | None,
    *,
    public: BoolArray,
    terms: Terms,
) -> pd.DataFrame:
    rules = law.rules_for(_RULE_TARGETS[target])
    error_m = terms.errors.total_m(SETBACK_LAYERS[target])
    widest = max(rules, key=lambda r: r.limit_m, default=None)
    table = pd.DataFrame(
        {
            "id": points["id"].to_numpy(),
            "target": target,
            "verdict": "not checked",
            "distance_m": np.nan,
            "limit_m": np.nan if widest is None else widest.limit_m,
            "margin_m": np.nan,
            "error_m": error_m,
            "bearing_deg": np.nan,
            "feature": "",
            "rule": "" if widest is None else widest.id,
            "measured_from": "" if widest is None else widest.measured_from,
            "note": "",
        }
    )
    if layer is None or widest is None:
        return table
    _checked_crs(layer, target, points.crs)
    if points.empty:
        return table
    asked = [_apply_rule(rule, law, layer, points, public=public, terms=terms) for rule in rules]
    margin = np.array([a.distance_m - a.rule.limit_m for a in asked])
    worst = margin.argmin(axis=0)
    at = worst, np.arange(len(points))
    distance = np.array([a.distance_m for a in asked])[at]
    found = ~np.isposinf(distance)
    limit = np.array([a.rule.limit_m for a in asked])[worst]
    verdict = np.where(found, classify_distance(distance, limit, error_m), "clear")
    sure = _surely_clear(target, asked, layer_complete=SETBACK_LAYERS[target] in terms.complete)
    ends = _ends_near(points, asked, law, terms=terms, target=target)
    verdict = np.where((verdict == "clear") & (~sure | ends), "not checked", verdict)
    shown = {
        "distance_m": distance,
        "limit_m": limit,
        "margin_m": margin[at],
        "bearing_deg": np.array([a.bearing_deg for a in asked])[at],
        "feature": np.append(_names(layer, target), "")[np.array([a.feature for a in asked])[at]],
        "rule": np.array([a.rule.id for a in asked])[worst],
        "measured_from": np.array([a.rule.measured_from for a in asked])[worst],
    }
    columns = {name: np.where(found, value, table[name]) for name, value in shown.items()}
    numbers = ("distance_m", "limit_m", "margin_m", "bearing_deg")
    columns |= {name: columns[name].astype(float) for name in numbers}
    complete = ~found & (SETBACK_LAYERS[target] in terms.complete)
    notes = _notes(asked, ends=ends, complete=complete, layer=SETBACK_LAYERS[target])
    return table.assign(verdict=verdict, note=notes, **columns)


@dataclass(frozen=True)
class _RuleFinding:
    """What one rule finds: the nearest feature at each point, at infinity where it finds none.

    `speaks` are points where the rule is in force and not silent; `held` whether anything mapped
    is of the kind it is about; `shown` whether the map shows the line that it counts from.
    """

    rule: DistanceRule
    distance_m: FloatArray
    bearing_deg: FloatArray
    feature: IntArray
    speaks: BoolArray
    held: bool
    shown: bool
    notes: tuple[tuple[BoolArray, str], ...]


def _apply_rule(
    rule: DistanceRule,
    law: Law,
    layer: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    *,
    public: BoolArray,
    terms: Terms,
) -> _RuleFinding:
    everywhere = np.ones(len(points), dtype=bool)
    speaks, notes = everywhere.copy(), []
    if not rule.in_force(terms.on):
        speaks[:] = False
        notes.append((everywhere, f"{rule.id} is not in force on {terms.on}"))
    if rule.private_land_only:
        speaks &= ~public
        notes.append((public, f"{rule.id} is for private land: silent on public ground"))
    which = features.features_under_rule(layer, rule)
    held = bool(which.any())
    asking = speaks.copy()
    for given in permissions_lifting(rule, terms):
        words = f"{rule.id}: permission of {given.name}, {given.given}"
        building = permitted_building(given, layer)
        if given.by == "landowner":
            stands = on_permitted_ground(given, points, error_m=terms.errors.total_m("public_land"))
            asking &= ~stands
            notes.append((stands, f"{words}, for this ground"))
        elif building is None:
            notes.append((everywhere, f"{words}, is for no building on the map"))
        else:
            which[building] = False
            notes.append((everywhere, f"{words}, for {_names(layer, 'dwelling')[building]}"))
    n = len(points)
    distance, bearing = np.full(n, np.inf), np.full(n, np.nan)
    feature = np.full(n, -1, dtype=np.int64)
    if which.any() and asking.any():
        shapes = layer.geometry.to_numpy()[which]
        offset = features.offset_m(layer, rule, law)[which]
        at = points.geometry.to_numpy()[asking]
        crs = CRS(layer.crs)
        if rule.geometry == "sector" and terms.no_fire:
            error_m = terms.errors.total_m(SETBACK_LAYERS["road" if rule.of_roads else "dwelling"])
            arcs = open_arcs(terms.no_fire)
            near = nearest_in_sector(at, shapes, offset, arcs=arcs, error_m=error_m, crs=crs)
            notes.append((everywhere, f"{rule.id} counts where the arcs you left open point"))
        else:
            near = nearest_features(at, shapes, offset, crs=crs)
        distance[asking], bearing[asking] = near.distance_m, near.bearing_deg
        feature[asking] = np.flatnonzero(which)[near.feature]
    shown = features.outline_shows_line(terms.outline, rule)
    if not shown:
        words = f"{rule.id} counts from the {rule.measured_from}; the map shows the {terms.outline}"
        notes.append((speaks, words))
    return _RuleFinding(rule, distance, bearing, feature, speaks, held, shown, tuple(notes))


def _surely_clear(target: str, asked: list[_RuleFinding], *, layer_complete: bool) -> BoolArray:
    """Return where the rules that speak are enough for a clear verdict."""
    speaks = np.array([a.speaks for a in asked])
    houses = np.array([target == "road" or features.covers_houses(a.rule) for a in asked])
    held = np.array([a.held for a in asked])
    shown = np.array([a.shown for a in asked])
    ruled = (speaks & houses[:, None]).any(axis=0)
    something = (speaks & held[:, None]).any(axis=0) | layer_complete
    unseen = (speaks & ~shown[:, None]).any(axis=0)
    return np.asarray(ruled & ~unseen & something)


def _ends_near(
    points: gpd.GeoDataFrame, asked: list[_RuleFinding], law: Law, *, terms: Terms, target: str
) -> BoolArray:
    """Return where the mapped area ends before every rule that speaks is surely kept."""
    area = terms.covered.get(SETBACK_LAYERS[target])
    if area is None:
        return np.zeros(len(points), dtype=bool)
    at = points.geometry.to_numpy()
    if area.is_empty:
        return np.ones(len(points), dtype=bool)
    scale = scale_over(CRS(points.crs), at)
    inside = shapely.covers(area, at)
    reach_m = np.where(inside, shapely.distance(area.boundary, at), 0.0) / scale.most
    asks = [a.rule.limit_m + features.largest_offset_m(a.rule, law) for a in asked]
    needed = np.where([a.speaks for a in asked], np.array(asks)[:, None], 0.0).max(axis=0)
    # What has no edge to measure to has no reach either.
    return np.asarray(~(reach_m >= needed + terms.errors.total_m(SETBACK_LAYERS[target])))


def _notes(
    asked: list[_RuleFinding], *, ends: BoolArray, complete: BoolArray, layer: str
) -> ObjectArray:
    """Return what each point's verdict rests on beside the distance."""
    said = [note for a in asked for note in a.notes]
    silent: BoolArray = np.all([~a.speaks for a in asked], axis=0)
    said.append((silent, f"no rule for {layer} is left here"))
    said.append((complete, f"the {layer} are declared complete"))
    said.append((ends, f"the map of {layer} ends before the limit does"))
    told = ["; ".join(words for where, words in said if where[n]) for n in range(len(ends))]
    return np.array(told, dtype=object)


def classify_distance(distance_m: ArrayLike, limit_m: ArrayLike, error_m: float) -> AnyArray:
    """Return the verdict on each distance; one that is no number is `close`.

    Parameters
    ----------
    distance_m, limit_m
        Metres, of shapes that go together.
    error_m
        How far off the distances may be.

    Returns
    -------
    AnyArray
        `inside` for a distance up to the limit, `clear` for one beyond it by more than the error,
        `close` between.

    Examples
    --------
    >>> classify_distance([100.0, 150.0, 200.0], 137.16, 22.0).tolist()
    ['inside', 'close', 'clear']
    """
    distance, limit = np.asarray(distance_m, float), np.asarray(limit_m, float)
    return np.select([distance <= limit, distance - error_m > limit], ["inside", "clear"], "close")


def overall_verdict(table: pd.DataFrame, law: Law) -> str:
    """Return the worst verdict of a table: `clear` only if a person chose the law and all is.

    The order is inside, close, not checked, clear. Nothing to check is `not checked`.
    """
    held = set(table["verdict"])
    worst = next((v for v in WORST_FIRST if v in held), "not checked")
    return "not checked" if worst == "clear" and not law.chosen else worst


def open_arcs(no_fire: Iterable[Arc]) -> tuple[Arc, ...]:
    """Return the arcs between closed ones, each widened on both hands, no wider than a circle.

    Arcs run clockwise from the first bearing to the second, in degrees; an open one may end
    beyond 360. One that begins and ends at the same bearing is empty, except 0 to 360.
    """
    closed = sorted((a % 360, a % 360 + _width(a, b)) for a, b in no_fire if _width(a, b))
    if not closed:
        return ((0.0, 360.0),)
    gaps = []
    reached = max(stop for _, stop in closed) - 360.0
    for start, stop in closed:
        if start > reached:
            gaps.append((reached, start))
        reached = max(reached, stop)
    wider = [(a - SECTOR_MARGIN_DEG, b + SECTOR_MARGIN_DEG) for a, b in gaps]
    return tuple((a % 360, a % 360 + min(b - a, 360.0)) for a, b in wider)


def _width(start: float, stop: float) -> float:
    return 360.0 if (start, stop) == (0.0, 360.0) else (stop - start) % 360


def nearest_in_sector(
    points: AnyArray,
    features: AnyArray,
    offset_m: FloatArray,
    *,
    arcs: Sequence[Arc],
    error_m: float,
    crs: CRS,
) -> Nearest:
    """Return the nearest features, as `nearest_features`, of what lies in arcs from each point.

    Parameters
    ----------
    points, features
        Arrays of shapes in `crs`.
    offset_m
        How much nearer each feature must be taken, shape (features,).
    arcs
        True bearings; the sectors they open are drawn out by the error.
    error_m
        How far off points and features may be.
    crs
        Projected and metric.

    Returns
    -------
    Nearest
        A point with nothing in its sectors gets an infinite distance and the first feature.
    """
    full_size = buffered(features, offset_m, scale_over(crs, features))
    whole = np.where(offset_m > 0, full_size, features)
    tree = shapely.STRtree(whole)
    distance = np.full(len(points), np.inf)
    bearing = np.full(len(points), np.nan)
    feature = np.zeros(len(points), dtype=np.int64)
    for n, point in enumerate(points):
        if not arcs:
            break
        fan = _fan(point, whole, arcs, error_m=error_m, crs=crs)
        which = np.sort(tree.query(fan, predicate="intersects"))
        if which.size:
            parts = shapely.intersection(whole[which], fan)
            # What only touches may round to nothing.
            parts = np.where(shapely.is_empty(parts), whole[which], parts)
            found = nearest_features(points[n : n + 1], parts, np.zeros(which.size), crs=crs)
            distance[n], bearing[n] = found.distance_m[0], found.bearing_deg[0]
            feature[n] = which[found.feature[0]]
    return Nearest(feature, distance, bearing)


def _fan(
    point: shapely.Point, features: AnyArray, arcs: Sequence[Arc], *, error_m: float, crs: CRS
) -> BaseGeometry:
    """Return the ground in the arcs about a point, out past every feature, grown by the error."""
    far = shapely.hausdorff_distance(point, shapely.box(*shapely.total_bounds(features)))
    reach = 1.5 * far + 1.0  # well past what a chord cuts off
    turn = convergence_deg(crs, point.x, point.y)
    slices = []
    for start, stop in arcs:
        bearings = np.linspace(start, stop, _SLICES) - turn
        rim = np.column_stack(unit_from_bearing(bearings)) * reach + (point.x, point.y)
        guns = np.broadcast_to([point.x, point.y], rim[1:].shape)
        slices.append(np.asarray(shapely.polygons(np.stack([guns, rim[:-1], rim[1:]], axis=1))))
    scale = scale_over(crs, np.array([point]))
    fan: BaseGeometry = buffered(shapely.union_all(np.concatenate(slices)), error_m, scale)
    return fan


def setback_polygons(
    law: Law,
    *,
    dwellings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    crs: CRS,
    outline: MeasuredFrom = "wall",
) -> gpd.GeoDataFrame:
    """Return the ground within each rule's limit, by the `setbacks` contract, never too small.

    One row per rule that reaches anything. A rule that counts from a line the `outline` of the
    dwellings does not hold is drawn from the outline, and its `note` says so. The radius allows
    for chords and the grid's scale; it holds no position error. For maps: verdicts are decided
    by `setback_verdicts`.

    Parameters
    ----------
    law
        Whose rules for firearms are drawn.
    dwellings, roads
        Layers by their contracts; None where there is none.
    crs
        The projected metric CRS of the layers.
    outline
        What the outlines of the dwellings follow.

    Returns
    -------
    GeoDataFrame
        Polygons with `distance_m` in metres.

    Raises
    ------
    LayerError, CrsError
        If a layer breaks its contract or is in another CRS.
    """
    rows: list[dict[str, Any]] = []
    for target, layer in (("dwelling", dwellings), ("road", roads)):
        if layer is None:
            continue
        _checked_crs(layer, target, crs)
        for rule, which, offset in rules_with_features(law, layer, target):
            shapes = layer.geometry.to_numpy()[which]
            radius = rule.limit_m + offset
            words = f"drawn too small, from the {outline}: counts from the {rule.measured_from}"
            row = {
                "id": f"S{len(rows) + 1:03d}",
                "target": target,
                "distance_m": rule.limit_m,
                "rule": rule.id,
                "verify": rule.verify,
                "note": "" if outline_shows_line(outline, rule) else words,
                "geometry": shapely.union_all(buffered(shapes, radius, scale_over(crs, shapes))),
            }
            rows.append(row)
    columns = ["id", "target", "distance_m", "rule", "verify", "note", "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry="geometry", crs=crs)


def setbacks_drawn_too_small(setbacks: gpd.GeoDataFrame) -> list[str]:
    """Return a sentence for each drawn setback that is too small."""
    short = setbacks[setbacks["note"] != ""]
    return [f"setbacks under {r.rule} are {r.note}" for r in short.itertuples()]


def rules_with_features(
    law: Law, layer: gpd.GeoDataFrame, target: str
) -> Iterator[tuple[DistanceRule, BoolArray, FloatArray]]:
    """Yield each rule that reaches anything, with what it reaches.

    Of rules that reach the same features from the same line only the largest limit is given.

    Parameters
    ----------
    law
        Whose rules for firearms count.
    layer
        Dwellings or roads, by their contract.
    target
        A key of `SETBACK_LAYERS`.

    Yields
    ------
    rule : DistanceRule
    which : BoolArray
        The features it reaches, shape (features,).
    offset_m : FloatArray
        How much nearer each of those must be taken.
    """
    largest: dict[tuple[bytes, bytes, str], tuple[DistanceRule, BoolArray, FloatArray]] = {}
    for rule in sorted(law.rules_for(_RULE_TARGETS[target]), key=lambda r: -r.limit_m):
        which, offset = (
            features.features_under_rule(layer, rule),
            features.offset_m(layer, rule, law),
        )
        if which.any():
            alike = which.tobytes(), offset.tobytes(), rule.measured_from
            largest.setdefault(alike, (rule, which, offset[which]))
    yield from largest.values()


def _checked_crs(layer: gpd.GeoDataFrame, target: str, crs: CRS | None) -> CRS:
    """Return the CRS of a target's layer; raises if the layer breaks its contract."""
    contracts.check(layer, contracts.contract(SETBACK_LAYERS[target]))
    require_same_crs(crs, layer.crs, where=SETBACK_LAYERS[target])
    return require_metric(layer.crs)


def _names(layer: gpd.GeoDataFrame, target: str) -> AnyArray:
    """Return what to call each feature: its name, kind or class, and its index."""
    kind = "kind" if target == "dwelling" else "class"
    tried = [layer[c] for c in ("name", kind) if c in layer.columns]
    names = pd.Series(target, index=layer.index, dtype=object)
    for column in reversed(tried):
        told = column.map(plain_word).map(lambda word: word not in features.UNSPECIFIED)
        names = names.where(~told, column)
    return np.array([f"{name} #{index}" for index, name in names.items()], dtype=object)
