"""Whose ground a point is on, whether it is open to hunting or closed, and what is left to hunt.

Nothing is called public, open or unclosed within the position error of an edge, nor where no
layer says so.
"""

from __future__ import annotations

import math
import re
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from sitegeo.core import contracts
from sitegeo.core.grid import require_metric, require_same_crs
from sitegeo.core.typing import AnyArray, BoolArray
from sitegeo.errors import UsageError
from sitegeo.law.context import VERDICT_COLUMNS, VERDICT_POINTS, Terms
from sitegeo.law.geodesic import buffered, scale_over

GROUND_TARGETS = ("public ground", "hunting", "closed areas")
"""What verdicts on the ground are about, in their order."""

_HUNTING = {
    "open": ("clear", "open to hunting on the map"),
    "closed": ("inside", "closed to hunting on the map"),
    "restricted": ("not checked", "restricted on the map: look up on what terms"),
    "unknown": ("not checked", "the map does not say that this ground is open"),
}


def ground_verdicts(
    points: gpd.GeoDataFrame,
    *,
    public_land: gpd.GeoDataFrame | None,
    closed_areas: gpd.GeoDataFrame | None,
    terms: Terms,
) -> pd.DataFrame:
    """Return three rows per point, one for each of `GROUND_TARGETS`.

    Public ground is `clear` inside mapped public land by more than the error, `close` within it
    of an edge, `inside` (someone else's ground) outside a layer declared complete, and otherwise
    not checked. Hunting is `clear` only where it is open, closed areas only off every mapped one.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    public_land, closed_areas
        Layers by their contracts; None where there is none.
    terms
        What the verdicts rest on beside the map.

    Returns
    -------
    DataFrame
        Columns `VERDICT_COLUMNS`; distances are NaN. Rows keep the order of the points.

    Raises
    ------
    LayerError, CrsError
        If the points or a layer break their contract or differ in CRS.
    """
    contracts.check(points, VERDICT_POINTS)
    error_m = terms.errors.total_m("public_land")
    known = _said_of(points, "public_land", error_m, terms)
    complete = known & ("public_land" in terms.complete)
    ground = ground_ownership(points, public_land, error_m=error_m, complete=complete)
    near = _near(points, public_land, error_m)
    hunting = hunting_status(points, public_land, error_m=error_m)
    closed_m = terms.errors.total_m("closed_areas")
    closed = closure_reasons(points, closed_areas, error_m=closed_m, on=terms.on)
    told = closed_areas is not None and _said_of(points, "closed_areas", closed_m, terms)
    rows = {
        "public ground": [
            _ground(g, bool(n), error_m, missing=public_land is None)
            for g, n in zip(ground, near, strict=True)
        ],
        "hunting": [_HUNTING[h] for h in hunting],
        "closed areas": [
            _closed(reason, bool(said))
            for reason, said in zip(closed, np.broadcast_to(told, len(points)), strict=True)
        ],
    }
    tables = [
        pd.DataFrame(
            {
                **dict.fromkeys(("distance_m", "limit_m", "margin_m", "bearing_deg"), np.nan),
                **dict.fromkeys(("feature", "rule", "measured_from"), ""),
                "id": points["id"].to_numpy(),
                "target": target,
                "verdict": np.array([verdict for verdict, _ in found], dtype=object),
                "note": np.array([note for _, note in found], dtype=object),
                "error_m": closed_m if target == "closed areas" else error_m,
            }
        )
        for target, found in rows.items()
    ]
    table = pd.concat(tables).sort_index(kind="stable").reset_index(drop=True)
    return table[list(VERDICT_COLUMNS)]


def ground_ownership(
    points: gpd.GeoDataFrame,
    public_land: gpd.GeoDataFrame | None,
    *,
    error_m: float,
    complete: bool | BoolArray = False,
) -> pd.Series[str]:
    """Return whether each point is on public ground.

    Public is inside mapped public land by more than the error. Private is outside it by more
    than the error, and said only where the layer is declared complete, for all points or some.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    public_land
        The layer by its contract; None where there is none.
    error_m
        How far off points and edges may be.
    complete
        Whether all public land is mapped, everywhere or at each point.

    Returns
    -------
    Series of str
        `public`, `private` or `unknown`, on the points' index.

    Raises
    ------
    LayerError, CrsError
        If the points or the layer break their contract or differ in CRS.

    Examples
    --------
    >>> import geopandas as gpd, shapely
    >>> shapes = gpd.GeoSeries([shapely.box(5e5, 49e5, 501e3, 4901e3)], crs="EPSG:32617")
    >>> park = gpd.GeoDataFrame(
    ...     {"name": ["Marsh"], "manager": ["State"], "hunting": ["open"]}, geometry=shapes
    ... )
    >>> at = gpd.points_from_xy([500_500, 500_995, 502_000], [4_900_500] * 3, crs="EPSG:32617")
    >>> points = gpd.GeoDataFrame({"id": ["a", "b", "c"]}, geometry=at)
    >>> ground_ownership(points, park, error_m=20.0).to_list()
    ['public', 'unknown', 'unknown']
    """
    contracts.check(points, VERDICT_POINTS)
    if public_land is None or points.empty:
        return _series("unknown", points)
    within = _reach(points, public_land, "public_land", error_m)
    inside, near = _inside_and_near(points, public_land.union_all(), within)
    outside = np.where(complete, "private", "unknown")
    return _series(np.select([near, inside], ["unknown", "public"], outside), points)


def hunting_status(
    points: gpd.GeoDataFrame, public_land: gpd.GeoDataFrame | None, *, error_m: float
) -> pd.Series[str]:
    """Return whether the ground of each point is open to hunting.

    The first of `closed`, `restricted`, `unknown` whose parcels come within the error; `open` only
    inside open parcels by more than the error. Ground off every parcel is `unknown`.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    public_land
        The layer by its contract; None where there is none.
    error_m
        How far off points and edges may be.

    Returns
    -------
    Series of str
        `closed`, `restricted`, `unknown` or `open`, on the points' index.

    Raises
    ------
    LayerError, CrsError
        If the points or the layer break their contract or differ in CRS.
    """
    contracts.check(points, VERDICT_POINTS)
    if public_land is None or points.empty:
        return _series("unknown", points)
    within = _reach(points, public_land, "public_land", error_m)
    cases: list[BoolArray] = []
    names = ["closed", "restricted", "unknown", "open"]
    for name in names[:-1]:
        parcels = public_land[public_land["hunting"] == name].union_all()
        cases.append(_within(parcels, points, within))
    inside, near = _inside_and_near(points, _open(public_land).union_all(), within)
    return _series(np.select([*cases, inside & ~near], names, "unknown"), points)


def closure_reasons(
    points: gpd.GeoDataFrame,
    closed_areas: gpd.GeoDataFrame | None,
    *,
    error_m: float,
    on: date | None = None,
    dated: bool = True,
) -> pd.Series[Any]:
    """Return why each point is closed, or None.

    A point within the error of a closed area counts as in it. None is no leave to hunt: without
    a layer nothing was checked, and whoever shows the answer says so.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    closed_areas
        The layer by its contract; None where there is none.
    error_m
        How far off points and edges may be.
    on
        The day hunted; an area whose dates can be read is closed only between them. Without a
        day, or with dates that cannot be read, it is closed.
    dated
        Whether areas with dates count at all.

    Returns
    -------
    Series of str or None
        Reasons with their dates, on the points' index.

    Raises
    ------
    LayerError, CrsError
        If the points or the layer break their contract or differ in CRS.
    """
    contracts.check(points, VERDICT_POINTS)
    reasons: list[str | None] = [None] * len(points)
    if closed_areas is not None and not points.empty:
        within = _reach(points, closed_areas, "closed_areas", error_m)
        told = closed_areas[["reason", "from", "to"]].to_numpy()
        shut = [is_closed_on(a, b, on) and (dated or not _dated(a, b)) for _, a, b in told]
        words = [_reason(*row) for row in told]
        tree = shapely.STRtree(closed_areas.geometry.to_numpy())
        pairs = tree.query(points.geometry.to_numpy(), predicate="dwithin", distance=within)
        for point in np.unique(pairs[0]):
            hits = {words[area] for area in pairs[1][pairs[0] == point] if shut[area]}
            reasons[point] = "; ".join(sorted(hits)) or None
    return pd.Series(reasons, index=points.index, dtype=object)


def is_closed_on(since: Any, until: Any, on: date | None) -> bool:
    """Return whether an area is closed on a day by its dates; closed wherever that cannot be told.

    Parameters
    ----------
    since, until
        First and last day: ``2026-10-01``, or ``10-01`` for every year, a span that may run over
        New Year. What is no text is no date.
    on
        The day; without one the area is closed.

    Returns
    -------
    bool

    Examples
    --------
    >>> from datetime import date
    >>> is_closed_on("11-15", "02-28", date(2026, 12, 5))
    True
    >>> is_closed_on("11-15", "02-28", date(2026, 10, 5))
    False
    >>> is_closed_on("the rut", None, date(2026, 10, 5))
    True
    """
    if on is None or not _dated(since, until):
        return True
    first, last = _day(since, "0000-01-01"), _day(until, "9999-12-31")
    if first is None or last is None or len(first) != len(last):
        return True
    today = on.isoformat()[-len(first) :]
    if first <= last:
        return first <= today <= last
    every_year = len(first) == len("10-01")
    return not every_year or today >= first or today <= last


def _dated(since: Any, until: Any) -> bool:
    return isinstance(since, str) or isinstance(until, str)


def _day(text: Any, open_end: str) -> str | None:
    """Return a date as text that sorts, ``YYYY-MM-DD`` or ``MM-DD``; None if it is neither."""
    if not isinstance(text, str):
        return open_end
    match = re.fullmatch(r"(\d{4}-)?(\d{2}-\d{2})([T ].*)?", text.strip())
    if match is None:
        return None
    day = (match[1] or "") + match[2]
    try:
        date.fromisoformat(day if match[1] else f"2000-{day}")
    except ValueError:
        return None
    return day


def huntable_ground(
    public_land: gpd.GeoDataFrame | None,
    setbacks: gpd.GeoDataFrame | None,
    closed_areas: gpd.GeoDataFrame | None,
    *,
    error_m: float,
    crs: CRS | None = None,
) -> gpd.GeoDataFrame:
    """Return the ground open to hunt by the `huntable` contract: `id`, `area_m2`, `unknowns`.

    Public land whose `hunting` is open, less every other parcel, the setbacks and the closed
    areas, all drawn in by the error. Pieces are numbered north to south, then west to east;
    `unknowns` names what was not checked. Without public land there is no row.

    Parameters
    ----------
    public_land, setbacks, closed_areas
        Layers by their contracts; None where there is none.
    error_m
        How far off edges may be.
    crs
        The projected metric CRS wanted; None takes that of the layers.

    Returns
    -------
    GeoDataFrame
        Polygons with areas in square metres.

    Raises
    ------
    CrsError
        If no layer and no `crs` says which CRS, or they differ.
    """
    given = {"public_land": public_land, "setbacks": setbacks, "closed_areas": closed_areas}
    held = {name: layer for name, layer in given.items() if layer is not None}
    _require_length(error_m)
    crs = require_metric(crs or next((layer.crs for layer in held.values()), None))
    for name, layer in held.items():
        contracts.check(layer, contracts.contract(name))
        require_same_crs(crs, layer.crs, where=name)
    pieces: AnyArray = np.array([], dtype=object)
    if public_land is not None and len(_open(public_land)):
        scale = scale_over(crs, *(layer.geometry.to_numpy() for layer in held.values()))
        barred = [public_land[public_land["hunting"] != "open"].geometry]
        barred += [layer.geometry for layer in (setbacks, closed_areas) if layer is not None]
        land = buffered(_open(public_land).union_all(), -error_m, scale)
        off = buffered(np.concatenate([b.to_numpy() for b in barred]), error_m, scale)
        pieces = shapely.get_parts(shapely.difference(land, shapely.union_all(off)))
        pieces = pieces[shapely.area(pieces) > 0]
    west, _, _, north = shapely.bounds(pieces).reshape(-1, 4).T
    pieces = pieces[np.lexsort((west, -north))]
    digits = max(3, len(str(len(pieces))))
    return gpd.GeoDataFrame(
        {
            "id": pd.Series([f"U{n:0{digits}d}" for n in range(1, len(pieces) + 1)], dtype=object),
            "area_m2": shapely.area(pieces),
            "unknowns": pd.Series([_unknowns(**given)] * len(pieces), dtype=object),
        },
        geometry=pieces,
        crs=crs,
    )


def _unknowns(
    public_land: gpd.GeoDataFrame | None,
    setbacks: gpd.GeoDataFrame | None,
    closed_areas: gpd.GeoDataFrame | None,
) -> str:
    checked = set() if setbacks is None else set(setbacks["target"])
    short = set() if setbacks is None else set(setbacks.loc[setbacks["note"] != "", "target"])
    unknown = [f"setbacks from {t}s" for t in ("dwelling", "road") if t not in checked]
    unknown += [f"setbacks from {t}s in full (drawn too small)" for t in sorted(short)]
    if closed_areas is None:
        unknown.append("closed areas")
    if public_land is not None and (public_land["hunting"] == "unknown").any():
        unknown.append("parcels whose hunting is unknown (left out)")
    return "not checked: " + ", ".join(unknown) if unknown else ""


def _open(public_land: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return public_land[public_land["hunting"] == "open"]


def _reach(points: gpd.GeoDataFrame, layer: gpd.GeoDataFrame, name: str, error_m: float) -> float:
    """Return the error as a distance on the grid, never too short; checks the layer."""
    contracts.check(layer, contracts.contract(name))
    require_same_crs(points.crs, layer.crs, where=name)
    _require_length(error_m)
    crs = require_metric(layer.crs)
    scale = scale_over(crs, points.geometry.to_numpy(), layer.geometry.to_numpy())
    return float(error_m * scale.most)


def _require_length(error_m: float) -> None:
    if not (math.isfinite(error_m) and error_m >= 0):
        raise UsageError("a position error must be a length in metres, 0 or more", value=error_m)


def _inside_and_near(
    points: gpd.GeoDataFrame, shape: BaseGeometry, within: float
) -> tuple[BoolArray, BoolArray]:
    """Return which points are in a shape, and which no farther than `within` from its edge."""
    shapely.prepare(shape)
    inside: BoolArray = shapely.contains(shape, points.geometry.to_numpy())
    return inside, _within(shape.boundary, points, within)


def _within(shape: BaseGeometry | None, points: gpd.GeoDataFrame, within: float) -> BoolArray:
    shapely.prepare(shape)
    near: BoolArray = shapely.dwithin(shape, points.geometry.to_numpy(), within)
    return near


def _series(values: Any, points: gpd.GeoDataFrame) -> pd.Series[str]:
    return pd.Series(values, index=points.index, dtype=object)


def _reason(reason: Any, since: Any, until: Any) -> str:
    words = (reason.strip() if isinstance(reason, str) else "") or "closed area"
    told = (("from", since), ("to", until))
    dates = [f"{word} {value}" for word, value in told if isinstance(value, str)]
    return f"{words} ({' '.join(dates)})" if dates else words


def _said_of(points: gpd.GeoDataFrame, layer: str, error_m: float, terms: Terms) -> BoolArray:
    """Return which points lie in the area of a layer by more than the error."""
    area = terms.covered.get(layer)
    at = points.geometry.to_numpy()
    if area is None or points.empty:
        return np.ones(len(points), dtype=bool)
    within = error_m * scale_over(CRS(points.crs), at).most
    inside = shapely.covers(area, at)
    return np.asarray(inside & (shapely.distance(area.boundary, at) > within))


def _near(points: gpd.GeoDataFrame, land: gpd.GeoDataFrame | None, error_m: float) -> BoolArray:
    """Return which points lie in public land or within the error of it."""
    at = points.geometry.to_numpy()
    if land is None or not at.size:
        return np.zeros(len(points), dtype=bool)
    within = error_m * scale_over(CRS(points.crs), at).most
    return np.asarray(shapely.dwithin(land.union_all(), at, within))


def _ground(ground: str, near: bool, error_m: float, *, missing: bool) -> tuple[str, str]:
    if missing:
        return "not checked", "no layer of public land; ask whose ground it is"
    if ground == "public":
        return "clear", "public land on the map"
    if ground == "private":
        return "inside", "outside the public land of the map"
    if near:
        return "close", f"within {error_m:.0f} m of the edge of the public land of the map"
    return "not checked", "not public land on the map; ask whose ground it is"


def _closed(reason: str | None, said: bool) -> tuple[str, str]:
    if reason is not None:
        return "inside", reason
    if said:
        return "clear", "in none of the mapped closed areas"
    return "not checked", "no map of closed areas here; look them up"
