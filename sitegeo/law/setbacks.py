"""Setback verdicts by geodesic distance, and setbacks drawn on the map.

A verdict is never wrong in the permissive direction where the data allows a choice: a missing
layer is not checked, a rule's dates, ground and permission are taken not to help, a sector of
fire counts as the full disc, and an unknown building counts as everything it might be.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from sitegeo import layers
from sitegeo.errors import UsageError
from sitegeo.grid import require_metric, require_same_crs
from sitegeo.law import mapped
from sitegeo.law.nearest import Floats, grown, nearest, scale_over
from sitegeo.law.rules import DistanceRule, Law, Target
from sitegeo.units import LENGTHS_M, LengthUnit

COLUMNS = (
    "id", "target", "verdict", "distance_m", "limit_m", "margin_m", "error_m",
    "bearing_deg", "feature", "rule", "measured_from",
)  # fmt: skip

POINTS = layers.Contract("points", layers.POINT, {"id": layers.Column("text")}, has_id=False)

_LAYER = {"dwelling": "dwellings", "road": "roads"}
_TARGETS: dict[str, tuple[Target, ...]] = {
    "dwelling": mapped.BUILDING_TARGETS,
    "road": ("road",),
}
_WORST = ("inside", "close", "not checked", "clear")


@dataclass(frozen=True)
class PositionErrors:
    """How far off things may be, in metres; a verdict takes the plain sum.

    Layer errors are those of features traced from aerial photos, the phone's that of one under
    trees, the hide's how far people shift it on the day, the datum's NAD 83 against WGS 84
    (1–2 m in North America). All judgement, from memory; a place file overrides the layers'.
    """

    dwellings_m: float = 5.0
    roads_m: float = 5.0
    public_land_m: float = 10.0
    closed_areas_m: float = 10.0
    phone_m: float = 10.0
    hide_m: float = 5.0
    datum_m: float = 2.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(
                    f"position error '{field.name}' must be a length in metres, 0 or more",
                    value=value,
                )

    @classmethod
    def from_layers(cls, position_error_m: Mapping[str, float]) -> Self:
        """Return the defaults with a place's own figures, by layer name, put in."""
        known = {f.name for f in fields(cls)}
        given = {f"{name}_m": value for name, value in position_error_m.items()}
        return cls(**{name: value for name, value in given.items() if name in known})

    def total_m(self, layer: str) -> float:
        """Return the plain sum that goes with a layer."""
        own: float = getattr(self, f"{layer}_m")
        return own + self.phone_m + self.hide_m + self.datum_m


def verdict_of(distance_m: ArrayLike, limit_m: ArrayLike, error_m: float) -> NDArray[Any]:
    """Return `inside`, `clear` or `close` for distances; one that is no number is `close`."""
    distance, limit = np.asarray(distance_m, float), np.asarray(limit_m, float)
    return np.select([distance <= limit, distance - error_m > limit], ["inside", "clear"], "close")


def verdicts(
    points: gpd.GeoDataFrame,
    law: Law,
    *,
    dwellings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    errors: PositionErrors,
    complete: Collection[str] = (),
) -> pd.DataFrame:
    """Return one row per point and target (dwelling, road), by the rule that governs there.

    The governing rule is the one with the least margin, distance less limit. `inside` is a
    distance up to the limit, `clear` one beyond it by more than the error, `close` between.
    `not checked` is a target whose layer is missing, for which the law has no firearm rule (for
    buildings: none that reaches a house), or of which nothing is mapped, unless `complete`
    names the layer. Buildings that no rule reaches, such as a shed, are left out.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    dwellings, roads
        Layers by their contracts; None where there is none.
    complete
        Names of layers in which everything there is has been mapped.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`: metres, a true bearing from point to feature, numbers NaN where there
        is none. Rows keep the order of the points.

    Raises
    ------
    LayerError, CrsError
        If the points or a layer break their contract or differ in CRS.
    """
    layers.check(points, POINTS)
    tables = [
        _verdicts(
            target,
            points,
            law,
            layer,
            error_m=errors.total_m(_LAYER[target]),
            complete=_LAYER[target] in complete,
        )
        for target, layer in (("dwelling", dwellings), ("road", roads))
    ]
    # Row n of each table is point n: a stable sort puts a point's rows together.
    table = pd.concat(tables).sort_index(kind="stable").reset_index(drop=True)
    return table[list(COLUMNS)]


def _verdicts(
    target: str,
    points: gpd.GeoDataFrame,
    law: Law,
    layer: gpd.GeoDataFrame | None,
    *,
    error_m: float,
    complete: bool,
) -> pd.DataFrame:
    rules = law.rules_for(_TARGETS[target])
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
        }
    )
    if layer is None or widest is None:
        return table
    crs = _checked_crs(layer, target, points.crs)
    ruled = target == "road" or mapped.covers_houses(rules)
    asked = list(_asked(rules, layer))
    if not asked or points.empty:
        return table.assign(verdict="clear") if complete and ruled else table
    shapes = layer.geometry.to_numpy()
    found = [
        nearest(points.geometry.to_numpy(), shapes[which], offset, crs=crs)
        for _, which, offset in asked
    ]
    limits = np.array([rule.limit_m for rule, _, _ in asked])
    distance = np.array([n.distance_m for n in found])
    worst = (distance - limits[:, None]).argmin(axis=0)
    at = worst, np.arange(len(points))
    rows = [np.flatnonzero(which)[n.feature] for n, (_, which, _) in zip(found, asked, strict=True)]
    verdict = verdict_of(distance[at], limits[worst], error_m)
    return table.assign(
        verdict=verdict if ruled else np.where(verdict == "clear", "not checked", verdict),
        distance_m=distance[at],
        limit_m=limits[worst],
        margin_m=distance[at] - limits[worst],
        bearing_deg=np.array([n.bearing_deg for n in found])[at],
        feature=_names(layer, target)[np.array(rows)[at]],
        rule=np.array([rule.id for rule, _, _ in asked])[worst],
        measured_from=np.array([rule.measured_from for rule, _, _ in asked])[worst],
    )


def _checked_crs(layer: gpd.GeoDataFrame, target: str, crs: CRS | None) -> CRS:
    layers.check(layer, layers.contract(_LAYER[target]))
    require_same_crs(crs, layer.crs, where=_LAYER[target])
    return require_metric(layer.crs)


def _asked(
    rules: Collection[DistanceRule], layer: gpd.GeoDataFrame
) -> Iterator[tuple[DistanceRule, mapped.Bools, Floats]]:
    """Yield each rule that reaches anything, with what it reaches and the offsets there.

    Of rules that reach the same features in the same way only the largest limit is asked.
    """
    largest: dict[tuple[bytes, bytes], tuple[DistanceRule, mapped.Bools, Floats]] = {}
    for rule in sorted(rules, key=lambda r: -r.limit_m):
        which, offset = mapped.reached(layer, rule), mapped.offset_m(layer, rule)
        if which.any():
            largest.setdefault((which.tobytes(), offset.tobytes()), (rule, which, offset[which]))
    yield from largest.values()


def _names(layer: gpd.GeoDataFrame, target: str) -> NDArray[Any]:
    """Return what to call each feature: its name, kind or class, and its index."""
    kind = "kind" if target == "dwelling" else "class"
    tried = [layer[c] for c in ("name", kind) if c in layer.columns]
    names = pd.Series(target, index=layer.index, dtype=object)
    for column in reversed(tried):
        told = column.map(mapped.plain).map(lambda word: word not in mapped.UNTOLD)
        names = names.where(~told, column)
    return np.array([f"{name} #{index}" for index, name in names.items()], dtype=object)


def setback_polygons(
    law: Law,
    *,
    dwellings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    crs: CRS,
) -> gpd.GeoDataFrame:
    """Return the ground within each rule's limit, by the `setbacks` contract, never too small.

    One row per rule that reaches anything. The radius allows for chords and the grid's scale;
    it holds no position error. For maps: verdicts are decided by `verdicts`.
    """
    rows: list[dict[str, Any]] = []
    for target, layer in (("dwelling", dwellings), ("road", roads)):
        if layer is None:
            continue
        _checked_crs(layer, target, crs)
        for rule, which, offset in _asked(law.rules_for(_TARGETS[target]), layer):
            shapes = layer.geometry.to_numpy()[which]
            radius = rule.limit_m + offset
            row = {
                "id": f"S{len(rows) + 1:03d}",
                "target": target,
                "distance_m": rule.limit_m,
                "rule": rule.id,
                "verify": rule.verify,
                "geometry": shapely.union_all(grown(shapes, radius, scale_over(crs, shapes))),
            }
            rows.append(row)
    columns = ["id", "target", "distance_m", "rule", "verify", "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry="geometry", crs=crs)


def overall(table: pd.DataFrame, law: Law) -> str:
    """Return the worst verdict of a table: `clear` only if a person chose the law and all is.

    The order is inside, close, not checked, clear. Nothing to check is `not checked`.
    """
    held = set(table["verdict"])
    worst = next((v for v in _WORST if v in held), "not checked")
    return "not checked" if worst == "clear" and not law.chosen else worst


def verdict_words(
    row: Mapping[str, Any] | pd.Series[Any], law: Law, units: LengthUnit = "yd"
) -> str:
    """Return a row of `verdicts` as a sentence; clearances are rounded down, limits up."""
    what = f"mapped {_LAYER[row['target']]}"
    under = f"under {row['rule']}" + ("" if law.chosen else " (an example, not your law)")
    if not row["rule"]:
        return f"{_LAYER[row['target']]} not checked: '{law.title}' has no rule for them"
    limit = _text(row["limit_m"], units, math.ceil)
    if row["verdict"] == "not checked":
        return (
            f"{_LAYER[row['target']]} not checked: the map has too little to tell; keep {limit} "
            f"from any {under}"
        )
    if not row["feature"]:
        return f"clear of the {what}: none here, by a layer declared complete, {under}"
    if row["verdict"] == "clear":
        return f"clear of the {what} by {_text(row['margin_m'], units, math.floor)} {under}"
    where = f"{row['feature']} is {_text(row['distance_m'], units, math.floor)} off"
    if not math.isnan(row["bearing_deg"]):
        where += f", bearing {round(row['bearing_deg']) % 360:03d}° true"
    if row["verdict"] == "inside":
        return f"inside the setback of the {what}: {where}; the limit is {limit} {under}"
    error = _text(row["error_m"], units, math.ceil)
    return (
        f"too close to the setback of the {what} to call: {where}; the limit is {limit}, "
        f"positions may be {error} off, {under}"
    )


def _text(value_m: float, units: LengthUnit, whole: Any) -> str:
    # A length that is whole in its unit must not be pushed off it by binary fractions.
    return f"{whole(round(value_m / LENGTHS_M[units], 6))} {units}"
