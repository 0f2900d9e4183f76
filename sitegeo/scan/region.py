"""A region: its grid, its photos and its layers, described and not yet read."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from pyproj import CRS, Transformer

from sitegeo import __version__, imagery, onestep, steps
from sitegeo.errors import PlaceError
from sitegeo.grid import WGS84, Grid, Raster
from sitegeo.law.examples import shipped_laws, strictest
from sitegeo.law.rules import Law, read_law
from sitegeo.placefile import RASTER_ROLES, VECTOR_ROLES
from sitegeo.rasterfile import require_proj
from sitegeo.scan import nearby, sources
from sitegeo.scan.nearby import VectorSource
from sitegeo.scan.regionfile import RegionFile, read_region_file
from sitegeo.scan.sources import Fault, Source
from sitegeo.scan.tiling import region_grid


@dataclass(frozen=True)
class Region:
    """What a worker needs to know of a region; small, since every task is sent one.

    Parameters
    ----------
    grid
        The pixels of the whole region.
    photos
        Rasters of the photo, in the order they were named; earlier ones lie on top.
    rasters, vectors
        Other layers, by role.
    law
        What setbacks are judged by.
    faults
        Files that could not be opened.
    """

    file: RegionFile
    path: Path
    grid: Grid
    photos: tuple[Source, ...]
    rasters: Mapping[str, Source]
    vectors: Mapping[str, VectorSource]
    law: Law
    faults: tuple[Fault, ...] = ()

    def cover_key(self) -> str:
        """Return a hash of what the cover depends on beside the pixels and shapes."""
        keys = self.file
        said = (keys.imagery.bands, keys.imagery.taken, keys.assume.model_dump_json(), keys.classes)
        return digest(__version__, said, _code_key(), self.grid.crs.to_wkt(), self.grid.pixel_m)

    def settings_key(self) -> str:
        """Return a hash of what every tile depends on beside its own pixels and shapes."""
        keys = self.file.model_dump_json(exclude={"tiles": True, "imagery": {"source"}})
        return digest(self.cover_key(), keys, self.law.model_dump_json(), self.law.chosen)


@cache
def _code_key() -> str:
    return digest([steps.step_key(s, {}) for s in steps.installed()])


@cache
def step_params(name: str) -> Any:
    """Return the parameters of an installed step; what is installed stays while a process runs."""
    return onestep.find(name).params


def digest(*parts: object) -> str:
    """Return a short hash of values by their repr."""
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


def read_region(path: Path, *, law: Law | None = None) -> Region:
    """Return the region a REGION.toml describes; headers alone are read.

    Parameters
    ----------
    law
        By default the one the file names, else the strictest of the examples.

    Raises
    ------
    PlaceError, RasterError, LayerError, CrsError, LawError
        Naming the file, the value and the remedy. A photo that cannot be opened is no error
        while others can: it is one of the `faults`.
    """
    require_proj()
    keys = read_region_file(path)
    base = path.resolve().parent
    named = sources.listed(keys.imagery.source, base, asset=keys.imagery.asset)
    asked = None if keys.place.crs is None else CRS.from_user_input(keys.place.crs)
    crs, pixel_m, photos, faults = sources.described(
        named, crs=asked, finest_m=keys.imagery.finest_m
    )
    west, south, east, north = zip(*(s.bounds for s in photos), strict=True)
    bounds = (min(west), min(south), max(east), max(north))
    if keys.place.area is not None:
        wanted = Transformer.from_crs(WGS84, crs, always_xy=True).transform_bounds(*keys.place.area)
        bounds = (
            max(bounds[0], wanted[0]),
            max(bounds[1], wanted[1]),
            min(bounds[2], wanted[2]),
            min(bounds[3], wanted[3]),
        )
        if bounds[0] >= bounds[2] or bounds[1] >= bounds[3]:
            raise PlaceError(
                "[place] area lies outside every photo", where=path, value=keys.place.area
            )
    rasters = {}
    for role in (r for r in RASTER_ROLES if getattr(keys.layers, r) is not None):
        given = getattr(keys.layers, role).path
        held = sources.listed([given], base)
        _, _, (first, *_), _ = sources.described(held, crs=crs, finest_m=pixel_m)
        rasters[role] = first
    vectors = {}
    named_alike = nearby.layers_in(keys.layers.vectors, base) if keys.layers.vectors else {}
    for role in VECTOR_ROLES:
        given = getattr(keys.layers, role) or named_alike.get(role)
        found = None if given is None else nearby.described(role, given, base)
        if found is not None:
            vectors[role] = found
    corner = (photos[0].bounds[0], photos[0].bounds[3])
    return Region(
        keys,
        path.resolve(),
        region_grid(crs, pixel_m, bounds, corner),
        tuple(photos),
        rasters,
        vectors,
        law or _law_of(keys, base),
        tuple(faults),
    )


def _law_of(keys: RegionFile, base: Path) -> Law:
    if keys.law.file is None:
        return strictest(shipped_laws())
    law = read_law(base / keys.law.file)
    return law.as_chosen() if keys.law.confirmed and not law.example else law


def window_key(settings: str, region: Region, grid: Grid, vectors: Mapping[str, Any]) -> str:
    """Return the key of a window: settings, its place, the stamps of its files, its shapes."""
    touched = sources.touching([*region.photos, *region.rasters.values()], grid)
    return digest(
        settings,
        (grid.west, grid.north, grid.shape),
        [(s.path, s.stamp) for s in touched],
        nearby.content_key(vectors),
    )


def read_shapes(
    region: Region, grid: Grid, roles: tuple[str, ...] = VECTOR_ROLES
) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """Return the vector layers near a window, by the names steps know them by, and notes."""
    found: dict[str, gpd.GeoDataFrame] = {}
    notes: list[str] = []
    for role in (r for r in roles if r in region.vectors):
        frame, told = nearby.read_near(region.vectors[role], grid)
        notes += told
        if frame is not None:
            found["mapped_water" if role == "water" else role] = frame
    return found, notes


def read_pixels(
    region: Region, grid: Grid, roles: tuple[str, ...] = RASTER_ROLES
) -> tuple[Raster | None, dict[str, Raster], list[Fault]]:
    """Return the photo and the other rasters on a window, and files that cannot be read."""
    photo, faults = sources.read_photo(region.photos, grid, bands=region.file.imagery.bands)
    rasters: dict[str, Raster] = {}
    for role in (r for r in roles if r in region.rasters):
        plane, bad = sources.read_plane(region.rasters[role], grid, categories=role == "landcover")
        faults += bad
        if plane is not None and role == "landcover":
            plane = _in_our_classes(region, plane, rasters)
        if plane is not None:
            rasters[role] = plane
    return photo, rasters, faults


def _in_our_classes(region: Region, codes: Raster, rasters: dict[str, Raster]) -> Raster | None:
    """Return a window of the land cover in our classes; its evergreens join the rasters."""
    table = region.file.classes.get("landcover", {})
    known = np.isin(codes.values, [int(c) for c in table if c.lstrip("-").isdecimal()])
    if table and not (known & codes.mask).any():
        return None  # codes that mean nothing may be all there is of them in one window
    needles = imagery.evergreens(codes, table)
    if needles is not None:
        rasters["landcover_evergreen"] = needles
    return imagery.in_our_classes(codes, table, where=region.path)
