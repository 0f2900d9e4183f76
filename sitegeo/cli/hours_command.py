"""sitegeo hours."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sitegeo.cli import options


@click.command("hours")
@options.folder_argument("survey")
@click.option(
    "--forecast",
    type=click.Path(path_type=Path),
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
@options.law
@options.units
@options.as_json
@options.verbose
@options.quiet
def command(
    *,
    survey: Path,
    forecast: Path,
    start: str | None,
    end: str | None,
    draws: int,
    law: Path | None,
    units: str,
    as_json: bool,
    verbose: bool,
    quiet: bool,
) -> None:
    """Name the best blind for each hour of a forecast, and the chance that the choice holds."""
    from sitegeo.cli.telling_winds import tell_hours
    from sitegeo.hours import hours, to_json
    from sitegeo.law.daylight import read_when
    from sitegeo.survey import Survey
    from sitegeo.weather.files import read_winds

    opened = Survey.open(survey)
    zone = opened.record["zone"]
    first, last = (None if t is None else read_when(t, zone) for t in (start, end))
    winds = read_winds(forecast, at=opened.grid.centre_latlon).in_zone(zone)
    with options.progress(quiet=quiet or as_json) as doing:
        doing("sweeping the winds")
        found = hours(
            opened,
            winds,
            start=first,
            end=last,
            draws=draws,
            law=options.read_law_option(law),
        )
    if as_json:
        click.echo(json.dumps(to_json(found), indent=1, ensure_ascii=False))
        return
    tell_hours(found, opened, units=units, verbose=verbose, quiet=quiet)
