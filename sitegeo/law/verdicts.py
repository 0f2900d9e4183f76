"""All verdicts on points and shapes, setbacks and ground together.

From a law, the layers of the map and the record of a survey or plan; then what they reject, and
the sentences that a person reads.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.core.grid import require_metric
from sitegeo.core.typing import ObjectArray
from sitegeo.law.context import terms_from_record
from sitegeo.law.ground import ground_verdicts
from sitegeo.law.rules import Law
from sitegeo.law.setbacks import SETBACK_LAYERS, WORST_FIRST, setback_verdicts
from sitegeo.units import LENGTHS_M, LengthUnit

OUTLINE_STEP_M = 5.0
"""The outline of a group is judged at least this often."""


def verdicts_at(
    points: gpd.GeoDataFrame,
    law: Law,
    layers: Mapping[str, Any],
    record: Mapping[str, Any],
    *,
    on: date | None = None,
) -> pd.DataFrame:
    """Return verdicts of points (`id`, geometry) on setbacks and the ground, points in order.

    Parameters
    ----------
    points
        `id` and point geometry, in the projected metric CRS of the layers.
    law
        Whose rules count.
    layers
        What is mapped, by name: dwellings, roads, public_land, closed_areas. One that is absent
        is not checked.
    record
        Of a survey or a plan: what was assumed, permitted, and how far each file reaches.
    on
        The day hunted.

    Returns
    -------
    DataFrame
        Columns `VERDICT_COLUMNS`; five rows a point.

    Raises
    ------
    LayerError, CrsError, SurveyError
        If a layer breaks its contract, or the record cannot be read.

    Examples
    --------
    With nothing mapped, nothing is clear:

    >>> import geopandas as gpd
    >>> from sitegeo.law.examples import example_laws, strictest_law
    >>> at = gpd.points_from_xy([500_300], [4_900_000], crs="EPSG:32617")
    >>> hide = gpd.GeoDataFrame({"id": ["hide"]}, geometry=at)
    >>> set(verdicts_at(hide, strictest_law(example_laws()), {}, {})["verdict"])
    {'not checked'}
    """
    terms = terms_from_record(record, crs=require_metric(points.crs), on=on)
    land = layers.get("public_land")
    tables = [
        setback_verdicts(
            points,
            law,
            dwellings=layers.get("dwellings"),
            roads=layers.get("roads"),
            public_land=land,
            terms=terms,
        ),
        ground_verdicts(
            points, public_land=land, closed_areas=layers.get("closed_areas"), terms=terms
        ),
    ]
    order = {name: n for n, name in enumerate(points["id"])}
    table = pd.concat(tables, ignore_index=True)
    return table.sort_values("id", key=lambda ids: ids.map(order), kind="stable", ignore_index=True)


def verdicts_along(
    shapes: gpd.GeoDataFrame,
    law: Law,
    layers: Mapping[str, Any],
    record: Mapping[str, Any],
    *,
    on: date | None = None,
) -> pd.DataFrame:
    """Return the worst verdict on each target anywhere along shapes (`id`, geometry).

    A line of decoys is clear only where all of it is.

    Parameters
    ----------
    shapes
        `id` and any geometry, in the projected metric CRS of the layers; judged every
        `OUTLINE_STEP_M` of their outlines.
    law, layers, record, on
        As for `verdicts_at`.

    Returns
    -------
    DataFrame
        As of `verdicts_at`, one row per shape and target.

    Raises
    ------
    LayerError, CrsError, SurveyError
        If a layer breaks its contract, or the record cannot be read.
    """
    walked = shapely.segmentize(shapes.geometry.to_numpy(), OUTLINE_STEP_M)
    xy, owner = shapely.get_coordinates(walked, return_index=True)
    ids = shapes["id"].to_numpy()[owner]
    points = gpd.GeoDataFrame({"id": ids}, geometry=shapely.points(xy), crs=shapes.crs)
    table = verdicts_at(points, law, layers, record, on=on)
    place = {name: n for n, name in enumerate(shapes["id"])}
    targets = {name: n for n, name in enumerate(dict.fromkeys(table["target"]))}
    keys = table.assign(
        shape=table["id"].map(place),
        about=table["target"].map(targets),
        bad=table["verdict"].map(WORST_FIRST.index),
    ).sort_values(["shape", "about", "bad", "margin_m"], kind="stable")
    return table.loc[keys.drop_duplicates(["shape", "about"]).index].reset_index(drop=True)


def rejection_reasons(blinds: gpd.GeoDataFrame, checked: pd.DataFrame, law: Law) -> ObjectArray:
    """Return the first hard reason against each blind; to be inside a setback is one.

    Parameters
    ----------
    blinds
        `id`, and `rejected_by`: an earlier reason, which stays.
    checked
        Their verdicts.
    law
        Under which those were given; a reason says where it is an example.

    Returns
    -------
    ObjectArray
        Text, or None without a reason, shape (blinds,).
    """
    inside = checked[checked["verdict"] == "inside"].drop_duplicates("id")
    example = "" if law.chosen else ", an example rule"
    words = {
        name: f"inside the {target} setback{example}"
        if target in SETBACK_LAYERS
        else f"{target}: {note}"
        for name, target, note in inside[["id", "target", "note"]].itertuples(index=False)
    }
    reasons = [
        words.get(name) if pd.isna(old) else old
        for name, old in zip(blinds["id"], blinds["rejected_by"], strict=True)
    ]
    return np.array(reasons, dtype=object)


def verdict_sentence(
    row: Mapping[str, Any] | pd.Series[Any], law: Law, units: LengthUnit = "yd"
) -> str:
    """Return a row of verdicts as a sentence; clearances are rounded down, limits up.

    Parameters
    ----------
    row
        Of a table with `VERDICT_COLUMNS`.
    law
        Under which it was given; an example is called one.
    units
        Of the lengths written.

    Returns
    -------
    str
    """
    if row["target"] not in SETBACK_LAYERS:
        return f"{row['target']} {row['verdict']}: {row['note']}"
    words = _setback_sentence(row, law, units)
    return f"{words}; {row['note']}" if row["note"] else words


def _setback_sentence(row: Mapping[str, Any] | pd.Series[Any], law: Law, units: LengthUnit) -> str:
    layer = SETBACK_LAYERS[row["target"]]
    what = f"mapped {layer}"
    under = f"under {row['rule']}" + ("" if law.chosen else " (an example, not your law)")
    if not row["rule"]:
        return f"{layer} not checked: '{law.title}' has no rule for them"
    limit = _text(row["limit_m"], units, math.ceil)
    if row["verdict"] == "not checked":
        return f"{layer} not checked: the map has too little to tell; keep {limit} from any {under}"
    if not row["feature"]:
        return f"clear of the {what}: none that counts here, {under}"
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
