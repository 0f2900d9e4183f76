"""The fall of shot in a plan: arcs for the record and the map, and words a person reads."""

from __future__ import annotations

from typing import Any

import pandas as pd

from sitegeo.law.setbacks import PositionErrors
from sitegeo.law.shotfall import ShotFall, read_load, shot_fall
from sitegeo.placefile import Assume
from sitegeo.survey import Survey
from sitegeo.units import to_yd
from sitegeo.wind import Wind

TARGETS = ("dwellings", "roads")


def fire_of(survey: Survey, blind: pd.Series[Any], wind: Wind) -> ShotFall:
    """Return the circle of fire about a blind, against what the survey has mapped.

    Raises
    ------
    UsageError
        If the load written under [gear] cannot be read or is not nontoxic.
    """
    assume = Assume.model_validate(survey.record["assume"])
    errors = PositionErrors.from_layers({str(k): v for k, v in assume.position_error_m.items()})
    layers = {name: survey.layers.get(name) for name in TARGETS}
    if survey.layers.get("access") is not None:
        layers["way in"] = survey.layers["access"]
    return shot_fall(
        blind.geometry,
        float(blind["facing_deg"]),
        crs=survey.crs,
        load=read_load(survey.record["gear"].get("load")),
        wind_from_deg=wind.from_deg,
        gust_mps=wind.strongest_mps,
        guns_error_m=max(errors.total_m(name) for name in TARGETS),
        layers=layers,
        complete=frozenset(name for name, yes in assume.complete.items() if yes),
    )


def fire_record(fall: ShotFall) -> dict[str, Any]:
    """Return the `fire` object of plan.json; true degrees, clockwise."""
    return {
        "load": fall.load.name,
        "longest_m": round(fall.longest_m, 1),
        "arcs_safe": [[start, stop] for start, stop in fall.open_arcs],
        "arcs_closed": [
            {"from": a.from_deg, "to": a.to_deg, "reason": a.reason, "side": a.side}
            for a in fall.closed
        ],
        "not_checked": list(fall.not_checked),
        "note": "ricochet off water, ice or ground is not modelled; terrain and timber never count "
        "as a backstop; not an upper bound",
    }


def fire_words(fall: ShotFall) -> tuple[str, ...]:
    """Return what to say of the fall of shot, as sentences."""
    carry = f"{fall.load.name} may carry {to_yd(fall.longest_m):.0f} yd and more"
    told = []
    if fall.not_checked:
        missing = " and ".join(fall.not_checked)
        told.append(f"The fall of shot is not checked against {missing}: no such layer. {carry}")
    if fall.closed:
        arcs = "; ".join(
            f"{a.from_deg:03.0f}° to {a.to_deg:03.0f}° ({a.reason}, {a.side})" for a in fall.closed
        )
        told.append(f"No fire toward {arcs}, true bearings: {carry}, ricochet not counted")
    elif not fall.not_checked:
        told.append(
            f"Nothing mapped lies where shot may fall: {carry}, ricochet not counted, and the map "
            "misses things. Know your target and what lies beyond it"
        )
    return tuple(told)
