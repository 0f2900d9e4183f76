"""sitegeo demo."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options

WHEN = "2026-12-05T06:40"


@click.command("demo")
@options.out("sitegeo-demo")
@click.option("--wind", default="NW 12 mph", show_default=True, metavar="WIND")
@options.overwrite
@options.verbose
@options.quiet
def command(*, out: Path, wind: str, overwrite: bool, verbose: bool, quiet: bool) -> None:
    """Survey the bundled, invented place, rank its blinds and plan the best one."""
    from sitegeo.bundled import place_file
    from sitegeo.cli import survey_command
    from sitegeo.cli.telling import tell_plan, tell_ranking
    from sitegeo.folders import require_free
    from sitegeo.law.daylight import read_when
    from sitegeo.plan import MARKER, plan
    from sitegeo.survey import Survey
    from sitegeo.wind import Wind

    blowing = Wind.parse(wind)
    survey_out, plan_out = out / "survey", out / "plan"
    require_free(plan_out.absolute(), MARKER, overwrite=overwrite)
    survey_command.run(place_file(), survey_out, law=None, overwrite=overwrite, quiet=quiet)
    opened = Survey.open(survey_out)
    moment = read_when(WHEN, opened.record["zone"])
    with options.progress(quiet=quiet) as show:
        show("laying the spread")
        made = plan(opened, blowing, when=moment)
        made.save(plan_out, overwrite=overwrite)
    tell_ranking(made.ranking, opened, top=10, units="yd", verbose=verbose, quiet=quiet)
    tell_plan(made, plan_out, units="yd", quiet=quiet)
