"""Sources of open data as data: what each gives, where it is, on what terms."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Annotated, Any

import geopandas as gpd
from affine import Affine
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pyproj import CRS, Transformer

from sitegeo.core.grid import WGS84
from sitegeo.core.inputs import RASTER_ROLES, VECTOR_ROLES
from sitegeo.core.models import read_toml
from sitegeo.core.typing import AnyArray, BoolArray, Bounds
from sitegeo.core.wind import Forecast
from sitegeo.errors import PlaceError, StepError, UsageError
from sitegeo.gather.client import Fetcher

SOURCE_GROUP = "sitegeo.sources"
"""Entry-point group through which packages offer a `Service`."""

SHIPPED_SOURCES = Path(__file__).with_name("sources.toml")
"""The sources that come with sitegeo."""

MAX_RADIUS_M = 10_000.0
"""Farthest a gathering reaches: beyond it a region scan is meant (judgement)."""

MIN_RADIUS_M = 50.0
"""Least that is gathered around a spot: a smaller ground holds no shore to hunt (judgement)."""

MAX_LATITUDE_DEG = 85.0
"""Beyond it a square around a spot has no fair extent in degrees (judgement)."""

RASTER_LAYERS = ("imagery", *(role for role in RASTER_ROLES if role != "landcover"))
"""Layers that are pictures; classes cannot be laid over one another as pictures are."""

EXTRA_ROLES = ("forecast", "zone")
"""What a source may give beside the layers of a place."""


def _known(gives: str) -> str:
    known = (*RASTER_LAYERS, *VECTOR_ROLES, *EXTRA_ROLES)
    if gives not in known:
        raise ValueError(f"no such layer; write one of {', '.join(known)}")
    return gives


_GivenRole = Annotated[str, AfterValidator(_known)]


@dataclass(frozen=True)
class GatherArea:
    """A spot in WGS 84 degrees, and how far around it is wanted in metres.

    Examples
    --------
    >>> west, south, east, north = GatherArea(44.0, -90.0, 1000.0).bounds()
    >>> round(north - south, 3), round(east - west, 3)
    (0.018, 0.025)
    """

    lat: float
    lon: float
    radius_m: float

    def __post_init__(self) -> None:
        if not (abs(self.lat) <= MAX_LATITUDE_DEG and -180 <= self.lon <= 180):
            raise UsageError("no such spot on the earth", value=(self.lat, self.lon))
        if not MIN_RADIUS_M <= self.radius_m <= MAX_RADIUS_M:
            raise UsageError(
                "a radius lies between 50 m and 10 km", where="--radius", value=self.radius_m
            )

    @property
    def local(self) -> CRS:
        """The projected CRS of the spot: metres east and north of it."""
        return CRS.from_user_input(
            f"+proj=aeqd +lat_0={self.lat} +lon_0={self.lon} +datum=WGS84 +units=m"
        )

    def bounds(self, crs: CRS = WGS84, *, margin_m: float = 0.0) -> Bounds:
        """Return west, south, east, north of the square around the spot in a CRS."""
        half = self.radius_m + margin_m
        to_crs = Transformer.from_crs(self.local, crs, always_xy=True)
        return to_crs.transform_bounds(-half, -half, half, half, densify_pts=21)

    def within(self, covers: Bounds | None) -> bool:
        """Whether the spot lies in an extent; everything lies in none."""
        if covers is None:
            return True
        west, south, east, north = covers
        return west <= self.lon <= east and south <= self.lat <= north


@dataclass(frozen=True)
class ClippedRaster:
    """A raster cut out for the area.

    Parameters
    ----------
    values
        Shape (bands, rows, cols).
    valid
        Shape (rows, cols), true where it holds data.
    crs, transform
        Where its pixels lie.
    taken
        Days of the images it is made from, ``YYYY-MM-DD``, oldest first.
    """

    values: AnyArray
    valid: BoolArray
    crs: CRS
    transform: Affine
    taken: tuple[str, ...] = ()

    @property
    def covered(self) -> float:
        """Share of its pixels that hold data."""
        return float(self.valid.mean())


@dataclass(frozen=True)
class SourceData:
    """What a source gave: layers by role, and notes on them.

    Vectors are in WGS 84; a word is the name of the time zone.
    """

    layers: Mapping[str, gpd.GeoDataFrame | ClippedRaster | Forecast | str]
    notes: tuple[str, ...] = ()


class DataSource(BaseModel):
    """One source, as its table in a file of sources says.

    Parameters
    ----------
    id
        Of two sources with one id the first stands.
    service
        Name of the installed `Service` that reads it.
    gives
        Roles it can fill.
    url, options
        Where it is, and what its service needs to know of it.
    title, licence, attribution, link
        Whose data these are and on what terms; they reach the map.
    covers
        West, south, east, north; outside it is not asked.
    pause_s, max_age_days
        Least time between two requests, and age from which an answer is asked for again
        (judgement).
    position_error_m, vertical_datum
        What the survey should know of its features and heights, where it is known.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str = Field(min_length=1)
    service: str
    gives: tuple[_GivenRole, ...] = Field(min_length=1)
    url: str
    title: str = Field(min_length=1)
    licence: str = Field(min_length=1)
    attribution: str = Field(min_length=1)
    link: str | None = None
    covers: Bounds | None = None
    pause_s: float = Field(default=0.1, ge=0)
    max_age_days: float = Field(default=30, ge=0)
    position_error_m: float | None = Field(default=None, ge=0)
    vertical_datum: str | None = None
    options: dict[str, Any] = Field(default_factory=dict)


class SourceFile(BaseModel):
    """A file of sources; `alone` leaves out those that are shipped."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    alone: bool = False
    source: tuple[DataSource, ...]


@dataclass(frozen=True)
class SourceRequest:
    """What is asked of a source: an area, pixels no finer than `finest_m`, and roles.

    Examples
    --------
    A service reads what is wanted through the fetcher it is given:

    >>> def read_stands(wanted, fetcher):
    ...     held = fetcher.json(wanted.source.url, {"bbox": wanted.area.bounds()})
    ...     return SourceData({"access": held})
    >>> service = Service(read_stands)
    """

    source: DataSource
    area: GatherArea
    finest_m: float = 1.0
    roles: frozenset[str] = field(default_factory=frozenset)

    def options(self, model: type[Any]) -> Any:
        """Return the source's options checked against a service's model."""
        try:
            return model.model_validate(self.source.options)
        except ValidationError as error:
            faults = "; ".join(
                f"{'.'.join(map(str, e['loc']))}: {e['msg'].lower()}" for e in error.errors()
            )
            raise PlaceError(faults, where=f"source '{self.source.id}', options") from None


@dataclass(frozen=True)
class Service:
    """A kind of service: how a source of it is read, and a file of sources it brings along."""

    read: Callable[[SourceRequest, Fetcher], SourceData]
    sources: Path | None = None


def installed_services() -> dict[str, Service]:
    """Return the installed kinds of service by name; raises `StepError` for one that is broken."""
    return _loaded(tuple(entry_points(group=SOURCE_GROUP)))


@lru_cache(maxsize=1)
def _loaded(points: tuple[EntryPoint, ...]) -> dict[str, Service]:
    found: dict[str, Service] = {}
    for point in sorted(points, key=lambda p: (p.name, p.value)):
        try:
            service = point.load()
        except Exception as error:
            raise StepError(
                f"cannot be imported: {error}", where=f"source '{point.name}'"
            ) from None
        if not isinstance(service, Service):
            raise StepError("is no Service", where=f"source '{point.name}'", value=point.value)
        if point.name in found:
            raise StepError("is offered by two packages", where=f"source '{point.name}'")
        found[point.name] = service
    return found


def list_sources(own: Iterable[Path] = ()) -> tuple[DataSource, ...]:
    """Return the sources to ask, in order: a person's own files, other packages', those shipped.

    The first of two with the same id stands.

    Raises
    ------
    PlaceError
        For a file with faults, or a source of a service that is not installed.

    Examples
    --------
    >>> "openstreetmap" in {source.id for source in list_sources()}
    True
    """
    known = installed_services()
    files = [(path, read_toml(path, SourceFile, PlaceError)) for path in own]
    if not any(file.alone for _, file in files):
        brought = [s.sources for _, s in sorted(known.items()) if s.sources is not None]
        files += [(p, read_toml(p, SourceFile, PlaceError)) for p in (*brought, SHIPPED_SOURCES)]
    listed: dict[str, DataSource] = {}
    for path, file in files:
        for source in file.source:
            if source.service not in known:
                raise PlaceError(
                    f"no such service; installed are {', '.join(known)}",
                    where=f"{path}, source '{source.id}'",
                    value=source.service,
                )
            listed.setdefault(source.id, source)
    return tuple(listed.values())


def features_within(frame: gpd.GeoDataFrame, bounds: Bounds) -> gpd.GeoDataFrame:
    """Return the features whose extent meets the bounds."""
    west, south, east, north = frame.geometry.bounds.to_numpy().reshape(-1, 4).T
    w, s, e, n = bounds
    return frame[(west <= e) & (east >= w) & (south <= n) & (north >= s)].reset_index(drop=True)
