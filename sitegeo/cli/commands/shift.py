"""sitegeo shift."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sitegeo.cli import options


@click.command("shift")
@options.folder_argument("plan")
@options.wind
@options.units
@options.as_json
@options.quiet
def command(*, plan: Path, wind: str, units: str, as_json: bool, quiet: bool) -> None:
    """Say what to move on a PLAN folder when the wind has turned."""
    from typing import cast

    from sitegeo.core.wind import Wind
    from sitegeo.plans.shift import SHIFT_SCHEMA, shift_plan, shift_record
    from sitegeo.units import LengthUnit

    lengths = cast("LengthUnit", units)
    blowing = Wind.parse(wind)
    found = shift_plan(plan, blowing, lengths)
    if as_json:
        record = {"schema": SHIFT_SCHEMA, **shift_record(found, blowing.from_deg, lengths)}
        click.echo(json.dumps(record, indent=1, ensure_ascii=False))
        return
    click.echo(found.verdict)
    for move in found.moves:
        click.echo(f"  {move.words(lengths)}")
    for caution in found.cautions:
        options.say(f"{caution}.", quiet=quiet)
