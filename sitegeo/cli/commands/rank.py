"""sitegeo rank."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sitegeo.cli import options


@click.command("rank")
@options.folder_argument("survey")
@options.wind
@options.when
@options.air
@options.top(10)
@options.hide
@options.water
@options.answer_options
def command(
    *,
    survey: Path,
    wind: str,
    when: str | None,
    air_c: float | None,
    top: int,
    hide: Any,
    water: str | None,
    how: options.AnswerOptions,
) -> None:
    """Rank the blinds of a SURVEY folder for a wind, and say why."""
    from sitegeo.cli.report.answers import print_ranking
    from sitegeo.core.wind import Wind
    from sitegeo.law.daylight import read_when
    from sitegeo.rankings.chosen_hide import chosen_hides, hides_off_survey
    from sitegeo.rankings.ranking import rank
    from sitegeo.rankings.record import ranking_record
    from sitegeo.surveys.survey import Survey

    blowing = Wind.parse(wind)
    opened = options.survey_at_water_level(Survey.open(survey), water, quiet=how.quiet)
    moment = None if when is None else read_when(when, opened.record["zone"])
    chosen = None if hide is None else chosen_hides(opened, hide)
    for words in () if hide is None else hides_off_survey(opened, hide):
        options.say(f"{words}.", quiet=how.quiet)
    ranking = rank(opened, blowing, when=moment, law=how.chosen_law, candidates=chosen)
    if how.as_json:
        options.print_json(ranking_record(ranking, top=top, air_c=air_c))
        return
    print_ranking(
        ranking,
        opened,
        top=top,
        units=how.units,
        air_c=air_c,
        verbose=how.verbose,
        quiet=how.quiet,
    )
