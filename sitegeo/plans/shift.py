"""What to move when the wind turns on a plan: laid again for the new wind, and compared."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import shapely

from sitegeo.angles import signed_diff_deg, wrap360
from sitegeo.core import output, store
from sitegeo.core.typing import FloatArray
from sitegeo.core.wind import LIGHT_MPS, Wind
from sitegeo.errors import SurveyError
from sitegeo.rankings.spread_site import NEAR_WATER, SpreadSite
from sitegeo.siting.score import CALM_PHI_DEG
from sitegeo.spreads import layouts
from sitegeo.spreads.decoys import Gear
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.moves import Shift, shift_spread
from sitegeo.spreads.result import Spread
from sitegeo.units import LengthUnit, speed_text

SHIFT_SCHEMA = "sitegeo/shift/1"
OTHER_WIND_MPS = 5.0
"""Winds whose gusts differ by so much make other waves and another cold (judgement)."""

TURNS_DEG = (-60.0, -30.0, 30.0, 60.0)
"""Turns of the wind for which a plan says what to move; judgement."""


def shift_between(
    site: SpreadSite,
    decoys: FloatArray,
    groups: Iterable[str],
    *,
    motion: FloatArray,
    was_deg: float,
    now_deg: float,
) -> Shift:
    """Return what to move from decoys as they lie when the wind turns.

    Parameters
    ----------
    site
        What the spread lies on.
    decoys
        (n, 2) where they lie, in the CRS of the site's frame.
    groups
        Name of each one's group.
    motion
        (m, 2) motion decoys, likewise.
    was_deg, now_deg
        True bearings the wind came from and comes from.

    Returns
    -------
    Shift
        What to carry where.
    """
    phi = float(signed_diff_deg(now_deg, site.facing_deg))
    then = site.lay(layouts.choose_layout(site.kind, phi, decoys=site.gear.decoys), phi)
    local = site.frame.to_local
    return shift_spread(
        local(decoys),
        tuple(groups),
        local(then.decoys),
        then.decoy_groups,
        turn_deg=float(signed_diff_deg(now_deg, was_deg)),
        pocket=local(then.pocket),
        motion=(local(motion), local(then.motion)),
        refused=then.refused,
    )


def shift_records(site: SpreadSite, spread: Spread, wind: Wind) -> list[dict[str, Any]]:
    """Return plan.json's `shift`: what to move for turns of 30 and 60 degrees either way.

    Parameters
    ----------
    site
        What the spread lies on.
    spread
        As it was laid.
    wind
        It was laid for.

    Returns
    -------
    list of dict
        Empty in calm air and without a spread.
    """
    if wind.calm or spread.refused:
        return []
    return [
        shift_record(
            shift_between(
                site,
                spread.decoys,
                spread.decoy_groups,
                motion=spread.motion,
                was_deg=wind.from_deg,
                now_deg=wind.from_deg + turn,
            ),
            float(wrap360(wind.from_deg + turn)),
        )
        for turn in TURNS_DEG
    ]


def shift_record(found: Shift, from_deg: float, units: LengthUnit = "yd") -> dict[str, Any]:
    """Return a shift as a JSON object.

    Parameters
    ----------
    found
        The shift.
    from_deg
        True bearing the wind now comes from.
    units
        Of the lengths in its words.

    Returns
    -------
    dict
        Moves with their lengths in metres and their words.
    """
    return {
        "from_deg": round(from_deg, 1),
        "turn_deg": round(found.turn_deg, 1),
        "verdict": found.verdict,
        "served": round(found.served, 3),
        "left": found.left,
        "moves": [
            {
                "count": m.count,
                "handfuls": m.handfuls,
                "source": m.source,
                "target": m.target,
                "carried_m": round(m.carried_m, 1),
                "words": m.words(units),
            }
            for m in found.moves
        ],
        "cautions": list(found.cautions),
    }


def shift_plan(folder: Path, wind: Wind, units: LengthUnit = "yd") -> Shift:
    """Return what to move on a saved plan for a wind, and what else that wind brings.

    Parameters
    ----------
    folder
        That a plan was saved to.
    wind
        As it is now.
    units
        Of the lengths and speeds in its words.

    Returns
    -------
    Shift
        What to carry where, with cautions.

    Raises
    ------
    SurveyError
        If the folder holds no plan, or one whose spread was refused.
    """
    output.repair(folder.absolute())
    if not (folder / "plan.json").is_file():
        raise SurveyError(
            "is not a plan", where=folder, remedy="Give a folder that 'sitegeo plan' wrote"
        )
    record: Mapping[str, Any] = store.read_json(folder / "plan.json")
    if record["spread"]["refused"]:
        raise SurveyError("this plan has no spread to move", value=record["spread"]["refused"])
    if wind.calm:
        return Shift(0.0, "No wind: direction not predictable. Leave it as it lies.", 1.0)
    layers = store.SavedLayers(folder, vectors="plan.gpkg")
    drawn = layers["plan"]
    decoys, motion = (drawn[drawn["role"] == role] for role in ("decoy", "motion"))
    groups = decoys["name"].str.lower().tolist()
    was = _wind(record)
    found = shift_between(
        _site(record, layers),
        shapely.get_coordinates(decoys.geometry),
        groups,
        motion=shapely.get_coordinates(motion.geometry),
        was_deg=was.from_deg,
        now_deg=wind.from_deg,
    )
    return replace(found, cautions=(*wind_cautions(was, wind, units), *found.cautions))


def wind_cautions(was: Wind, now: Wind, units: LengthUnit = "yd") -> Iterator[str]:
    """Give what a wind brings, beside its direction, that a plan made for another does not say.

    Parameters
    ----------
    was, now
        The wind planned for, and the wind as it is.
    units
        Of the speeds.

    Yields
    ------
    str
        Sentences.
    """
    speeds = f"{_strength(now, units)}, where the plan had {_strength(was, units)}"
    if now.strongest_mps >= was.strongest_mps + OTHER_WIND_MPS:
        yield (
            f"The wind is {speeds}: waves, cold and the way over water are worse than the plan "
            "says; plan again before anyone goes out"
        )
    elif now.strongest_mps <= was.strongest_mps - OTHER_WIND_MPS:
        yield f"The wind is {speeds}: there is less ripple than the plan says"
    if now.speed_mps <= LIGHT_MPS:
        yield (
            "Light wind: birds may not land into it; watch how they come before decoys are carried"
        )


def _strength(wind: Wind, units: LengthUnit) -> str:
    if wind.calm:
        return "calm air"
    gust = f" gusting {speed_text(wind.gust_mps, units)}" if wind.gust_mps else ""
    return speed_text(wind.speed_mps, units) + gust


def _wind(record: Mapping[str, Any]) -> Wind:
    """Return the wind a plan was laid for: in calm air it was laid as for wind from behind."""
    told = record["wind"]
    speed, gust = told["speed_mps"], told["gust_mps"]
    held = Wind(told["from_deg"], speed, gust and max(gust, speed))  # the mean is rounded there
    if not held.calm:
        return held
    return replace(held, from_deg=float(wrap360(record["facing_deg"] + CALM_PHI_DEG)))


def _site(record: Mapping[str, Any], layers: Mapping[str, Any]) -> SpreadSite:
    held = record.get("laying")
    if held is None:
        raise SurveyError(
            "this plan does not say what it was laid on",
            remedy="It is of an earlier version: run 'sitegeo plan' again",
        )
    near = layers[NEAR_WATER].set_index("id").geometry
    empty = shapely.Polygon()
    return SpreadSite(
        HideFrame(**held["frame"]),
        held["facing_deg"],
        held["kind"],
        near.get("water", empty),
        near.get("flooded", empty),
        held["opening_m"],
        Gear(**held["gear"]),
        held["season"],
    )
