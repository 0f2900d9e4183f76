"""Prints what `hours` and `season` found: results to stdout, words about them to stderr."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from pathlib import Path
from typing import Any

import pandas as pd

from sitegeo.angles import compass_point
from sitegeo.cli.options import AnswerOptions, say, survey_at_water_level
from sitegeo.cli.report.answers import print_law, setback_words
from sitegeo.cli.report.tables import print_table
from sitegeo.core.wind import Forecast
from sitegeo.law.rules import Law
from sitegeo.rankings.hours import AS_GOOD, Hours
from sitegeo.rankings.ranking import BlindsUnderLaw
from sitegeo.rankings.season import WORKS_SHARE, Season
from sitegeo.siting.explain import grade
from sitegeo.surveys.survey import Survey
from sitegeo.units import LengthUnit, speed_text
from sitegeo.weather.files import read_winds

_MOST_SIDES = 3
"""Sides of a place that are named in its line, best first."""

_TEAM_NAMES = {1: "One place", 2: "The pair", 3: "The trio"}
_HOUR_COLUMNS = (
    ("", "right"),
    ("wind", "left"),
    ("blind", "left"),
    ("why", "left"),
    ("will it hold", "left"),
    ("if not", "left"),
)
_PLACE_COLUMNS = (
    ("place", "left"),
    ("kind", "left"),
    ("works on", "right"),
    ("mornings", "right"),
    ("best on", "right"),
    ("from", "left"),
    ("facing", "left"),
    ("setbacks", "left"),
)
_TEAM_COLUMNS = (("", "left"), ("places", "left"), ("cover", "right"), ("mornings", "right"))
_STEADY_COLUMNS = (
    ("one blind throughout", "left"),
    ("blind", "left"),
    ("hours with wind", "right"),
    ("will it hold", "left"),
)


def open_survey_and_winds(
    survey: Path, winds: Path, *, water: str | None, quiet: bool
) -> tuple[Survey, Forecast]:
    """Return a survey at the water of the day, as typed, and a file of winds in its time zone."""
    opened = survey_at_water_level(Survey.open(survey), water, quiet=quiet)
    return opened, read_winds(winds, at=opened.grid.centre_latlon).in_zone(opened.record["zone"])


def print_hours(found: Hours, survey: Survey, how: AnswerOptions) -> None:
    """Print a table a date, one line an hour, then the steady choices and their setbacks.

    Dark hours are folded, and only marked where more is wanted.
    """
    rows = found.table.to_dict("records")
    for date, hours in groupby(rows, key=lambda r: r["time"].date()):
        title = f"{survey.title}: {date:%A} {date.day} {date:%B %Y}"
        lines = []
        for dark, some in groupby(hours, key=lambda r: bool(r["dark"] and not how.verbose)):
            run = list(some)
            lines += [_folded(run)] if dark else [_hour(row, how.units) for row in run]
        print_table(_HOUR_COLUMNS, lines, title=title)
    print_table(_STEADY_COLUMNS, [_steady(r) for r in found.steady.to_dict("records")])
    shown = found.table if how.verbose else found.table[~found.table["dark"]]
    named = [*shown["blind"].dropna(), *found.steady["blind"]]
    _print_blinds(found.judged, named, how.units)
    if found.draws:
        say(
            f"Holds: no blind beats it by more than {AS_GOOD:g} of score, in {found.draws} draws "
            "of the forecast's error, the trees' height and the bank's edge.",
            quiet=how.quiet,
        )
    _print_law_and_warnings(found.law, survey, how)


def _folded(run: list[dict[Any, Any]]) -> tuple[str, ...]:
    """Return one line for hours in the dark."""
    first, last = (f"{row['time']:%H:%M}" for row in (run[0], run[-1]))
    time = first if len(run) == 1 else f"{first}-{last}"
    return time, "dark", "", "shooting hours are law (-v lists these)", "", ""


def _hour(row: dict[Any, Any], units: LengthUnit) -> tuple[str, ...]:
    time = f"{row['time']:%H:%M}" + " dark" * bool(row["dark"])
    if row["state"] == "gap":
        return time, "not known", "", row["why"], "", ""
    if row["state"] == "calm":
        return time, "calm", row["blind"], row["why"], "", ""
    gust = "" if pd.isna(row["gust_mps"]) else f", gusts {speed_text(row['gust_mps'], units)}"
    wind = f"{compass_point(row['from_deg'])} {speed_text(row['speed_mps'], units)}{gust}"
    side, water, *_ = row["why"].split("; ")
    side = "no direction claimed" if row["wind_side"] == "calm" else side.removeprefix("Wind ")
    water = water.removesuffix(", in the lee").removesuffix(" on the pocket")
    why = f"{side}; {water}" + ("; all poor" if grade(row["score"]) == "poor" else "")
    holds = "" if pd.isna(row["chance"]) else _chance(row["chance"])
    return (
        time,
        wind,
        row["blind"],
        why,
        holds,
        row["second"] if isinstance(row["second"], str) else "",
    )


def _steady(row: dict[Any, Any]) -> tuple[str, ...]:
    start, end = row["start"], row["end"]
    until = f"{end:%H:%M}" if end.date() == start.date() else f"{end:%a %H:%M}"
    holds = "" if pd.isna(row["chance"]) else _chance(row["chance"])
    return f"{start:%a %H:%M} to {until}", row["blind"], str(row["hours"]), holds


def _chance(chance: float) -> str:
    return f"{likelihood_words(chance)} {chance:.0%}"


def _print_blinds(judged: BlindsUnderLaw, names: Iterable[str], units: LengthUnit) -> None:
    """Print kind, facing and setbacks of the blinds that were named."""
    blinds = judged.blinds[judged.blinds["id"].isin(set(names))]
    if blinds.empty:
        return
    print_table(
        [("blind", "left"), ("kind", "left"), ("faces", "left"), ("setbacks", "left")],
        [
            (
                row["id"],
                row["kind"],
                f"{row['facing_deg']:.0f}° {compass_point(row['facing_deg'])}",
                setback_words(judged.verdicts, row["id"], units),
            )
            for _, row in blinds.iterrows()
        ],
    )


def _print_law_and_warnings(law: Law, survey: Survey, how: AnswerOptions) -> None:
    """Print which law judged, and the survey's warnings where more is wanted."""
    print_law(law, quiet=how.quiet)
    for warning in survey.warnings if how.verbose else ():
        say(f"  {warning}", quiet=how.quiet)


def print_season(found: Season, survey: Survey, how: AnswerOptions, *, top: int) -> None:
    """Print the blinds by share of mornings, then the one, two and three that cover the most."""
    _print_places(found, survey.title, how.units, top=top)
    _print_teams(found)
    more = max(0, len(found.table) - top)
    say(f"{more} more places; {len(found.judged.rejected)} ruled out (--json).", quiet=how.quiet)
    left = found.mornings[found.mornings["hours"] == 0]["why"].value_counts()
    for why, words in (("calm", "without a wind"), ("gap", "without a record")):
        if left.get(why, 0):
            say(f"{left[why]} mornings {words} are left out.", quiet=how.quiet)
    none = int((~found.works.any(axis=1)).sum())
    say(
        f"Works: at least {WORKS_SHARE:.0%} of that morning's best score, and wind, ripple, room "
        f"and cover none of them poor. On {none} mornings none does.",
        quiet=how.quiet,
    )
    _print_law_and_warnings(found.law, survey, how)


def _print_places(found: Season, title: str, units: LengthUnit, *, top: int) -> None:
    dates = found.mornings["date"]
    facing = found.judged.blinds.set_index("id")["facing_deg"]
    rows = []
    for _, row in found.table.head(top).iterrows():
        sides = row["sides"][:_MOST_SIDES]
        rows.append(
            (
                row["id"],
                row["kind"],
                f"{row['share']:.0%}",
                str(row["mornings"]),
                str(row["best"]),
                ", ".join(sides),
                ", ".join(compass_point(facing[side]) for side in sides),
                setback_words(found.judged.verdicts, sides[0], units) if sides else "",
            )
        )
    title = f"{title}: {len(found.works)} mornings, {dates.min()} to {dates.max()}"
    print_table(_PLACE_COLUMNS, rows, title=title)


def _print_teams(found: Season) -> None:
    rows = [
        (
            _TEAM_NAMES[row["size"]],
            ", ".join(_members(row["places"], row["adds"])),
            f"{row['share']:.0%}",
            str(row["mornings"]),
        )
        for _, row in found.teams.iterrows()
        if row["size"] == 1 or row["adds"][-1] > 0  # a bigger team that covers no more
    ]
    print_table(_TEAM_COLUMNS, rows, title="Together")


def _members(names: list[str], adds: list[int]) -> list[str]:
    """Return the first place, and the others with the mornings each adds."""
    others = zip(names[1:], adds[1:], strict=True)
    return [*names[:1], *(f"{name} (+{mornings})" for name, mornings in others)]


def likelihood_words(chance: float) -> str:
    """Return a chance in words: the scale of Mastrandrea et al. 2010 (from memory)."""
    return next(words for least, words in _LIKELIHOOD if round(chance, 2) >= least)


_LIKELIHOOD = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.33, "as likely as not"),
    (0.0, "unlikely"),
)
