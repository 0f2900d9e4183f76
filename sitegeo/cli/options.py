"""Options that several commands share, each written once."""

from __future__ import annotations

import functools
import json
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

if TYPE_CHECKING:
    from sitegeo.law.rules import Law
    from sitegeo.surveys.survey import Survey
    from sitegeo.units import LengthUnit

PROGRESS_MARK = "@progress"
"""Begins a line of progress for a program that listens; a share of 0 to 1 may follow it."""

PATH = click.Path(path_type=Path)
"""A file or folder, which the command itself checks."""

_COLDEST_C, _HOTTEST_C = -70.0, 50.0
"""Air temperatures outside these are taken for a slip of the finger (judgement)."""

_Command = TypeVar("_Command", bound=Callable[..., Any])
_Value = TypeVar("_Value")


class TextParam(click.ParamType[_Value]):
    """A value read from what a person types; `read` raises `ValueError` with what is wrong."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> _Value:
        if not isinstance(value, str):
            return cast("_Value", value)
        try:
            return self.read(value.strip())
        except ValueError as error:
            self.fail(f"'{value}' {error}", param, ctx)

    def read(self, text: str) -> _Value:
        """Return the value of a text."""
        raise NotImplementedError


class LatLonParam(TextParam[tuple[float, float]]):
    """LAT,LON in degrees."""

    name = "LAT,LON"

    def read(self, text: str) -> tuple[float, float]:
        try:
            lat, lon = (float(part) for part in text.split(","))
        except ValueError:
            raise ValueError("is not two numbers LAT,LON, such as 44.91,-95.02") from None
        if not (-90 <= lat <= 90 and -180 <= lon <= 180):
            turned = -90 <= lon <= 90 and -180 <= lat <= 180
            hint = f"; write the latitude first: {lon},{lat}" * turned
            raise ValueError(f"is not a latitude and a longitude in degrees{hint}")
        return lat, lon


class HideParam(TextParam["tuple[float, float] | Path"]):
    """LAT,LON in degrees, or a GPX file of waypoints."""

    name = "LAT,LON or FILE.gpx"

    def read(self, text: str) -> tuple[float, float] | Path:
        return Path(text) if text.lower().endswith(".gpx") else LatLonParam().read(text)


class TemperatureParam(TextParam[float]):
    """An air temperature with its unit, as degrees Celsius."""

    name = "TEMP"

    def read(self, text: str) -> float:
        from sitegeo.units import celsius_from_fahrenheit

        match = re.fullmatch(r"([-+]?\d+(?:\.\d+)?)\s*°?\s*([CcFf])", text)
        if match is None:
            raise ValueError("is not a temperature with its unit, such as 28F or -2C")
        degrees = float(match[1])
        found = celsius_from_fahrenheit(degrees) if match[2] in "Ff" else degrees
        if not _COLDEST_C <= found <= _HOTTEST_C:
            raise ValueError("is no temperature of the air")
        return found


def folder_argument(name: str) -> Callable[[_Command], _Command]:
    """A results folder."""
    return click.argument(name, type=PATH)


def out(default: str | None = None) -> Callable[[_Command], _Command]:
    """--out, required where it has no default."""
    given: dict[str, Any] = (
        {"default": default, "show_default": True} if default else {"required": True}
    )
    return click.option("--out", type=PATH, metavar="DIR", help="Folder to write.", **given)


def top(default: int) -> Callable[[_Command], _Command]:
    """--top, how many are listed."""
    return click.option(
        "--top", type=click.IntRange(1), default=default, show_default=True, help="How many."
    )


wind = click.option(
    "--wind", metavar="WIND", required=True, help='Where it comes from and how fast: "NW 12 mph".'
)
when = click.option(
    "--when", metavar="TIME", help="Hour hunted, e.g. 2026-12-05T06:40 in the place's zone."
)
air = click.option(
    "--air",
    "air_c",
    type=TemperatureParam(),
    metavar="TEMP",
    help="Air temperature for the wind chill: 28F, -2C.",
)
law = click.option(
    "--law",
    type=PATH,
    metavar="LAW.toml",
    help="Your own law file; by default the one recorded in the survey.",
)
hide = click.option(
    "--hide",
    type=HideParam(),
    metavar="LAT,LON|FILE.gpx",
    help="A hide of your own, or the waypoints of a daylight visit.",
)
water = click.option(
    "--water",
    metavar="LEVEL",
    help="Water of the day: '-2 ft' or '+0.3 m' against the photo, or its stage, '246.2 m'.",
)
overwrite = click.option("--overwrite", is_flag=True, help="Replace earlier results.")
as_json = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines.")
units = click.option(
    "--units",
    type=click.Choice(["yd", "m"]),
    default="yd",
    show_default=True,
    help="Lengths in yards and mph, or metres and m/s.",
)


quiet = click.option("-q", "--quiet", is_flag=True, help="Say nothing but errors.")
verbose = click.option("-v", "--verbose", is_flag=True, help="Say more.")


@dataclass(frozen=True)
class AnswerOptions:
    """By which law a command judges, and how it prints its answer."""

    law: Path | None
    units: LengthUnit
    as_json: bool
    verbose: bool
    quiet: bool

    @property
    def chosen_law(self) -> Law | None:
        """The law given with --law, which is thereby chosen."""
        return read_chosen_law(self.law)


def answer_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--law, --units, --json, -v and -q, which the command gets as one `how`."""

    @functools.wraps(command)
    def gathered(
        *,
        law: Path | None,
        units: LengthUnit,
        as_json: bool,
        verbose: bool,
        quiet: bool,
        **others: Any,
    ) -> Any:
        return command(how=AnswerOptions(law, units, as_json, verbose, quiet), **others)

    for option in (quiet, verbose, as_json, units, law):
        gathered = option(gathered)
    return gathered


def print_json(answer: Mapping[str, Any]) -> None:
    """Print an object for machines."""
    click.echo(json.dumps(answer, indent=1, ensure_ascii=False))


def say(text: str, *, quiet: bool = False) -> None:
    """Say words to the person, on stderr."""
    if not quiet:
        click.echo(text, err=True)


@contextmanager
def show_progress(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Give a function that shows what is being done, on a terminal only.

    With `SITEGEO_PROGRESS` set it tells a line at a time instead, for a program that listens.
    """
    if os.environ.get("SITEGEO_PROGRESS"):
        yield lambda text: click.echo(f"{PROGRESS_MARK} {text}", err=True)
        return
    if quiet or not sys.stderr.isatty():
        yield lambda _text: None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:
        yield status.update


def survey_at_water_level(survey: Survey, level: str | None, *, quiet: bool) -> Survey:
    """Return a survey at the water of the day, and say what moved."""
    if level is None:
        return survey
    from sitegeo.surveys.water_level import read_water_change, water_level_words, with_water_level

    moved = with_water_level(survey, read_water_change(level, survey))
    for words in water_level_words(moved):
        say(f"{words}.", quiet=quiet)
    return moved


def read_chosen_law(path: Path | None) -> Law | None:
    """Return the law given with --law, which is thereby chosen, or None."""
    if path is None:
        return None
    from sitegeo.law.rules import read_law

    return read_law(path).as_chosen()
