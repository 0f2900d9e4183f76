"""sitegeo qgis."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sitegeo.cli import options


@click.command("qgis")
@click.option(
    "--into",
    type=options.PATH,
    metavar="FOLDER",
    help="The plugin folder of a QGIS profile.",
)
@click.option("--describe", is_flag=True, help="Print what there is to run, as JSON.")
@options.quiet
def command(*, into: Path | None, describe: bool, quiet: bool) -> None:
    """Install the processing provider for QGIS 3.22 and later, or print what it would offer.

    The provider runs sitegeo from this environment. In QGIS, Settings, User Profiles, Open Active
    Profile Folder shows the profile; the plugins lie in python/plugins in it.
    """
    if describe:
        from sitegeo.cli import COMMANDS, cli
        from sitegeo.cli.exit_codes import ANSWERS
        from sitegeo.qgis.description import describe_commands

        context = click.Context(cli)
        found = {name: cli.get_command(context, name) for name in COMMANDS}
        verbs = {name: verb for name, verb in found.items() if verb is not None}
        click.echo(json.dumps(describe_commands(verbs, ANSWERS), ensure_ascii=False))
        return
    if into is None:
        raise click.UsageError("Give --into FOLDER, or --describe.")
    from sitegeo.qgis.install import install_plugin

    out = install_plugin(into)
    click.echo(f"plugin  {out}")
    options.say(
        "Switch it on under Plugins, Manage and Install Plugins, Installed; the algorithms are in "
        "the Processing Toolbox. Run this again after moving sitegeo to another environment.",
        quiet=quiet,
    )
