"""sitegeo check."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options

NOT_CLEAR = 3


@click.command("check")
@click.argument("folder", type=click.Path(path_type=Path), required=False)
@click.option("--at", type=options.LatLon(), metavar="LAT,LON", help="One spot instead.")
@options.answering
def command(
    *,
    folder: Path | None,
    at: tuple[float, float] | None,
    how: options.How,
) -> int:
    """Check setbacks of a survey's blinds, a plan's hide and groups, or one spot.

    Exit 0 only if a law is chosen and everything is clear, else 3. Clear is clear of the mapped
    features only: look around before you load.
    """
    from sitegeo.checking import check_folder, check_spot
    from sitegeo.cli.telling import tell_check

    chosen = how.chosen_law
    if folder is not None:
        found = check_folder(folder, law=chosen, at=at)
    elif at is not None:
        found = check_spot(at, law=chosen)
    else:
        raise click.UsageError("Give a SURVEY or PLAN folder, or --at LAT,LON.")
    if how.as_json:
        options.print_json(found.to_json())
    else:
        tell_check(found, units=how.units, verbose=how.verbose, quiet=how.quiet)
    return 0 if found.overall == "clear" else NOT_CLEAR
