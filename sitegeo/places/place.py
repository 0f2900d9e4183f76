"""A place: validated inputs in one projected metric CRS.

Vectors are inspected with fiona (layers, schema, driver, CRS) and read with geopandas; very
large files are streamed. Nothing is repaired or left out without being counted in `notes`.
"""

from __future__ import annotations

import glob
import hashlib
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import shapely
import shapely.geometry
from fiona.errors import FionaError
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from sitegeo.core import contracts
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.inputs import RASTER_ROLES, VECTOR_ROLES, name_for_steps
from sitegeo.core.typing import Bounds
from sitegeo.errors import CrsError, LayerError, PlaceError, SitegeoError
from sitegeo.places import imagery
from sitegeo.places.config import (
    VECTOR_REACH_M,
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
from sitegeo.places.rasters import raster_extent, require_proj
from sitegeo.places.vectors import conform_to_contract

STREAM_ABOVE = 200_000
"""Features in a file above which it is streamed rather than read whole."""


@dataclass(frozen=True)
class Input:
    """Record of one input file: its hash, its own CRS and extent, and how it was read."""

    role: str
    path: str
    sha256: str
    crs: str
    raster_extent: Bounds
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
    imagery
        The photo; its grid is the place's.
    vectors, rasters
        Layers given, by role; the water of the map is `mapped_water`.
    fine_photo
        The photo at its own pixels where it is too large to be held whole.
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

    Raises
    ------
    PlaceError, RasterError, CrsError, LayerError
        Naming the file, the value and the remedy.
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
        header = _inspect(files[role], role, given.layer)
        frame, found = _read_layer(header, photo.grid, given.where)
        if frame is not None:
            vectors[name_for_steps(role)] = frame
        where = (header.crs.to_string(), header.bounds)
        inputs.append(
            _record(role, files[role], where, found, f"{header.name} {given.where or ''}")
        )
        notes += [f"{role}: {n}" for n in found]
    for role in (r for r in RASTER_ROLES if r in files):
        raster = imagery.read_raster_onto(files[role], photo.grid, categories=role == "landcover")
        if role == "landcover":
            codes, table = raster, keys.classes.get("landcover", {})
            raster = imagery.reclassify_land_cover(codes, table, where=source)
            if (needles := imagery.evergreen_raster(codes, table)) is not None:
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


@dataclass(frozen=True)
class _Header:
    """What a vector file says of the layer to read, before any of it is read."""

    path: Path
    role: str
    name: str
    count: int
    crs: CRS
    bounds: Bounds


def _read_layer(
    header: _Header, grid: Grid, where: str | None
) -> tuple[gpd.GeoDataFrame | None, list[str]]:
    if not header.count:
        return None, ["the layer holds no features and counts as not given"]
    _require_near(header, grid)
    reach = _reach(grid, header.crs)
    read = _stream if header.count > STREAM_ABOVE else _read
    try:
        frame = read(header, reach, where)
        if frame.empty and where and not _selects(header, where):
            raise LayerError(
                header.role, [f"where = '{where}' selects no feature"], where=header.path
            )
    except SitegeoError:
        raise
    except Exception as error:  # three libraries raise here, one of them a class of its own
        asked = f" with where = '{where}'" if where else ""
        raise LayerError(
            header.role, [f"cannot be read{asked}: {error}"], where=header.path
        ) from None
    contract = contracts.contract(name_for_steps(header.role))
    assert isinstance(contract, contracts.Contract)
    cleaned, notes = conform_to_contract(frame.to_crs(grid.crs), contract)
    if len(frame) and cleaned.empty:
        raise LayerError(
            header.role,
            [f"none of its {len(frame)} features near the photo can be used: {'; '.join(notes)}"],
            where=header.path,
            remedy="Check that this is the right file and layer",
        )
    return cleaned, notes


def _inspect(path: Path, role: str, layer: str | None) -> _Header:
    if not path.exists():
        raise LayerError(role, ["no such file; check the path in PLACE.toml"], where=path)
    if path.is_dir() and path.suffix.lower() != ".gdb":
        raise LayerError(role, ["is a folder, not a file"], where=path)
    try:
        names = fiona.listlayers(path)
        name = layer or _the_layer(names, role, path)
        if name not in names:
            raise LayerError(
                role, [f"has no layer '{name}'; it holds {', '.join(names)}"], where=path
            )
        with fiona.open(path, layer=name) as source:
            if source.schema["geometry"] == "None":
                raise LayerError(role, [f"layer '{name}' holds no shapes"], where=path)
            if not source.crs:
                raise CrsError(
                    "the layer has no coordinate reference system",
                    where=f"{path} ({name})",
                    remedy="Assign the right one; sitegeo never guesses",
                )
            crs = CRS.from_user_input(source.crs.to_wkt())
            count = len(source)
            bounds = source.bounds if count else (0.0, 0.0, 0.0, 0.0)
    except (FionaError, ProjError) as error:
        raise LayerError(
            role,
            [f"cannot be read as vectors: {error}"],
            where=path,
            remedy="Check that it is a vector file; if it is, copy or download it again",
        ) from None
    return _Header(path, role, name, count, crs, bounds)


def _the_layer(names: list[str], role: str, path: Path) -> str:
    if len(names) == 1:
        return names[0]
    if role in names:
        return role
    raise LayerError(
        role,
        [f"holds several layers: {', '.join(names)}"],
        where=path,
        remedy=f'Name one in PLACE.toml: {role} = {{ path = "{path.name}", layer = "…" }}',
    )


def _reach(grid: Grid, crs: CRS) -> Bounds:
    west, south, east, north = grid.bounds
    around = (
        west - VECTOR_REACH_M,
        south - VECTOR_REACH_M,
        east + VECTOR_REACH_M,
        north + VECTOR_REACH_M,
    )
    return Transformer.from_crs(grid.crs, crs, always_xy=True).transform_bounds(*around)


def _require_near(header: _Header, grid: Grid) -> None:
    """Raise where a layer lies nowhere near the photo, and say so if its axes look swapped."""
    reach = _reach(grid, header.crs)
    if _overlap(header.bounds, reach):
        return
    west, south, east, north = header.bounds
    swapped = _overlap((south, west, north, east), reach)
    shown = ", ".join(f"{v:.6g}" for v in header.bounds)
    photo = ", ".join(f"{v:.6g}" for v in reach)
    raise LayerError(
        header.role,
        [
            ("its coordinates look swapped" if swapped else "it does not overlap the photo")
            + f" (layer extent {shown}; photo with its margin {photo})"
        ],
        where=header.path,
        remedy="Write longitude, then latitude"
        if swapped
        else "Check its coordinate reference system",
    )


def _overlap(a: Bounds, b: Bounds) -> bool:
    return not _beyond(*a, b)


def _beyond(west: Any, south: Any, east: Any, north: Any, reach: Bounds) -> Any:
    """Return whether extents lie off a reach, whose west is above its east over the date line."""
    off_west, off_east = west > reach[2], east < reach[0]
    aside = off_west & off_east if reach[0] > reach[2] else off_west | off_east
    return aside | (south > reach[3]) | (north < reach[1])


def _read(header: _Header, reach: Bounds, where: str | None) -> gpd.GeoDataFrame:
    """Read a file whole and keep what lies within reach, and shapes that lie nowhere at all."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of rings it closes; what it cannot mend is counted
        frame = gpd.read_file(header.path, layer=header.name, where=where, on_invalid="fix")
    west, south, east, north = frame.geometry.bounds.to_numpy().T
    beyond = np.asarray(_beyond(west, south, east, north, reach), bool)
    return frame[~beyond].set_crs(header.crs, allow_override=True)


def _stream(header: _Header, reach: Bounds, where: str | None) -> gpd.GeoDataFrame:
    """Read a very large file feature by feature, keeping what lies within reach."""
    over_date_line = reach[0] > reach[2]
    box = (-180.0, reach[1], 180.0, reach[3]) if over_date_line else reach
    with fiona.open(header.path, layer=header.name) as source:
        found = sorted(source.filter(bbox=box, where=where), key=lambda f: int(f.id))
        columns = list(source.schema["properties"])
    rows = [dict(f.properties) for f in found]
    shapes = [_shape(f.geometry) for f in found]
    return gpd.GeoDataFrame(rows, columns=columns, geometry=shapes, crs=header.crs)


def _shape(geometry: Any) -> Any:
    try:
        return None if geometry is None else shapely.geometry.shape(geometry)
    except (ValueError, shapely.errors.GEOSException):
        return None


def _selects(header: _Header, where: str) -> bool:
    with fiona.open(header.path, layer=header.name) as source:
        return next(iter(source.filter(where=where)), None) is not None
