"""sitegeo plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import click

from sitegeo.cli import options


@click.command("plan")
@options.folder_argument("survey")
@options.wind
@click.option("--blind", metavar="ID", help="Blind to plan; by default the best-ranked one.")
@options.hide
@options.water
@click.option("--decoys", type=click.IntRange(0, 120), help="How many to set.")
@click.option(
    "--far-group",
    is_flag=True,
    help="Set some decoys 30 yd out and more, to hold distant birds: it means long shots.",
)
@options.when
@options.air
@options.law
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4"]),
    default="letter",
    show_default=True,
    help="What the cards are printed on.",
)
@click.option("--print", "as_text", is_flag=True, help="Print the plan as plain text.")
@options.out()
@options.overwrite
@options.units
@options.quiet
def command(
    *,
    survey: Path,
    wind: str,
    blind: str | None,
    hide: Any,
    water: str | None,
    decoys: int | None,
    far_group: bool,
    when: str | None,
    air_c: float | None,
    law: Path | None,
    paper: Literal["letter", "a4"],
    as_text: bool,
    out: Path,
    overwrite: bool,
    units: str,
    quiet: bool,
) -> None:
    """Lay the spread for one blind of a SURVEY folder and write what to carry."""
    from sitegeo.cli.report.answers import print_plan
    from sitegeo.core.output import require_free
    from sitegeo.core.wind import Wind
    from sitegeo.law.daylight import read_when
    from sitegeo.plans.plan import PLAN_MARKER, plan
    from sitegeo.rankings.chosen_hide import hides_off_survey
    from sitegeo.surveys.survey import Survey

    if blind and isinstance(hide, tuple):
        raise click.UsageError("Give --blind or --hide, not both.")
    blowing = Wind.parse(wind)
    require_free(out.absolute(), PLAN_MARKER, overwrite=overwrite)
    opened = options.survey_at_water_level(Survey.open(survey), water, quiet=True)
    moment = None if when is None else read_when(when, opened.record["zone"])
    with options.show_progress(quiet=quiet) as show:
        show("laying the spread")
        made = plan(
            opened,
            blowing,
            blind=blind,
            hide=hide,
            decoys=decoys,
            far_group=far_group or None,
            when=moment,
            law=options.read_chosen_law(law),
            air_c=air_c,
        )
        show("writing")
        made.save(out, overwrite=overwrite, paper=paper)
    for words in () if hide is None else hides_off_survey(opened, hide):
        options.say(f"{words}.", quiet=quiet)
    if as_text:
        from sitegeo.export.text import plan_text

        click.echo(plan_text(made.record), nl=False)
        return
    print_plan(made, out, units=units, quiet=quiet)
