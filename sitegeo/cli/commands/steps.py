"""sitegeo steps."""

from __future__ import annotations

import json

import click

from sitegeo.cli import options


@click.command("steps")
@options.as_json
def command(*, as_json: bool) -> None:
    """List the analysis steps installed, what each needs, may use and makes."""
    from sitegeo.cli.report.tables import print_table
    from sitegeo.surveys.pipeline import every_step

    order = every_step()
    if as_json:
        rows = [
            {
                "name": s.name,
                "package": s.package,
                "needs": list(s.needs),
                "uses": list(s.uses),
                "makes": list(s.made),
                "summary": s.summary,
            }
            for s in order
        ]
        click.echo(json.dumps(rows, indent=1))
        return
    print_table(
        [
            ("step", "left"),
            ("from", "left"),
            ("needs", "left"),
            ("may use", "left"),
            ("makes", "left"),
        ],
        [
            (s.name, s.package, ", ".join(s.needs), ", ".join(s.uses), ", ".join(s.made))
            for s in order
        ],
    )
