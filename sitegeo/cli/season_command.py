"""sitegeo season."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from sitegeo.cli import options


class HourRange(click.ParamType[range]):
    """FIRST-LAST, hours of the day."""

    name = "FIRST-LAST"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> range:
        if isinstance(value, range):
            return value
        match = re.fullmatch(r"(\d{1,2})(?:-(\d{1,2}))?", str(value).strip())
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not 0 <= first <= last <= 23:
            self.fail(f"'{value}' is not hours of the day FIRST-LAST, such as 5-9", param, ctx)
        return range(first, last + 1)


@click.command("season")
@options.folder_argument("survey")
@click.option(
    "--winds",
    type=click.Path(path_type=Path),
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
@click.option("--top", type=click.IntRange(1), default=12, show_default=True, help="How many.")
@options.answering
def command(
    *,
    survey: Path,
    winds: Path,
    hours: range,
    top: int,
    how: options.How,
) -> None:
    """Tell on what share of past mornings each blind works, and which few cover the most."""
    from sitegeo.cli.telling_winds import found_for, tell_season
    from sitegeo.season import season, to_json

    found, opened = found_for(
        survey, winds, how, lambda at, past: season(at, past, hours=hours, law=how.chosen_law)
    )
    if how.as_json:
        options.print_json(to_json(found))
        return
    tell_season(found, opened, how, top=top)
