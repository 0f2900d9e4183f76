"""sitegeo scan."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sitegeo.cli import options
from sitegeo.cli.exit_codes import NOT_CLEAR

if TYPE_CHECKING:
    from sitegeo.scan.scanning import Scan

_BYTES = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9, "ki": 2.0**10, "mi": 2.0**20, "gi": 2.0**30}


class MemoryParam(options.TextParam[int]):
    """A number of bytes: 4GB, 3.5GiB, 800MB."""

    name = "SIZE"

    def read(self, text: str) -> int:
        match = re.fullmatch(r"([\d.]+)\s*([kmg]?i?)b?", text.lower())
        try:
            return int(float(match[1]) * _BYTES[match[2]])  # type: ignore[index]
        except (TypeError, ValueError, KeyError):
            raise ValueError("is not an amount of memory such as 4GB") from None


@click.command("scan")
@click.argument("region", type=options.PATH, metavar="REGION.toml")
@options.out()
@click.option(
    "--wind", metavar="WIND", help='Rank for this wind: "NW 12 mph". Without it nothing is ranked.'
)
@options.when
@click.option(
    "--winds",
    type=options.PATH,
    metavar="FILE",
    help="Past winds: tell the share of mornings on which each blind works.",
)
@click.option("--workers", type=click.IntRange(1), help="Worker processes; by default one a core.")
@click.option(
    "--memory", type=MemoryParam(), help="For each worker, e.g. 4GB; tiles are cut to fit."
)
@click.option("--scheduler", metavar="ADDRESS", help="Use a running Dask cluster instead.")
@options.top(10)
@click.option("--overwrite", is_flag=True, help="Start afresh; otherwise only what is missing.")
@options.answer_options
def command(
    *,
    region: Path,
    out: Path,
    wind: str | None,
    when: str | None,
    winds: Path | None,
    workers: int | None,
    memory: int | None,
    scheduler: str | None,
    top: int,
    overwrite: bool,
    how: options.AnswerOptions,
) -> int:
    """Survey every water of a region, tile by tile, and rank the blinds of all of them together.

    Run again, it does only what is missing. Exit 3 where a tile could not be read: its blinds
    are missing, which is not clear.
    """
    from sitegeo.core.wind import Wind
    from sitegeo.law.daylight import read_when
    from sitegeo.scan import cluster
    from sitegeo.scan.judging import ScanQuery
    from sitegeo.scan.region import read_region
    from sitegeo.scan.scanning import scan
    from sitegeo.weather.files import read_winds

    if scheduler is not None and (workers is not None or memory is not None):
        raise click.UsageError("--workers and --memory are of a local cluster, not --scheduler's.")
    if when is not None and wind is None:
        raise click.UsageError("Give --wind with --when.")
    blowing = None if wind is None else Wind.parse(wind)
    cluster.require_dask()
    described = read_region(region, law=how.chosen_law)
    asked = ScanQuery(
        blowing,
        None if when is None else read_when(when, described.file.place.zone),
        None
        if winds is None
        else read_winds(winds, at=described.grid.centre_latlon).in_zone(described.file.place.zone),
    )
    for file, reason in described.faults:
        options.say(f"Left out: {reason}" if reason.startswith(file) else f"{file}: {reason}")
    with (
        cluster.open_client(address=scheduler, workers=workers, memory_bytes=memory) as client,
        _show_progress(quiet=how.quiet) as show,
    ):
        options.say(f"Dashboard: {client.dashboard_link}", quiet=how.quiet)
        found = scan(described, out, client, asked=asked, overwrite=overwrite, progress=show)
    if how.as_json:
        options.print_json(_to_json(found, out, top))
    else:
        _print_scan(found, out, top=top, wind=wind, how=how)
    return NOT_CLEAR if found.missing or described.faults else 0


@contextmanager
def _show_progress(*, quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Give a function that shows how far the scan is, on a terminal or to a program."""
    if os.environ.get("SITEGEO_PROGRESS"):
        yield lambda what, done, of: options.say(
            f"{options.PROGRESS_MARK} {done / of:.3f} {what} {done} of {of}"
        )
        return
    if quiet or not sys.stderr.isatty():
        yield lambda _what, _done, _of: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True)) as bars:
        shown: dict[str, Any] = {}

        def show(what: str, done: int, of: int) -> None:
            if what not in shown:
                shown[what] = bars.add_task(what, total=of)
            bars.update(shown[what], completed=done)

        yield show


def _print_scan(
    found: Scan, out: Path, *, top: int, wind: str | None, how: options.AnswerOptions
) -> None:
    from sitegeo.angles import compass_point
    from sitegeo.cli.report.answers import print_law, setback_words
    from sitegeo.cli.report.tables import print_table

    merged = found.found
    blinds = merged.blinds
    fit = blinds[blinds["rejected_by"].isna()] if len(blinds) else blinds
    share = "share" in fit
    if wind is not None and len(fit):
        heads = ("", "blind", "kind", "faces", "water", "score", "why", "setbacks", "survey")
        rows = [
            (
                str(row["rank"]),
                row["id"],
                row["kind"],
                f"{row['facing_deg']:.0f}° {compass_point(row['facing_deg'])}",
                row["water"],
                f"{row['score']:.2f}" + (f", {row['share']:.0%} of mornings" if share else ""),
                row["why"],
                setback_words(merged.verdicts, row["id"], how.units),
                row["survey"],
            )
            for _, row in fit.head(top).iterrows()
        ]
        print_table([(h, "left") for h in heads], rows, title=found.region.file.title)
        options.say(
            f'To plan one: sitegeo plan {out / fit.iloc[0]["survey"]} --wind "{wind}" '
            f"--blind {fit.iloc[0]['id']} --out PLAN",
            quiet=how.quiet,
        )
    tiles = ", ".join(f"{n} {state}" for state, n in found.counts().items() if n)
    options.say(
        f"{len(fit)} blinds and {len(blinds) - len(fit)} ruled out, on {len(merged.waters)} "
        f"waters. Tiles: {tiles}. Written to {out}",
        quiet=how.quiet,
    )
    for tile in found.missing:
        options.say(f"  {tile.name} {tile.state}, its blinds are missing: {tile.reason}")
    print_law(found.region.law, quiet=how.quiet)
    click.echo(f"map     {out / 'overview.png'}")
    click.echo(f"blinds  {out / 'blinds.gpkg'}")


def _to_json(found: Scan, out: Path, top: int) -> dict[str, Any]:
    """Return the object that --json prints."""
    from shapely import get_coordinates

    from sitegeo.core.grid import WGS84

    blinds = found.found.blinds
    fit = blinds[blinds["rejected_by"].isna()] if len(blinds) else blinds
    best = fit.head(top)
    degrees = get_coordinates(best.geometry.to_crs(WGS84)).round(7).tolist()
    keys = ("id", "kind", "facing_deg", "score", "share", "water", "why", "survey", "ground")
    rows = [
        {
            "lon": lon,
            "lat": lat,
            **{key: row[key] for key in keys if key in row},
        }
        for (lon, lat), (_, row) in zip(degrees, best.iterrows(), strict=True)
    ]
    return {
        "schema": "sitegeo/scan/1",
        "out": str(out),
        "counts": found.counts(),
        "waters": len(found.found.waters),
        "blinds": rows,
        "missing": [{"tile": t.name, "state": t.state, "reason": t.reason} for t in found.missing],
    }
