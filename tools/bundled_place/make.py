"""Make the demo place from the command line: ``python -m bundled_place.make --out FOLDER``."""

from __future__ import annotations

from pathlib import Path

import click

from . import make_place


@click.command()
@click.option("--seed", default=7, show_default=True, help="Another seed, another place.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder to write into.")
def main(seed: int, out: Path) -> None:
    """Make the invented demo place in a folder."""
    click.echo(make_place(out, seed=seed))


if __name__ == "__main__":
    main()
