"""Vector layers, from a file to their contract in the CRS of the place.

A file is inspected with fiona (its layers, schema, count, CRS and extent) before any of it is read.
What lies near the photo is read with geopandas, and streamed with fiona from a very large file.
Shapes are then repaired, split and dropped until the layer keeps its contract, all of it counted.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.geometry
from fiona.errors import FionaError
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from sitegeo.core import contracts
from sitegeo.core.contracts import POINT, POLYGON, Column, Contract, is_date
from sitegeo.core.grid import Grid
from sitegeo.core.inputs import name_for_steps
from sitegeo.core.typing import BoolArray, Bounds
from sitegeo.errors import CrsError, LayerError, SitegeoError
from sitegeo.places.config import (
    VECTOR_REACH_M,
)

STREAM_ABOVE = 200_000
"""Features in a file above which it is streamed rather than read whole."""

_SPLIT = ("MultiPoint", "GeometryCollection")


@dataclass(frozen=True)
class VectorHeader:
    """What a vector file says of the layer to read, before any of it is read.

    Parameters
    ----------
    path, name
        The file, and the layer in it.
    role
        Its key under ``[layers]`` in a place file.
    count
        Features it holds.
    crs, bounds
        Its own CRS, and its extent in it: west, south, east, north; zeros where it is empty.
    """

    path: Path
    role: str
    name: str
    count: int
    crs: CRS
    bounds: Bounds


def inspect_vector_layer(path: Path, role: str, layer: str | None) -> VectorHeader:
    """Return what a vector file says of a layer; none of its features is read.

    Parameters
    ----------
    path
        Any vector file that GDAL reads, or a file geodatabase.
    role
        The key of the layer under ``[layers]``, which names it in messages.
    layer
        Its name in the file. None takes the only one, or the one named as the role.

    Returns
    -------
    VectorHeader

    Raises
    ------
    LayerError, CrsError
        If the file cannot be read, holds no such layer, no shapes or no CRS.
    """
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
    return VectorHeader(path, role, name, count, crs, bounds)


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


def read_vector_layer(
    header: VectorHeader, grid: Grid, where: str | None
) -> tuple[gpd.GeoDataFrame | None, list[str]]:
    """Return the features of a layer near the photo, and notes on what was changed.

    Parameters
    ----------
    header
        The layer, as `inspect_vector_layer` found it.
    grid
        The photo's, in the CRS of the place; features within `VECTOR_REACH_M` of it are read.
    where
        SQL that features must meet; None takes all.

    Returns
    -------
    layer : GeoDataFrame or None
        By the contract of the layer's role, in the CRS of the grid; None for an empty file.
    notes : list of str
        What was repaired, split or dropped, with counts.

    Raises
    ------
    LayerError
        If it lies nowhere near the photo, or nothing of it can be read or used.
    """
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


def _reach(grid: Grid, crs: CRS) -> Bounds:
    west, south, east, north = grid.bounds
    around = (
        west - VECTOR_REACH_M,
        south - VECTOR_REACH_M,
        east + VECTOR_REACH_M,
        north + VECTOR_REACH_M,
    )
    return Transformer.from_crs(grid.crs, crs, always_xy=True).transform_bounds(*around)


def _require_near(header: VectorHeader, grid: Grid) -> None:
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


def _read(header: VectorHeader, reach: Bounds, where: str | None) -> gpd.GeoDataFrame:
    """Read a file whole and keep what lies within reach, and shapes that lie nowhere at all."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of rings it closes; what it cannot mend is counted
        frame = gpd.read_file(header.path, layer=header.name, where=where, on_invalid="fix")
    west, south, east, north = frame.geometry.bounds.to_numpy().T
    beyond = np.asarray(_beyond(west, south, east, north, reach), bool)
    return frame[~beyond].set_crs(header.crs, allow_override=True)


def _stream(header: VectorHeader, reach: Bounds, where: str | None) -> gpd.GeoDataFrame:
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


def _selects(header: VectorHeader, where: str) -> bool:
    with fiona.open(header.path, layer=header.name) as source:
        return next(iter(source.filter(where=where)), None) is not None


def conform_to_contract(
    frame: gpd.GeoDataFrame, contract: Contract
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Return a layer that keeps its contract, and notes with counts of all that was changed.

    Invalid shapes are repaired; areas stand as a point inside where points belong; what is left
    without a use is dropped. Columns are those of the contract and `name`: absent ones are empty,
    values that make no sense are unknown.

    Examples
    --------
    >>> import geopandas as gpd, shapely
    >>> from sitegeo.core.contracts import contract
    >>> bow_tie = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    >>> given = gpd.GeoDataFrame({"kind": ["house"]}, geometry=[bow_tie], crs="EPSG:32617")
    >>> kept, notes = conform_to_contract(given, contract("dwellings"))
    >>> notes
    ['1 invalid shapes repaired']
    >>> bool(kept.is_valid.all())
    True
    """
    notes: list[str] = []
    frame = frame.set_geometry(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    frame = _kept(frame, ~_missing(frame), "missing or empty shapes dropped", notes)
    frame = _kept(frame, _finite(frame), "shapes with impossible coordinates dropped", notes)
    frame = _repaired(frame, "Point" in contract.geometry, notes)
    frame = _kept(frame, ~_missing(frame), "shapes beyond repair dropped", notes)
    frame = _fitted(_split(frame), contract, notes)
    fits = _kinds(frame).isin(contract.geometry)
    wanted = ", ".join(sorted(contract.geometry))
    frame = _kept(frame, fits.to_numpy(), f"shapes dropped that are not {wanted}", notes)
    return _with_columns(frame.reset_index(drop=True), contract, notes), notes


def _kinds(frame: gpd.GeoDataFrame) -> pd.Series[Any]:
    return frame.geometry.geom_type


def _missing(frame: gpd.GeoDataFrame) -> BoolArray:
    shapes = frame.geometry.to_numpy()
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes))


def _finite(frame: gpd.GeoDataFrame) -> BoolArray:
    """Which shapes have finite coordinates alone: a projection makes infinite ones far away."""
    places, owner = shapely.get_coordinates(frame.geometry.to_numpy(), return_index=True)
    fine = np.ones(len(frame), dtype=bool)
    fine[owner[~np.isfinite(places).all(axis=1)]] = False
    return fine


def _kept(
    frame: gpd.GeoDataFrame, keep: BoolArray, words: str, notes: list[str]
) -> gpd.GeoDataFrame:
    dropped = int((~keep).sum())
    if dropped:
        notes.append(f"{dropped} {words}")
    return frame[keep]


def _repaired(frame: gpd.GeoDataFrame, points_belong: bool, notes: list[str]) -> gpd.GeoDataFrame:
    shapes = frame.geometry.to_numpy().copy()
    invalid = ~shapely.is_valid(shapes)
    if not invalid.any():
        return frame
    fixed = shapely.make_valid(shapes[invalid], method="structure", keep_collapsed=False)
    if points_belong:
        # A house drawn with no area is still a house.
        flat = shapely.is_empty(fixed)
        fixed[flat] = shapely.centroid(shapes[invalid][flat])
    shapes[invalid] = fixed
    notes.append(f"{int(invalid.sum())} invalid shapes repaired")
    return frame.set_geometry(shapes, crs=frame.crs)


def _split(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return points and collections of shapes taken apart, in their order."""
    mixed = _kinds(frame).isin(_SPLIT).to_numpy()
    if not mixed.any():
        return frame
    parts = pd.concat([frame[~mixed], frame[mixed].explode()])
    return gpd.GeoDataFrame(parts, crs=frame.crs).sort_index(kind="stable")


def _fitted(frame: gpd.GeoDataFrame, contract: Contract, notes: list[str]) -> gpd.GeoDataFrame:
    """Return areas as what belongs in the layer, where that loses nothing that is asked of it."""
    areas = _kinds(frame).isin(POLYGON).to_numpy()
    shapes = frame.geometry.to_numpy().copy()
    rings = (_kinds(frame) == "LineString").to_numpy() & shapely.is_closed(shapes)
    if rings.any() and contract.geometry == POINT | POLYGON:
        # A house drawn as its outline is still a house.
        shapes[rings] = shapely.convex_hull(shapes[rings])
        notes.append(f"{int(rings.sum())} closed lines taken as the areas they enclose")
    elif not areas.any() or contract.geometry & POLYGON:
        return frame
    elif contract.geometry == POINT:
        shapes[areas] = shapely.point_on_surface(shapes[areas])
        notes.append(f"{int(areas.sum())} areas taken as a point inside them")
    return frame.set_geometry(shapes, crs=frame.crs)


def _with_columns(
    frame: gpd.GeoDataFrame, contract: Contract, notes: list[str]
) -> gpd.GeoDataFrame:
    held = {name: frame[name] for name in frame.columns}
    columns: dict[str, Any] = {}
    for name, column in {"name": Column("text", nullable=True), **contract.columns}.items():
        if name in held:
            columns[name], odd = _values(held[name], column)
            if odd:
                notes.append(f"{odd} values of '{name}' make no sense and are taken as unknown")
        elif name in contract.columns:
            columns[name] = _unknown(len(frame), column)
    return gpd.GeoDataFrame(columns, geometry=frame.geometry.to_numpy(), crs=frame.crs)


def _unknown(count: int, column: Column) -> Any:
    if column.kind == "number":
        return np.full(count, np.nan)
    return np.full(count, column.choices[-1] if column.choices else None, dtype=object)


def _values(held: pd.Series[Any], column: Column) -> tuple[Any, int]:
    """Return a column as its contract has it, and the count of values that do not fit."""
    given = held.notna().to_numpy()
    out = _unknown(len(held), column)
    if column.kind == "number":
        numbers = pd.to_numeric(held, errors="coerce").to_numpy(float, na_value=np.nan)
        fine = np.isfinite(numbers) & (numbers >= 0)
        out[fine] = numbers[fine]
        return out, int((given & ~fine).sum())
    if column.kind == "date":
        # A date, or a date with an hour, as files write them: 2025-11-20T06:40:00, 2025/11/20.
        days = [
            str(v)[:10].replace("/", "-") if ok else None for v, ok in zip(held, given, strict=True)
        ]
        out[:] = [d if is_date(d) else None for d in days]
        return out, int(given.sum() - sum(d is not None for d in out))
    odd = 0
    for i in np.flatnonzero(given):
        text = str(held.iloc[i]).strip()
        if column.choices:
            text = text.lower()
            odd += text not in column.choices
        if text and (not column.choices or text in column.choices):
            out[i] = text
    return out, odd
