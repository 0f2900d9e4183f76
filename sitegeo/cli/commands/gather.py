"""sitegeo gather."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sitegeo.cli import options

if TYPE_CHECKING:
    from sitegeo.gather.client import Client
    from sitegeo.gather.gathering import Gathered
    from sitegeo.gather.sources import DataSource


class LengthParam(options.TextParam[float]):
    """A length with its unit, in metres."""

    name = "LENGTH"

    def read(self, text: str) -> float:
        from sitegeo.errors import UsageError
        from sitegeo.units import metres

        match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([A-Za-z]+)", text)
        try:
            if match:
                return metres(float(match[1]), match[2])
        except UsageError:
            pass
        raise ValueError("is not a length with its unit, such as 2km or 1mi")


@click.command("gather")
@click.option("--at", type=options.LatLonParam(), metavar="LAT,LON", help="The spot, in degrees.")
@click.option(
    "--radius", type=LengthParam(), default="2km", show_default=True, help="How far around."
)
@click.option("--out", type=options.PATH, metavar="DIR", help="Folder to write.")
@click.option("--title", metavar="NAME", help="Name of the place.")
@click.option(
    "--finest",
    type=LengthParam(),
    default="1m",
    show_default=True,
    help="No finer pixels are fetched.",
)
@click.option(
    "--osm",
    type=options.PATH,
    metavar="FILE",
    help="An OpenStreetMap extract (.osm.pbf) to read in place of asking for it.",
)
@click.option(
    "--sources",
    "own",
    type=options.PATH,
    multiple=True,
    metavar="FILE.toml",
    help="Sources of your own, asked before those shipped.",
)
@click.option(
    "--forecast",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.csv",
    help="Write the forecast there; without --out nothing else is fetched.",
)
@click.option("--offline", is_flag=True, help="Fetch nothing; use what was fetched before.")
@click.option("--fresh", is_flag=True, help="Ask again for what was fetched before.")
@click.option(
    "--cache",
    type=options.PATH,
    envvar="SITEGEO_CACHE",
    metavar="DIR",
    help="Where answers are kept.",
)
@click.option(
    "--contact",
    envvar="SITEGEO_CONTACT",
    default="",
    metavar="EMAIL",
    help="Told to the services, which like to know whom to write to.",
)
@click.option("--list", "listing", is_flag=True, help="List the sources and their terms.")
@options.overwrite
@options.as_json
@options.quiet
def command(
    *,
    at: tuple[float, float] | None,
    radius: float,
    out: Path | None,
    title: str | None,
    finest: float,
    osm: Path | None,
    own: tuple[Path, ...],
    forecast: Path | None,
    offline: bool,
    fresh: bool,
    cache: Path | None,
    contact: str,
    listing: bool,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Fetch open data around a spot and write a place to survey.

    What cannot be had is said, and counts as not given: a verdict that needs it is then
    "not checked". Answers are kept, so that a run that was cut short goes on where it stopped.
    """
    from sitegeo.gather import require_extra

    require_extra()
    from sitegeo.gather.gathering import PLACE_ROLES, gather
    from sitegeo.gather.sources import GatherArea, list_sources
    from sitegeo.gather.writing import gather_record, write_gathered

    listed = list_sources(own)
    if listing:
        _print_sources(listed)
        return
    if at is None or (out is None and forecast is None):
        raise click.UsageError(
            "Give --at LAT,LON with --out DIR or --forecast FILE.csv; or --list."
        )
    if offline and fresh:
        raise click.UsageError("Give --offline or --fresh, not both.")
    area = GatherArea(*at, radius)
    roles = (PLACE_ROLES if out else frozenset()) | ({"forecast"} if forecast else set())
    _require_free_outputs(out, forecast, overwrite=overwrite)
    with (
        _opened_client(cache, offline=offline, fresh=fresh, contact=contact) as client,
        _show_progress(client, quiet=quiet or as_json) as show,
    ):
        found = gather(
            area, listed, client, roles=roles, finest_m=finest, osm=osm,
            on_source=lambda source: show(source.title),
        )  # fmt: skip
        if out is not None:
            show("writing")
            named = title or f"{area.lat:.4f}, {area.lon:.4f}"
            write_gathered(found, out, title=named, finest_m=finest, overwrite=overwrite)
    if forecast is not None:
        _write_forecast(found, forecast)
    if as_json:
        click.echo(json.dumps(gather_record(found), indent=1, ensure_ascii=False))
    else:
        _print_gathered(found, client, out, forecast, quiet=quiet)


@contextmanager
def _opened_client(
    cache: Path | None, *, offline: bool, fresh: bool, contact: str
) -> Iterator[Client]:
    """Give a client on the machine's clock, closed at the end."""
    import time
    from datetime import UTC, datetime

    from sitegeo.gather.cache import Cache
    from sitegeo.gather.client import Client

    client = Client(
        Cache(cache or Path(click.get_app_dir("sitegeo")) / "cache"),
        now=lambda: datetime.now(UTC),
        clock=time.monotonic,
        sleep=time.sleep,
        offline=offline,
        fresh=fresh,
        contact=contact,
    )
    try:
        yield client
    finally:
        client.close()


@contextmanager
def _show_progress(client: Client, *, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show the source that is asked and the bytes that arrive, on a terminal only."""
    if quiet or not sys.stderr.isatty():
        yield lambda _text: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        Progress,
        TextColumn,
        TransferSpeedColumn,
    )

    columns = (
        TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TransferSpeedColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("asking", total=None)
        client.on_bytes = lambda count: bars.advance(task, count)
        yield lambda text: bars.update(task, description=text)


def _require_free_outputs(out: Path | None, forecast: Path | None, *, overwrite: bool) -> None:
    """Refuse before anything is fetched what could not be written afterwards."""
    from sitegeo.core.output import require_free
    from sitegeo.errors import OutputError
    from sitegeo.gather.writing import GATHER_RECORD

    if out is not None:
        require_free(out.absolute(), GATHER_RECORD, overwrite=overwrite)
    if forecast is None:
        return
    if forecast.exists() and not overwrite:
        raise OutputError("exists", where=forecast, remedy="Add --overwrite to replace it")
    if not forecast.absolute().parent.is_dir():
        raise OutputError("its folder does not exist", where=forecast)


def _write_forecast(found: Gathered, path: Path) -> None:
    from sitegeo.errors import GatherError
    from sitegeo.weather.files import winds_csv

    if found.forecast is None:
        raise GatherError(f"no forecast was found ({found.reasons['forecast']})")
    source = next(part.source for part in found.parts if "forecast" in part.layers)
    credit = f"{source.attribution} ({source.licence})"
    text = winds_csv(found.forecast.in_zone(found.zone), credit=credit)
    path.write_text(text, encoding="utf-8")


def _print_sources(listed: Sequence[DataSource]) -> None:
    from sitegeo.cli.report.tables import print_table

    heads = ("source", "gives", "licence", "asked by", "title")
    print_table(
        [(name, "left") for name in heads],
        [(s.id, ", ".join(s.gives), s.licence, s.service, s.title) for s in listed],
    )


def _print_gathered(
    found: Gathered, client: Client, out: Path | None, forecast: Path | None, *, quiet: bool
) -> None:
    for part in found.parts:
        day = f", taken {part.taken}" if part.taken else ""
        options.say(f"{', '.join(part.layers)}: {part.source.title}{day}", quiet=quiet)
        options.say(f"  {part.source.attribution} ({part.source.licence})", quiet=quiet)
        for note in part.notes:
            options.say(f"  {note}", quiet=quiet)
    for role, why in found.reasons.items():
        options.say(f"no {role.replace('_', ' ')}: {why}", quiet=quiet)
    options.say(
        f"{client.fetched_bytes / 1e6:.1f} MB fetched in {client.requests} requests.", quiet=quiet
    )
    if forecast is not None:
        click.echo(f"forecast  {forecast}")
    if out is not None:
        click.echo(f"place     {out / 'place.toml'}")
        options.say(f"Next: sitegeo survey {out / 'place.toml'} --out SURVEY", quiet=quiet)
