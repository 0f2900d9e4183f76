"""Gathering a place: every source asked in turn, what came written down, what did not said.

Nothing that failed is ever written as an empty layer: a layer that is absent is `not checked`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from sitegeo.core.inputs import VECTOR_ROLES
from sitegeo.core.wind import Forecast
from sitegeo.errors import GatherError, SitegeoError
from sitegeo.gather.client import Client, Fetcher
from sitegeo.gather.mosaic import COMPLETE_SHARE
from sitegeo.gather.osm import read_osm
from sitegeo.gather.sources import (
    RASTER_LAYERS,
    ClippedRaster,
    DataSource,
    GatherArea,
    Service,
    SourceData,
    SourceRequest,
    installed_services,
)
from sitegeo.places.config import VECTOR_REACH_M

PLACE_ROLES = frozenset({*RASTER_LAYERS, *VECTOR_ROLES, "zone"})
"""All that a place may be given by sources; a forecast belongs to a morning."""

REFERENCE_LAYER = "landcover"
"""A layer kept beside the others for the eye: the photo tells cover better."""


@dataclass(frozen=True)
class Contribution:
    """What one source gave to the place.

    Parameters
    ----------
    source
        Who gave it.
    layers
        Roles it fills.
    gathered, taken
        Day its oldest answer was fetched, and day of its newest image, ``YYYY-MM-DD``.
    notes
        What a person should know of it.
    """

    source: DataSource
    layers: tuple[str, ...]
    gathered: str
    taken: str | None = None
    notes: tuple[str, ...] = ()


@dataclass
class Gathered:
    """All that was found of a place, by role, and what was not.

    Parameters
    ----------
    area
        The spot and how far around it was asked.
    pictures, frames
        Rasters and vectors by role, the vectors in WGS 84.
    forecast, zone
        Hourly wind, and the IANA name of the time zone.
    parts
        What each source gave.
    missing
        For each role asked, why sources did not give it.
    """

    area: GatherArea
    pictures: dict[str, ClippedRaster] = field(default_factory=dict)
    frames: dict[str, gpd.GeoDataFrame] = field(default_factory=dict)
    forecast: Forecast | None = None
    zone: str | None = None
    parts: list[Contribution] = field(default_factory=list)
    missing: dict[str, list[str]] = field(default_factory=dict)

    def lacks(self, role: str) -> bool:
        """Whether nothing was found for a role."""
        found: dict[str, Any] = {"forecast": self.forecast, "zone": self.zone}
        return found.get(role) is None and role not in {**self.pictures, **self.frames}

    @property
    def reasons(self) -> dict[str, str]:
        """Why each missing role is missing."""
        return {
            role: "; ".join(dict.fromkeys(why)) or "no source of it covers this spot"
            for role, why in sorted(self.missing.items())
            if self.lacks(role)
        }


def gather(
    area: GatherArea,
    sources: Sequence[DataSource],
    client: Client,
    *,
    roles: Iterable[str] = PLACE_ROLES,
    finest_m: float = 1.0,
    osm: Path | None = None,
    on_source: Callable[[DataSource], None] = lambda _source: None,
) -> Gathered:
    """Return what sources hold of an area; a source that fails is said, not fatal.

    Parameters
    ----------
    area
        A spot and how far around it is wanted.
    sources
        Whom to ask, in order.
    client
        Through which all requests go.
    roles
        What is wanted. Of rasters, forecast and zone the first good answer is taken (of several
        incomplete rasters the fullest); features of all sources are put together, a water only
        where none is yet: two drawings of one lake would make a larger one.
    finest_m
        Pixels finer than this are not asked for.
    osm
        An extract to read in place of every Overpass service.
    on_source
        Called with each source before it is asked.

    Returns
    -------
    Gathered
        Layers found, who gave them, and why the others are missing: never an empty layer.

    Raises
    ------
    GatherError
        If the extract cannot be read.
    """
    wanted = frozenset(roles)
    found = Gathered(area, missing={role: [] for role in sorted(wanted)})
    known = installed_services()
    for source in sources:
        asked = wanted & set(source.gives) - _settled(found)
        if not asked or not area.within(source.covers):
            continue
        on_source(source)
        fetcher = client.fetcher(pause_s=source.pause_s, max_age_days=source.max_age_days)
        local = osm if source.service == "overpass" else None
        try:
            answer = _asked(source, known[source.service], SourceRequest(
                source, area, finest_m, asked), fetcher, local)  # fmt: skip
        except SitegeoError as error:
            if local is not None:
                raise
            for role in asked:
                found.missing[role].append(f"{source.title}: {error.what}")
            continue
        day = _day(fetcher, client, local)
        _take(found, source, answer, asked, day)
    return found


def _asked(
    source: DataSource, service: Service, wanted: SourceRequest, fetcher: Fetcher, osm: Path | None
) -> SourceData:
    if osm is not None:
        return read_osm(osm, wanted.area.bounds(margin_m=VECTOR_REACH_M), where=osm)
    try:
        return service.read(wanted, fetcher)
    except SitegeoError:
        raise
    except Exception as error:
        # What a service answers is not ours: whatever a library says of it is told, not fatal.
        told = f"{type(error).__name__}: {error}".splitlines()[0][:200]
        raise GatherError(f"gave an answer that cannot be used ({told})", where=source.id) from None


def _settled(found: Gathered) -> set[str]:
    """Roles of which one answer is enough, and is there."""
    whole = {role for role, picture in found.pictures.items() if picture.covered >= COMPLETE_SHARE}
    one = {"forecast": found.forecast, "zone": found.zone}
    return whole | {role for role, value in one.items() if value is not None}


def _day(fetcher: Fetcher, client: Client, osm: Path | None) -> str:
    """Return the day of the oldest answer used."""
    if osm is not None:
        changed = datetime.fromtimestamp(osm.stat().st_mtime, client.now().tzinfo)
        return changed.date().isoformat()
    return min(fetcher.dates, default=client.now()).date().isoformat()


def _take(
    found: Gathered, source: DataSource, answer: SourceData, asked: frozenset[str], day: str
) -> None:
    layers = []
    for role, value in answer.layers.items():
        if role not in asked and role != REFERENCE_LAYER:
            continue
        if isinstance(value, ClippedRaster):
            before = found.pictures.get(role)
            if before is not None and before.covered >= value.covered:
                continue
            found.pictures[role] = value
            for part in [p for p in found.parts if p.layers == (role,)]:
                found.parts.remove(part)  # another picture stands in its place
        elif isinstance(value, gpd.GeoDataFrame):
            found.frames[role] = _joined(role, found.frames.get(role), value)
        elif isinstance(value, Forecast):
            found.forecast = value
        else:
            found.zone = str(value)
        layers.append(role)
    for role in sorted(asked - set(layers)):
        found.missing[role].append(f"{source.title}: holds nothing of it here")
    if layers:
        taken = [
            v.taken[-1]
            for r, v in answer.layers.items()
            if isinstance(v, ClippedRaster) and v.taken and r in layers
        ]
        part = Contribution(source, tuple(layers), day, taken[0] if taken else None, answer.notes)
        found.parts.append(part)


def _joined(role: str, held: gpd.GeoDataFrame | None, more: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if held is None:
        return more
    if role == "water":
        more = more[~more.intersects(shapely.union_all(held.geometry.to_numpy()))]
    joined = pd.concat([held, more], ignore_index=True)
    return gpd.GeoDataFrame(joined, crs=held.crs)
