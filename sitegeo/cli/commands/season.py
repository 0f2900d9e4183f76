"""sitegeo season."""

from __future__ import annotations

import re
from pathlib import Path

import click

from sitegeo.cli import options


class HourRange(options.Worded[range]):
    """FIRST-LAST, hours of the day."""

    name = "FIRST-LAST"

    def read(self, text: str) -> range:
        match = re.fullmatch(r"(\d{1,2})(?:-(\d{1,2}))?", text)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not 0 <= first <= last <= 23:
            raise ValueError("is not hours of the day FIRST-LAST, such as 5-9")
        return range(first, last + 1)


@click.command("season")
@options.folder_argument("survey")
@click.option(
    "--winds",
    type=options.PATH,
    required=True,
    metavar="FILE",
    help="Past winds by the hour: CSV, ours or a weather station's.",
)
@click.option(
    "--hours",
    type=HourRange(),
    default="5-9",
    show_default=True,
    help="Hours of the day that make a morning, by the place's clock.",
)
@options.top(12)
@options.water
@options.answering
def command(
    *,
    survey: Path,
    winds: Path,
    hours: range,
    top: int,
    water: str | None,
    how: options.How,
) -> None:
    """Tell on what share of past mornings each blind works, and which few cover the most."""
    from sitegeo.cli.report.many_winds import found_for, tell_season
    from sitegeo.rankings.season import season, to_json

    found, opened = found_for(
        survey,
        winds,
        how,
        lambda at, past: season(at, past, hours=hours, law=how.chosen_law),
        water=water,
    )
    if how.as_json:
        options.print_json(to_json(found))
        return
    tell_season(found, opened, how, top=top)
