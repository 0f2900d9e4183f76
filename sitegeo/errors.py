"""Every error sitegeo raises on purpose, on one page.

SitegeoError
├── UsageError            the words of a command or call are wrong (exit 2)
│   └── WindError         a wind that cannot be read
├── InputError            a file or a value in it is wrong (exit 1)
│   ├── PlaceError        PLACE.toml itself
│   ├── CrsError          no coordinate reference system, or the wrong one
│   ├── RasterError       imagery and other rasters
│   ├── LayerError        a layer that breaks its contract; lists every fault
│   ├── ForecastError     a forecast or record of past winds
│   └── LawError          LAW.toml
├── GatherError           open data that cannot be fetched, or an answer that cannot be used
├── StepError             a step that cannot be resolved or breaks its promise
├── OutputError           a folder that exists, or cannot be written
├── SurveyError           a folder that is not a survey or a plan
└── MissingExtraError     an optional package is not installed
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


class SitegeoError(Exception):
    """An error a person can act on.

    Parameters
    ----------
    what
        What is wrong, as the start of a sentence.
    where
        The file, layer or option concerned.
    value
        The offending value as it was given.
    remedy
        What to do about it.
    """

    exit_code = 1

    def __init__(
        self,
        what: str,
        *,
        where: object = None,
        value: object = None,
        remedy: str | None = None,
    ) -> None:
        self.what = what.rstrip(".")
        self.where = where
        self.value = value
        self.remedy = remedy
        super().__init__(str(self))

    def __reduce__(self) -> tuple[Any, ...]:
        # Rebuilt from its fields, so that it survives the trip from a worker process.
        return _rebuilt, (type(self), self.__dict__)

    def __str__(self) -> str:
        text = self.what
        if self.value is not None:
            text += f" (got {self.value!r})"
        if self.where is not None:
            text = f"{self.where}: {text}"
        text += "."
        if self.remedy:
            text += f" {self.remedy.rstrip('.')}."
        return text


def _rebuilt(kind: type[SitegeoError], fields: dict[str, Any]) -> SitegeoError:
    error = kind.__new__(kind)
    error.__dict__.update(fields)
    error.args = (str(error),)
    return error


class UsageError(SitegeoError):
    """The words of a command or a call are wrong."""

    exit_code = 2


class WindError(UsageError):
    """A wind that cannot be read."""


class InputError(SitegeoError):
    """A file, or a value in it, is wrong."""


class PlaceError(InputError):
    """PLACE.toml cannot be used."""


class CrsError(InputError):
    """A coordinate reference system is missing or does not fit."""


class RasterError(InputError):
    """Imagery or another raster cannot be used."""


class LayerError(InputError):
    """A layer cannot be used; `faults` lists everything wrong with it."""

    def __init__(
        self,
        layer: str,
        faults: Sequence[str],
        *,
        where: object = None,
        remedy: str | None = None,
    ) -> None:
        self.layer = layer
        self.faults = tuple(faults)
        super().__init__(
            f"layer '{layer}' cannot be used: " + "; ".join(self.faults),
            where=where,
            remedy=remedy,
        )


class ForecastError(InputError):
    """A forecast, or a record of past winds, cannot be read."""


class LawError(InputError):
    """LAW.toml cannot be used."""


class GatherError(SitegeoError):
    """Open data cannot be fetched, or a service's answer cannot be used."""


class StepError(SitegeoError):
    """A step cannot be resolved, or does not make what it promised."""


class OutputError(SitegeoError):
    """An output folder exists already or cannot be written."""


class SurveyError(SitegeoError):
    """A folder is not a survey or a plan, or holds no such blind."""


class MissingExtraError(SitegeoError):
    """An optional package is needed and not installed."""
