"""The command line: one thin file a command, imported only when it is called."""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import sys
import warnings
from collections.abc import Sequence
from typing import Any

import click

from sitegeo._version import __version__
from sitegeo.cli.exit_codes import FAILED, INTERRUPTED
from sitegeo.errors import SitegeoError

COMMANDS = {
    "demo": "Run the main job on the bundled place.",
    "gather": "Fetch open data around a spot and write a place to survey.",
    "survey": "Read a place once: cover, shore, positions, blinds.",
    "rank": "Rank the blinds of a survey for a wind.",
    "plan": "Lay the spread for one blind; write map, GPS files and notes.",
    "hours": "Best blind for each hour of a forecast, and whether the choice holds.",
    "season": "Share of past mornings on which each blind works; the best pair and trio.",
    "shift": "Say what to move on a plan when the wind turns.",
    "check": "Check setbacks alone; exit 0 only if a law is chosen and all is clear.",
    "scan": "Survey a whole region tile by tile and rank the blinds of all its waters.",
    "qgis": "Install the processing provider for QGIS.",
    "steps": "List the analysis steps installed.",
    "step": "Run one analysis step by itself.",
}


_ALLOCATIONS_A_COLLECTION = 50_000
"""New objects before garbage is looked for."""

_LIBRARY_WARNINGS = ("Dataset has no geotransform", "The dataset's nodata attribute is shadowing")
"""What a library would say of a raster: it is refused, or read, in words of our own."""


class _LazyGroup(click.Group):
    """A group that imports a command's module when it is called, so that --help is quick."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"sitegeo.cli.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="sitegeo")
def cli() -> None:
    """Scout public water, choose a blind for the wind, check setbacks, carry the plan.

    sitegeo proposes; local law, the landowner and the managing agency decide.
    """


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line; errors become one paragraph and an exit code."""
    if args is None:
        _collect_seldom()
    for words in _LIBRARY_WARNINGS:
        warnings.filterwarnings("ignore", words)
    try:
        result: Any = cli.main(args, standalone_mode=False)
        sys.exit(result if isinstance(result, int) else 0)
    except SitegeoError as error:
        _say(str(error))
        sys.exit(error.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        _say("Interrupted; nothing was replaced.")
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(FAILED)
    except Exception as error:
        if os.environ.get("SITEGEO_TRACEBACK"):
            raise
        _say(
            f"sitegeo met something it did not expect ({type(error).__name__}: {error}). "
            "Earlier results are untouched. Run again with SITEGEO_TRACEBACK=1 for the details, "
            "and report them."
        )
        sys.exit(FAILED)


def _collect_seldom() -> None:
    """Look for garbage seldom, and not at exit: nearly all a command imports and makes is kept."""
    gc.set_threshold(_ALLOCATIONS_A_COLLECTION)
    atexit.register(gc.freeze)


def _say(text: str) -> None:
    click.echo(f"sitegeo: {text}", err=True)
