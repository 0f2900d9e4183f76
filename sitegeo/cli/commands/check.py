"""sitegeo check."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options
from sitegeo.cli.exit_codes import NOT_CLEAR


@click.command("check")
@click.argument("folder", type=options.PATH, required=False)
@click.option("--at", type=options.LatLonParam(), metavar="LAT,LON", help="One spot instead.")
@options.when
@click.option(
    "--law-schema", is_flag=True, help="Print the JSON Schema of LAW.toml and check nothing."
)
@options.answer_options
def command(
    *,
    folder: Path | None,
    at: tuple[float, float] | None,
    when: str | None,
    law_schema: bool,
    how: options.AnswerOptions,
) -> int:
    """Check a survey's blinds, a plan's hide, groups and way in, or one spot.

    Setbacks, public ground, hunting, closed areas, and the fall of shot, which fails only with no
    arc left to shoot in. Exit 0 only if a law is chosen and everything is clear, else 3. Clear is
    clear of the mapped features only: look around before you load.
    """
    if law_schema:
        from sitegeo.law.rules import law_schema as schema

        options.print_json(schema())
        return 0
    from sitegeo.cli.report.answers import print_check
    from sitegeo.law.daylight import read_day
    from sitegeo.plans.check import check_folder, check_spot

    chosen = how.chosen_law
    on = None if when is None else read_day(when)
    if folder is not None:
        found = check_folder(folder, law=chosen, at=at, on=on)
    elif at is not None:
        found = check_spot(at, law=chosen, on=on)
    else:
        raise click.UsageError("Give a SURVEY or PLAN folder, or --at LAT,LON.")
    if how.as_json:
        options.print_json(found.to_json())
    else:
        print_check(found, units=how.units, verbose=how.verbose, quiet=how.quiet)
    return 0 if found.overall == "clear" else NOT_CLEAR
