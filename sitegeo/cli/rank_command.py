"""sitegeo rank."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sitegeo.cli import options


@click.command("rank")
@options.folder_argument("survey")
@options.wind
@options.when
@click.option("--top", type=click.IntRange(1), default=10, show_default=True, help="How many.")
@options.law
@options.units
@options.as_json
@options.verbose
@options.quiet
def command(
    *,
    survey: Path,
    wind: str,
    when: str | None,
    top: int,
    law: Path | None,
    units: str,
    as_json: bool,
    verbose: bool,
    quiet: bool,
) -> None:
    """Rank the blinds of a SURVEY folder for a wind, and say why."""
    from sitegeo.cli.telling import tell_ranking
    from sitegeo.law.daylight import read_when
    from sitegeo.ranking import rank, to_json
    from sitegeo.survey import Survey
    from sitegeo.wind import Wind

    blowing = Wind.parse(wind)
    opened = Survey.open(survey)
    moment = None if when is None else read_when(when, opened.record["zone"])
    ranking = rank(opened, blowing, when=moment, law=options.read_law_option(law))
    if as_json:
        click.echo(json.dumps(to_json(ranking, top=top), indent=1, ensure_ascii=False))
        return
    tell_ranking(ranking, opened, top=top, units=units, verbose=verbose, quiet=quiet)
