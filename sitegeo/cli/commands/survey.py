"""sitegeo survey."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options


@click.command("survey")
@click.argument("place", type=options.PATH, metavar="PLACE.toml")
@options.out()
@options.law
@click.option("--no-atlas", is_flag=True, help="Leave out the wind atlas: some seconds less.")
@options.overwrite
@options.verbose
@options.quiet
def command(
    *,
    place: Path,
    out: Path,
    law: Path | None,
    no_atlas: bool,
    overwrite: bool,
    verbose: bool,
    quiet: bool,
) -> None:
    """Read a place once and write what does not depend on the wind.

    Needs imagery; water, tree heights, depth, roads, dwellings and public land make it better,
    and what is missing is said.
    """
    from sitegeo.cli.report.answers import print_survey

    run(place, out, law=law, overwrite=overwrite, quiet=quiet, atlas=not no_atlas)
    if not quiet:
        print_survey(out, verbose=verbose)


def run(
    place: Path,
    out: Path,
    *,
    law: Path | None,
    overwrite: bool,
    quiet: bool,
    atlas: bool = True,
) -> None:
    """Survey a place into a folder, taking unchanged steps from the survey it replaces."""
    from sitegeo.core.output import require_free
    from sitegeo.errors import SurveyError
    from sitegeo.places.place import read_place
    from sitegeo.surveys.record import SURVEY_MARKER
    from sitegeo.surveys.survey import Survey, survey

    require_free(out.absolute(), SURVEY_MARKER, overwrite=overwrite)
    previous = None
    if (out / SURVEY_MARKER).is_file():
        try:
            previous = Survey.open(out)
        except SurveyError as error:
            options.say(f"Starting afresh: {error}", quiet=quiet)
    chosen = options.read_chosen_law(law)
    with options.show_progress(quiet=quiet) as show:
        show("reading the place")
        found = read_place(place)
        made = survey(found, law=chosen, previous=previous, on_step=show)
        show("writing, and sweeping the wind atlas" if atlas else "writing")
        made.save(out, overwrite=overwrite, atlas=atlas)
