"""sitegeo season."""

from __future__ import annotations

import re
from pathlib import Path

import click

from sitegeo.cli import options


class HourRangeParam(options.TextParam[range]):
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
    type=HourRangeParam(),
    default="5-9",
    show_default=True,
    help="Hours of the day that make a morning, by the place's clock.",
)
@options.top(12)
@options.water
@options.answer_options
def command(
    *,
    survey: Path,
    winds: Path,
    hours: range,
    top: int,
    water: str | None,
    how: options.AnswerOptions,
) -> None:
    """Tell on what share of past mornings each blind works, and which few cover the most."""
    from sitegeo.cli.report.many_winds import open_survey_and_winds, print_season
    from sitegeo.rankings.season import season, season_record

    opened, past = open_survey_and_winds(survey, winds, water=water, quiet=how.quiet)
    with options.show_progress(quiet=how.quiet or how.as_json) as show:
        show("trying the winds")
        found = season(opened, past, hours=hours, law=how.chosen_law)
    if how.as_json:
        options.print_json(season_record(found))
        return
    print_season(found, opened, how, top=top)
