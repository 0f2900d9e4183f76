"""sitegeo hours."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options


@click.command("hours")
@options.folder_argument("survey")
@click.option(
    "--forecast",
    type=options.PATH,
    required=True,
    metavar="FILE",
    help="Winds by the hour: CSV, a weather service's JSON, GRIB2.",
)
@click.option("--from", "start", metavar="TIME", help="First hour, e.g. 2026-12-05T05:00.")
@click.option("--to", "end", metavar="TIME", help="Last hour; times in the place's zone.")
@click.option(
    "--draws",
    type=click.IntRange(0, 100_000),
    default=200,
    show_default=True,
    help="Ways the morning may turn out.",
)
@options.water
@options.answer_options
def command(
    *,
    survey: Path,
    forecast: Path,
    start: str | None,
    end: str | None,
    draws: int,
    water: str | None,
    how: options.AnswerOptions,
) -> None:
    """Name the best blind for each hour of a forecast, and the chance that the choice holds."""
    from sitegeo.cli.report.many_winds import open_survey_and_winds, print_hours
    from sitegeo.law.daylight import read_when
    from sitegeo.rankings.hours import hours, hours_record

    opened, winds = open_survey_and_winds(survey, forecast, water=water, quiet=how.quiet)
    with options.show_progress(quiet=how.quiet or how.as_json) as show:
        show("trying the winds")
        zone = opened.record["zone"]
        first, last = (None if t is None else read_when(t, zone) for t in (start, end))
        found = hours(opened, winds, start=first, end=last, draws=draws, law=how.chosen_law)
    if how.as_json:
        options.print_json(hours_record(found))
        return
    print_hours(found, opened, how)
