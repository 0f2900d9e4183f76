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
SHIPPED_SOURCES = Path(__file__).with_name("sources.toml")
MAX_RADIUS_M = 10_000.0

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
    """A spot and how far around it is wanted."""

    lat: float
    lon: float
    radius_m: float

    def __post_init__(self) -> None:
        if not (-85 <= self.lat <= 85 and -180 <= self.lon <= 180):
            raise UsageError("no such spot on the earth", value=(self.lat, self.lon))
        if not 50 <= self.radius_m <= MAX_RADIUS_M:
            raise UsageError(
                "a radius lies between 50 m and 10 km", where="--radius", value=self.radius_m
            )

    @property
    def local(self) -> CRS:
        """Metres east and north of the spot."""
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
    """A raster cut out for the area: (bands, rows, cols), where it holds data, where it lies."""

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
    """What a source gave: layers by what they are, and words about them."""

    layers: Mapping[str, gpd.GeoDataFrame | ClippedRaster | Forecast | str]
    notes: tuple[str, ...] = ()


class DataSource(BaseModel):
    """One source, as its table says."""

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
    """What is asked of a source."""

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
    """A kind of service: how it is read, and a file of sources it brings."""

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
