"""A place: its photo, layers and assumptions, checked and in one projected metric CRS.

Nothing is repaired or left out without being counted in `notes`.
"""

from __future__ import annotations

import glob
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
from pyproj import CRS

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.inputs import RASTER_ROLES, VECTOR_ROLES, name_for_steps
from sitegeo.core.typing import Bounds
from sitegeo.errors import PlaceError
from sitegeo.places import imagery
from sitegeo.places.config import (
    Assume,
    Credit,
    GearKeys,
    LawKeys,
    Layers,
    LayerSource,
    PlaceFile,
    read_place_file,
)
from sitegeo.places.imagery import FinePhoto
from sitegeo.places.rasters import (
    evergreen_raster,
    raster_extent,
    read_raster_onto,
    reclassify_land_cover,
    require_proj,
)
from sitegeo.places.vectors import inspect_vector_layer, read_vector_layer


@dataclass(frozen=True)
class Input:
    """Record of one input file.

    Parameters
    ----------
    role, path
        Its key under ``[layers]``, and the name of the file.
    sha256
        Of the file, or of all files of a format that keeps several.
    crs, extent
        Its own CRS, and its west, south, east, north in it.
    note
        What was repaired, split or dropped on reading.
    options
        What PLACE.toml says of how to read it.
    """

    role: str
    path: str
    sha256: str
    crs: str
    extent: Bounds
    note: str = ""
    options: str = ""

    @property
    def key(self) -> str:
        """Changes with the content of the file and with what PLACE.toml says of reading it."""
        return f"{self.sha256}:{self.options}"


@dataclass(frozen=True)
class Place:
    """Everything known of a place, on one grid and in one CRS.

    Parameters
    ----------
    title
        Its name.
    source
        The PLACE.toml.
    imagery
        The photo; its grid is the place's.
    vectors, rasters
        Layers given, by role; the water of the map is `mapped_water`.
    assume, gear, law
        Those tables of PLACE.toml.
    zone, taken, stage_m
        The clock of the place, the day of the photo, and the height of the water's gauge then.
    fine_photo
        The photo at its own pixels where it is too large to be held whole.
    credits
        Whose data the layers are.
    inputs
        A record of each file read.
    notes
        What was repaired, dropped or taken for granted on reading.
    """

    title: str
    source: Path
    imagery: Raster
    vectors: Mapping[str, gpd.GeoDataFrame]
    rasters: Mapping[str, Raster]
    assume: Assume = field(default_factory=Assume)
    gear: GearKeys = field(default_factory=GearKeys)
    law: LawKeys = field(default_factory=LawKeys)
    zone: str | None = None
    taken: str | None = None
    stage_m: float | None = None
    fine_photo: FinePhoto | None = None
    credits: tuple[Credit, ...] = ()
    inputs: tuple[Input, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def grid(self) -> Grid:
        """The grid of the photo."""
        return self.imagery.grid

    @property
    def crs(self) -> CRS:
        """The one CRS everything is in."""
        return self.grid.crs

    @property
    def law_file(self) -> Path | None:
        """The law file named in PLACE.toml, if any."""
        return None if self.law.file is None else self.source.parent / self.law.file


def read_place(path: str | Path) -> Place:
    """Return the place a PLACE.toml describes.

    Everything is reprojected to one projected metric CRS: the photo's own where it fits, else
    its UTM zone, or a local transverse Mercator where it straddles zones.

    Parameters
    ----------
    path
        The file; paths in it count from its folder.

    Returns
    -------
    Place

    Raises
    ------
    PlaceError, RasterError, CrsError, LayerError
        Naming the file, the value and the remedy.

    Examples
    --------
    >>> from sitegeo.places.bundled import bundled_place_file
    >>> place = read_place(bundled_place_file())
    >>> place.crs.axis_info[0].unit_name
    'metre'
    >>> "dwellings" in place.vectors
    True
    """
    source = Path(path)
    require_proj()
    keys = read_place_file(source)
    files = _files(keys, source)
    how: dict[str, Any] = {
        "bands": keys.imagery.bands,
        "finest_m": keys.imagery.finest_m,
        "area": keys.place.area,
        "crs": None if keys.place.crs is None else CRS.from_user_input(keys.place.crs),
    }
    with imagery.open_photo(files["imagery"], **how) as fine:
        times = imagery.memory_factor(fine.grid.shape)
    photo, notes = imagery.read_imagery(files["imagery"], **how)
    too_large = FinePhoto(files["imagery"], times, **how | {"crs": photo.grid.crs})
    options = f"{keys.imagery.bands} {keys.imagery.finest_m} {keys.place.area} {keys.place.crs}"
    inputs = [_record("imagery", files["imagery"], raster_extent(files["imagery"]), notes, options)]
    vectors: dict[str, gpd.GeoDataFrame] = {}
    rasters: dict[str, Raster] = {}
    for role in (r for r in VECTOR_ROLES if r in files):
        given: LayerSource = getattr(keys.layers, role)
        header = inspect_vector_layer(files[role], role, given.layer)
        frame, found = read_vector_layer(header, photo.grid, given.where)
        if frame is not None:
            vectors[name_for_steps(role)] = frame
        where = (header.crs.to_string(), header.bounds)
        inputs.append(
            _record(role, files[role], where, found, f"{header.name} {given.where or ''}")
        )
        notes += [f"{role}: {n}" for n in found]
    for role in (r for r in RASTER_ROLES if r in files):
        raster = read_raster_onto(files[role], photo.grid, categories=role == "landcover")
        if role == "landcover":
            codes, table = raster, keys.classes.get("landcover", {})
            raster = reclassify_land_cover(codes, table, where=source)
            if (needles := evergreen_raster(codes, table)) is not None:
                rasters["landcover_evergreen"] = needles
        rasters[role] = raster
        options = repr(keys.classes) if role == "landcover" else ""
        inputs.append(_record(role, files[role], raster_extent(files[role]), [], options))
    return Place(
        title=keys.title,
        source=source.resolve(),
        imagery=photo,
        fine_photo=too_large if times > 1 else None,
        vectors=vectors,
        rasters=rasters,
        assume=keys.assume,
        gear=keys.gear,
        law=keys.law,
        zone=keys.place.zone,
        taken=keys.imagery.taken,
        stage_m=keys.place.stage_m,
        credits=keys.credit,
        inputs=tuple(inputs),
        notes=tuple(notes),
    )


def _files(keys: PlaceFile, source: Path) -> dict[str, Path]:
    """Return the file of each role given; raises with the names of all that are missing."""
    named = {role: getattr(keys.layers, role) for role in Layers.model_fields}
    files = {role: source.parent / given.path for role, given in named.items() if given}
    gone = [f"{role} = '{named[role].path}'" for role, file in files.items() if not file.exists()]
    if gone:
        raise PlaceError(
            "no such file under [layers]",
            where=source,
            value=", ".join(gone),
            remedy="Check the paths; they count from the folder that holds this file",
        )
    return files


def _record(
    role: str, path: Path, where: tuple[str, Bounds], notes: list[str], options: str
) -> Input:
    crs, bounds = where
    return Input(role, path.name, _digest(path), crs, bounds, "; ".join(notes), options)


def _digest(path: Path) -> str:
    """Return the SHA-256 of a file; of all its files where a format keeps several."""
    parts = [path]
    if path.is_dir():
        parts = sorted(p for p in path.rglob("*") if p.is_file())
    elif path.suffix.lower() == ".shp":
        parts = sorted(path.parent.glob(f"{glob.escape(path.stem)}.*"))
    digest = hashlib.sha256()
    for part in parts:
        with part.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    return digest.hexdigest()
