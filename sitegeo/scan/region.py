"""A region: what its REGION.toml says, and the pixels and shapes of any window of it.

Reading a region opens headers alone. A worker is sent the `Region` and reads the window it needs;
keys of what it read tell a later run whether anything has changed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import geopandas as gpd
import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field
from pyproj import CRS, Transformer

from sitegeo._version import __version__
from sitegeo.core.grid import WGS84, Grid, Raster
from sitegeo.core.inputs import RASTER_ROLES, VECTOR_ROLES
from sitegeo.core.models import read_toml
from sitegeo.errors import PlaceError
from sitegeo.law.examples import example_laws, strictest_law
from sitegeo.law.rules import Law, read_law
from sitegeo.places.config import (
    Assume,
    Credit,
    GearKeys,
    Imagery,
    LawKeys,
    LayerEntry,
    LayersBeside,
    PlaceKeys,
    Table,
)
from sitegeo.places.rasters import evergreen_raster, reclassify_land_cover, require_proj
from sitegeo.scan.rasters import (
    Fault,
    RasterSource,
    describe_rasters,
    list_rasters,
    rasters_touching,
    read_photo,
    read_plane,
)
from sitegeo.scan.tiling import LEAST_TILE_M, region_grid
from sitegeo.scan.vectors import (
    VectorSource,
    describe_vector,
    layers_key,
    layers_of_file,
    read_vector,
)
from sitegeo.surveys import pipeline


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


class RegionImagery(Imagery):
    """Where the photos are and how to read them.

    `source` is a folder of rasters, a raster or VRT, a static STAC catalogue (a JSON file), or a
    list of files and addresses; `asset` names the photo among a STAC item's assets.
    """

    source: Annotated[tuple[str, ...], BeforeValidator(_listed), Field(min_length=1)]
    asset: str | None = None


class RegionLayers(LayersBeside):
    """Layers of the whole region.

    `vectors` is one file of all layers that are not named by themselves: an OSM extract
    (.osm.pbf, .osm.gz, .osm), or a GeoPackage whose layers have our names.
    """

    vectors: LayerEntry | None = None


def _large_enough(value: float) -> float:
    if value < LEAST_TILE_M:
        raise ValueError(f"must be at least {LEAST_TILE_M:g} m: positions are that large")
    return value


class TileSettings(Table):
    """How the region is cut; the answer hardly depends on it, time and memory do.

    Parameters
    ----------
    size_m
        Side of a tile without its halo; by default as large as a worker's memory allows.
    halo_m
        How far beyond its core a tile looks. Trees shelter water for some 30 heights, and a tree
        line is found whole only where it lies within.
    """

    size_m: Annotated[float, AfterValidator(_large_enough)] | None = None
    halo_m: float = Field(default=600.0, ge=250, le=5000)


class RegionFile(Table):
    """The whole of REGION.toml."""

    title: str = Field(min_length=1)
    imagery: RegionImagery
    layers: RegionLayers = RegionLayers()
    assume: Assume = Assume()
    gear: GearKeys = GearKeys()
    law: LawKeys = LawKeys()
    place: PlaceKeys = PlaceKeys()
    tiles: TileSettings = TileSettings()
    credit: tuple[Credit, ...] = ()
    classes: Mapping[Literal["landcover"], dict[str, str]] = Field(default_factory=dict)


def read_region_file(path: Path) -> RegionFile:
    """Return the checked contents of a REGION.toml.

    Raises
    ------
    PlaceError
        Naming every unknown key with the nearest known one, and every bad value.
    """
    return read_toml(path, RegionFile, PlaceError)


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
    photos: tuple[RasterSource, ...]
    rasters: Mapping[str, RasterSource]
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


def read_region(path: Path, *, law: Law | None = None) -> Region:
    """Return the region a REGION.toml describes; headers alone are read.

    Parameters
    ----------
    path
        The file; other paths count from its folder.
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
    named = list_rasters(keys.imagery.source, base, asset=keys.imagery.asset)
    asked = None if keys.place.crs is None else CRS.from_user_input(keys.place.crs)
    crs, pixel_m, photos, faults = describe_rasters(
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
        held = list_rasters([given], base)
        _, _, (first, *_), _ = describe_rasters(held, crs=crs, finest_m=pixel_m)
        rasters[role] = first
    vectors = {}
    named_alike = layers_of_file(keys.layers.vectors, base) if keys.layers.vectors else {}
    for role in VECTOR_ROLES:
        given = getattr(keys.layers, role) or named_alike.get(role)
        found = None if given is None else describe_vector(role, given, base)
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
        return strictest_law(example_laws())
    law = read_law(base / keys.law.file)
    return law.as_chosen() if keys.law.confirmed and not law.example else law


def read_shapes(
    region: Region, grid: Grid, roles: tuple[str, ...] = VECTOR_ROLES
) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """Return the vector layers near a window, by the names steps know them by, and notes.

    Parameters
    ----------
    region
        Whose layers are read.
    grid
        The window; features up to `REACH_M` beyond it are read too.
    roles
        Layers wanted.

    Returns
    -------
    layers : dict of GeoDataFrame
        In the window's CRS; a layer that does not reach here is left out.
    notes : list of str
        What was repaired or does not reach here.
    """
    found: dict[str, gpd.GeoDataFrame] = {}
    notes: list[str] = []
    for role in (r for r in roles if r in region.vectors):
        frame, told = read_vector(region.vectors[role], grid)
        notes += told
        if frame is not None:
            found["mapped_water" if role == "water" else role] = frame
    return found, notes


def read_pixels(
    region: Region, grid: Grid, roles: tuple[str, ...] = RASTER_ROLES
) -> tuple[Raster | None, dict[str, Raster], list[Fault]]:
    """Return the photo and the other rasters on a window, and files that cannot be read.

    Parameters
    ----------
    region
        Whose rasters are read.
    grid
        The window.
    roles
        Layers wanted beside the photo.

    Returns
    -------
    photo : Raster or None
        None without a pixel of data.
    rasters : dict of Raster
        By role, land cover in our classes.
    faults : list of Fault
        Files that cannot be read, and why.
    """
    photo, faults = read_photo(region.photos, grid, bands=region.file.imagery.bands)
    rasters: dict[str, Raster] = {}
    for role in (r for r in roles if r in region.rasters):
        plane, bad = read_plane(region.rasters[role], grid, categories=role == "landcover")
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
    needles = evergreen_raster(codes, table)
    if needles is not None:
        rasters["landcover_evergreen"] = needles
    return reclassify_land_cover(codes, table, where=region.path)


def digest(*parts: object) -> str:
    """Return a short hash of values by their repr.

    Examples
    --------
    >>> digest("a", 1) == digest("a", 1), len(digest())
    (True, 16)
    """
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


@cache
def _code_key() -> str:
    return digest(pipeline.code_keys())


@cache
def step_params(name: str) -> Any:
    """Return the parameters of an installed step; what is installed stays while a process runs."""
    return pipeline.find_step(name).params


def window_key(settings: str, region: Region, grid: Grid, vectors: Mapping[str, Any]) -> str:
    """Return a key of a window, which changes with anything that is read of it.

    Parameters
    ----------
    settings
        `Region.cover_key` or `Region.settings_key`.
    region
        Whose files touch the window.
    grid
        The window.
    vectors
        What was read of its layers.

    Returns
    -------
    str
        Of the settings, the window's place, the stamps of its files and its shapes.
    """
    touched = rasters_touching([*region.photos, *region.rasters.values()], grid)
    return digest(
        settings,
        (grid.west, grid.north, grid.shape),
        [(s.path, s.stamp) for s in touched],
        layers_key(vectors),
    )
