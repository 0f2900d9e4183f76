"""sitegeo demo."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options

DEMO_TIME = "2026-12-05T06:40"
"""The hour that the demo plans for: before sunrise in the season."""


@click.command("demo")
@options.out("sitegeo-demo")
@click.option("--wind", default="NW 12 mph", show_default=True, metavar="WIND")
@options.overwrite
@options.verbose
@options.quiet
def command(*, out: Path, wind: str, overwrite: bool, verbose: bool, quiet: bool) -> None:
    """Survey the bundled, invented place, rank its blinds and plan the best one."""
    from sitegeo.cli.commands import survey
    from sitegeo.cli.report.answers import print_plan, print_ranking
    from sitegeo.core.output import require_free
    from sitegeo.core.wind import Wind
    from sitegeo.law.daylight import read_when
    from sitegeo.places.bundled import bundled_place_file
    from sitegeo.plans.plan import PLAN_MARKER, plan
    from sitegeo.surveys.survey import Survey

    blowing = Wind.parse(wind)
    survey_out, plan_out = out / "survey", out / "plan"
    require_free(plan_out.absolute(), PLAN_MARKER, overwrite=overwrite)
    survey.run(bundled_place_file(), survey_out, law=None, overwrite=overwrite, quiet=quiet)
    opened = Survey.open(survey_out)
    moment = read_when(DEMO_TIME, opened.record["zone"])
    with options.show_progress(quiet=quiet) as show:
        show("laying the spread")
        made = plan(opened, blowing, when=moment)
        made.save(plan_out, overwrite=overwrite)
    print_ranking(made.ranking, opened, top=10, units="yd", verbose=verbose, quiet=quiet)
    print_plan(made, plan_out, units="yd", quiet=quiet)
