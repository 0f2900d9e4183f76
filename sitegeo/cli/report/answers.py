"""Prints what the commands found: results to stdout, words about them to stderr."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click
import pandas as pd

from sitegeo.angles import compass_point
from sitegeo.cli.options import say
from sitegeo.cli.report.tables import print_table
from sitegeo.law.rules import Law
from sitegeo.law.safety import morning_cautions
from sitegeo.law.setbacks import SETBACK_LAYERS, WORST_FIRST
from sitegeo.law.shot_range import side_words
from sitegeo.law.verdicts import verdict_sentence
from sitegeo.surveys.survey import Survey
from sitegeo.units import ACRE_M2, LengthUnit, depth_text, length_text, yd

if TYPE_CHECKING:
    import geopandas as gpd

    from sitegeo.plans.check import Check
    from sitegeo.plans.plan import Plan
    from sitegeo.rankings.ranking import Ranking

_MOST_VERDICTS = 5
"""Verdicts of a plan that are printed, worst first; plan.json holds all."""

_MOST_REASONS = 3
"""Reasons that are named where they leave no blind."""

_HECTARE_M2 = 10_000.0
"""Square metres of a hectare."""


def print_survey(folder: Path, *, verbose: bool) -> None:
    """Print what a survey found and what it lacks."""
    survey = Survey.open(folder)
    positions, candidates = survey.layers["positions"], survey.layers["candidates"]
    rows = []
    for kind, found in positions.groupby("kind", sort=True):
        blinds = candidates[candidates["position_id"].isin(found["id"])]
        usable = int(blinds["rejected_by"].isna().sum())
        sure = f"{100 * found['confidence'].mean():.0f} %"
        counts = (str(len(found)), sure, str(usable), str(len(blinds) - usable))
        rows.append((str(kind), *counts))
    heads = ("found", "sure", "blinds", "ruled out")
    print_table([("kind", "left"), *((h, "right") for h in heads)], rows)
    water = survey.layers["water"]["area_m2"].sum() / _HECTARE_M2
    say(f"{survey.title}: {water:.1f} ha of water. Written to {folder}")
    for sentence in _lake_words(survey):
        say(f"  {sentence}")
    print_open_ground(survey.layers.get("huntable"))
    for warning in survey.warnings:
        say(f"  {warning}")
    for assumption in survey.record["assumptions"] if verbose else ():
        say(f"  assumed: {assumption}")


def _lake_words(survey: Survey) -> tuple[str, ...]:
    """Return what the woods round the largest water do to the wind on it as a whole."""
    water = survey.layers["water"].sort_values("area_m2").tail(1)
    found = (w for w in survey.record["lake_shelter"] if w["water"] in set(water["id"]))
    return tuple(
        f"{w['water']}, its shore wooded {depth_text(w['canopy_height_m'])} high on "
        f"average, feels {max(1, round(100 * w['stress_share']))} % of the wind's stress "
        "on open water, as a whole"
        for w in found
        if w["stress_share"] is not None
    )


def print_ranking(
    ranking: Ranking,
    survey: Survey,
    *,
    top: int,
    units: str,
    air_c: float | None = None,
    verbose: bool,
    quiet: bool,
) -> None:
    """Print the ranked table and the cautions of the morning."""
    lengths = cast("LengthUnit", units)
    rows = [
        (
            str(row["rank"]),
            _named(row),
            row["kind"],
            f"{row['facing_deg']:.0f}° {compass_point(row['facing_deg'])}",
            row["layout"],
            row["why"],
            setback_words(ranking.verdicts, row["id"], lengths),
        )
        for _, row in ranking.places.head(top).iterrows()
    ]
    columns = [
        ("", "right"),
        *((n, "left") for n in ("blind", "kind", "faces", "layout", "why", "setbacks")),
    ]
    title = f"{survey.title}: {ranking.wind.words(lengths)}"
    if rows:
        print_table(columns, rows, title=title)
    else:
        click.echo(f"{title}\nNo blind is left{_commonest(ranking.rejected)}.")
    for _, row in ranking.rejected.iterrows():
        if row["kind"] == "chosen":
            say(f"{_named(row)} is left out: {row['rejected_by']}.", quiet=quiet)
    out = len(ranking.rejected)
    more = max(0, len(ranking.places) - top)
    same = len(ranking.blinds) - len(ranking.places)
    others = f"{more} more places, and {same} lesser blinds of the same openings, clumps and banks"
    left = f"{others}; {out} ruled out" if rows else f"All {out} are ruled out"
    say(f"{left} (--json says why).", quiet=quiet)
    for caution in morning_cautions(ranking.wind, air_c):
        say(f"  {caution}.", quiet=quiet)
    print_law(ranking.law, quiet=quiet)
    unsure = survey.reading_warnings
    for warning in survey.warnings if verbose else unsure:
        say(f"  {warning}", quiet=quiet)


def _commonest(rejected: pd.DataFrame) -> str:
    """Return the reasons that rule out the most blinds."""
    counted = rejected["rejected_by"].value_counts().head(_MOST_REASONS)
    reasons = "; ".join(f"{words} ({count})" for words, count in counted.items())
    return f": {reasons}" if reasons else ""


def _named(row: pd.Series[Any]) -> str:
    name = row.get("name")
    return f"{row['id']} {name}" if isinstance(name, str) else str(row["id"])


def setback_words(verdicts: pd.DataFrame, name: str, units: LengthUnit) -> str:
    """Return the verdicts of one blind in a few words each."""
    checked = verdicts[verdicts["id"] == name]
    shown = checked[checked["target"].isin(list(SETBACK_LAYERS)) | (checked["verdict"] != "clear")]
    return "; ".join(_brief(v, units) for _, v in shown.iterrows())


def _brief(verdict: pd.Series[Any], units: LengthUnit) -> str:
    text = f"{verdict['target']} {verdict['verdict']}"
    distance = verdict["distance_m"]
    return text if pd.isna(distance) else f"{text} ({length_text(distance, units)})"


def print_law(law: Law, *, quiet: bool) -> None:
    """Say that an example is not the law, where none is chosen."""
    if not law.chosen:
        say(
            f"Setbacks by '{law.title}', which is not your law. Clear means clear of what the map "
            "shows. Look up the law where you hunt and give it with --law.",
            quiet=quiet,
        )


def print_plan(plan: Plan, folder: Path, *, units: str, quiet: bool) -> None:
    """Print the plan's groups, its verdicts, and where the files are."""
    lengths = cast("LengthUnit", units)
    spread = plan.spread
    say(f"\nBlind {plan.blind['id']}: {spread.headline}", quiet=quiet)
    if not spread.refused:
        groups = plan.features[
            plan.features["role"].isin(["pocket", "group", "motion", "jerk_line"])
        ]
        print_table(
            [
                ("", "left"),
                ("decoys", "right"),
                ("bearing", "right"),
                ("from the hide", "right"),
                ("", "left"),
            ],
            [
                (
                    g["name"],
                    "" if pd.isna(g["count"]) else str(g["count"]),
                    f"{g['bearing_true']:.0f}° true",
                    length_text(yd(g["range_yd"]), lengths),
                    g["note"],
                )
                for _, g in groups.iterrows()
            ],
        )
    for note in spread.notes:
        say(f"  {note}", quiet=quiet)
    for sentence in plan.record["verdicts"][:_MOST_VERDICTS]:
        say(f"  hide {sentence}", quiet=quiet)
    for caution in plan.record["cautions"]:
        say(f"  {caution}.", quiet=quiet)
    say("", quiet=quiet)
    click.echo(f"map   {folder / 'map.html'}")
    click.echo(f"plan  {folder}")


def print_check(check: Check, *, units: str, verbose: bool, quiet: bool) -> None:
    """Print verdicts, worst first, where each hide may shoot, and what is left to hunt."""
    lengths = cast("LengthUnit", units)
    table = check.table.sort_values(
        "verdict", key=lambda v: v.map(WORST_FIRST.index), kind="stable"
    )
    if len(check.fire) > 1 and not verbose:  # the blinds of a survey: what is clear is counted
        whole = len(table)
        table = table[table["verdict"] != "clear"]
        say(f"{whole - len(table)} of {whole} verdicts are clear (-v lists them).", quiet=quiet)
    print_table(
        [("", "left"), ("of", "left"), ("verdict", "left"), ("in words", "left")],
        [
            (v["id"], v["target"], v["verdict"], verdict_sentence(v, check.law, lengths))
            for _, v in table.iterrows()
        ],
        title=f"Law: {check.law.title}",
    )
    print_table(
        [("", "left"), *((side, "left") for side in ("front", "overhead", "rear"))],
        [
            (name, *side_words(fall, facing).values())
            for name, (fall, facing) in check.fire.items()
            if verbose or len(check.fire) == 1 or fall.verdict != "clear"
        ],
        title="Fall of shot",
    )
    print_open_ground(check.huntable, quiet=quiet)
    for caution in check.cautions:
        say(f"  {caution}.", quiet=quiet)
    say(f"In all: {check.overall}.", quiet=quiet)
    print_law(check.law, quiet=quiet)
    if verbose:
        say(f"Law read on {check.law.read_on.isoformat()} for {check.law.place}.")


def print_open_ground(ground: gpd.GeoDataFrame | None, *, quiet: bool = False) -> None:
    """Say how much public ground the map leaves open to hunt, and what that rests on."""
    if ground is None or ground.empty:
        say("Open to hunt by the map: none that it says is public and open.", quiet=quiet)
        return
    acres = ground["area_m2"].sum() / ACRE_M2
    rests = ground["unknowns"].iloc[0] or "its setbacks and closed areas taken off"
    say(
        f"Open to hunt by the map: {acres:.0f} acres, {rests}. The law, the owner and the agency "
        "decide.",
        quiet=quiet,
    )
