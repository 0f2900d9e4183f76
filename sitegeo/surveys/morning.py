"""What a morning brings to a survey: gear, assumptions, and the steps left to run for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from sitegeo.core.models import from_record
from sitegeo.landcover.leaves import leaves_are_off
from sitegeo.places.config import Assume, GearKeys
from sitegeo.spreads.decoys import Gear
from sitegeo.surveys import pipeline
from sitegeo.surveys.survey import Survey


def gear_carried(
    survey: Survey, decoys: int | None = None, *, far_group: bool | None = None
) -> Gear:
    """Return what the party carries and how it is set, as recorded in the survey or as asked.

    Parameters
    ----------
    survey
        Whose record holds ``[gear]``.
    decoys
        How many decoys; those of the record by default.
    far_group
        Whether some are set far out; as the record says by default.

    Returns
    -------
    Gear
        What a spread is made of.
    """
    keys = from_record(survey.record["gear"], GearKeys)
    names = ("dark", "white", "geese", "small")
    kinds = {k: v for k in names if (v := getattr(keys, k)) is not None}
    if kinds:
        kinds = dict.fromkeys(names, 0) | kinds
    wanted = keys.decoys if decoys is None else decoys
    held = {name: getattr(keys, name) for name in ("motion", "wade_m", "party", "load")}
    far = keys.far_group if far_group is None else far_group
    return Gear(decoys=wanted, far_group=far, **held, **kinds)


def assumptions_on(survey: Survey, when: datetime | None) -> Assume:
    """Return a survey's assumptions on a day; where they are silent on the leaves, the date tells.

    Without a day nothing is added.
    """
    assume = from_record(survey.record["assume"], Assume)
    if assume.leaf_off is not None or when is None:
        return assume
    off = leaves_are_off(when.month, survey.grid.centre_latlon[0])
    return assume.model_copy(update={"leaf_off": off})


def prepare_morning(
    survey: Survey,
    given: Mapping[str, Any],
    *,
    want: Iterable[str] | None,
    each_wind: Iterable[str] = (),
) -> pipeline.Morning:
    """Return what a survey's steps have left to do for a morning, ready for any wind.

    Parameters
    ----------
    survey
        Whose layers are at hand, and whose record says which steps were run.
    given
        What the morning brings, the wind aside; it goes before the survey's own layers.
    want
        Layers to make; None for all that can be made.
    each_wind
        Names beside the wind that are given anew with each.

    Returns
    -------
    Morning
        What no wind changes is worked out once, when a wind is first asked.

    Raises
    ------
    StepError
        For a need that nothing meets.
    """
    done = [f"{s['package']}:{s['name']}" for s in survey.record["steps"]]
    return pipeline.prepare(survey.layers, given, done=done, want=want, each_wind=each_wind)
