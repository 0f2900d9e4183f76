"""REGION.toml: the keys a person may write, and what each means."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from sitegeo.errors import PlaceError
from sitegeo.placefile import (
    Assume,
    Credit,
    GearKeys,
    Imagery,
    LawKeys,
    LayersBeside,
    PlaceKeys,
    Source,
    Table,
)
from sitegeo.tomlfile import read_toml


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

    vectors: Source | None = None


def _worth_it(value: float) -> float:
    if value < 200:
        raise ValueError("must be at least 200 m: positions are that large")
    return value


class Tiles(Table):
    """How the region is cut; the answer hardly depends on it, time and memory do.

    Parameters
    ----------
    size_m
        Side of a tile without its halo; by default as large as a worker's memory allows.
    halo_m
        How far beyond its core a tile looks. Trees shelter water for some 30 heights, and a tree
        line is found whole only where it lies within.
    """

    size_m: Annotated[float, AfterValidator(_worth_it)] | None = None
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
    tiles: Tiles = Tiles()
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
