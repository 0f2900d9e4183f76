"""One tile: surveyed, its blinds ranked and judged. A pure task with hashed outputs.

Everything it writes lies in folders named after the hash of what went in, written whole or not
at all, so that a task may be killed or run twice without harm.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import pandas as pd

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.errors import SitegeoError
from sitegeo.exposure.sweep import encode_surface
from sitegeo.places.place import Input, Place
from sitegeo.scan.judging import ScanQuery, judge_tile
from sitegeo.scan.plates import UNKNOWN, WET, Plate, assemble_plates, plates_key
from sitegeo.scan.rasters import rasters_touching
from sitegeo.scan.region import Region, digest, read_pixels, read_shapes, step_params, window_key
from sitegeo.scan.tiling import Piece, overlap, rename_blinds, with_region_ids
from sitegeo.scan.vectors import layers_key
from sitegeo.shore.position import positions_layer
from sitegeo.shore.positions import find_inner_positions
from sitegeo.shore.shoreline import data_extent, land_layer
from sitegeo.surveys.survey import Survey, survey

WATER_WITHIN_M = 60.0
"""A core with no water this close has no blind (judgement)."""

WORK_FOLDER = ".work"
"""Within a scan's folder: what a later run takes up, of no use to a person."""

TileState = str
"""surveyed, dry (no water near the core), bare (no photo), unreadable or failed."""


@dataclass(frozen=True)
class TileJob:
    """A tile to survey.

    Parameters
    ----------
    plates
        Those that touch what the tile sees.
    waters
        File of the region's coarse waters, and in it the part that the tile's waters fill.
    banks
        File of the waters, stations and bank positions that the tile sees; None where the
        installed steps find them tile by tile.
    """

    tile: Piece
    plates: tuple[Plate, ...]
    waters: str
    about: Grid
    part: tuple[slice, slice]
    banks: Mapping[str, gpd.GeoDataFrame] | None = None


@dataclass(frozen=True)
class SurveyTile:
    """What came of a tile.

    Parameters
    ----------
    survey, found
        Folders of its survey and of what was found, relative to the scan's.
    kept
        Whether both were there from an earlier run.
    notes
        What a person should know of it.
    """

    name: str
    state: TileState
    survey: str | None = None
    found: str | None = None
    kept: bool = False
    reason: str | None = None
    notes: tuple[str, ...] = ()
    seconds: float = 0.0
    peak_bytes: int = 0


def survey_tile(region: Region, job: TileJob, asked: ScanQuery, out: str) -> SurveyTile:
    """Survey a tile and judge its blinds; return where it lies, or why it could not be.

    Parameters
    ----------
    region
        With the photos that touch what the tile sees.
    job
        The tile, and what of the region it needs.
    asked
        What is asked of it.
    out
        Folder of the scan.

    Returns
    -------
    SurveyTile
        State `failed` with the reason where an error of ours was raised.
    """
    started = time.perf_counter()
    try:
        done = _survey_tile(region, job, asked, Path(out))
    except SitegeoError as error:
        done = SurveyTile(job.tile.name, "failed", reason=str(error))
    seconds = round(time.perf_counter() - started, 3)
    return replace(done, seconds=seconds, peak_bytes=_peak_bytes())


def _survey_tile(region: Region, job: TileJob, asked: ScanQuery, out: Path) -> SurveyTile:
    tile, plates = job.tile, job.plates
    shapes, notes = read_shapes(region, tile.seen)
    halo = _halo(job)
    key = digest(
        window_key(region.settings_key(), region, tile.seen, shapes),
        (tile.core.west, tile.core.north, tile.core.shape),
        plates_key(plates),
        (halo.grid.west, halo.grid.north, halo.values.tobytes()),
        layers_key(job.banks or {}),
    )
    folder = out / "tiles" / tile.name
    found = out / WORK_FOLDER / "found" / f"{tile.name}-{digest(key, asked.key())}"
    if not (surveyed := _kept(folder, key)):
        core_faults = [p.fault for p in plates if p.fault and overlap(p.core, tile.core)]
        pixels = assemble_plates(plates, tile.seen)
        if not _near_water(pixels["cover"], tile):
            return _without_water(tile, pixels["cover"], core_faults)
        photo, rasters, faults = read_pixels(region, tile.seen)
        unreadable = _in_core(region, tile, faults) + core_faults
        if unreadable or photo is None:
            reason = unreadable[0] if unreadable else "no photo"
            return SurveyTile(tile.name, "unreadable" if unreadable else "bare", reason=reason)
        notes += [f"beyond the tile, a file cannot be read: {words}" for _, words in faults]
        rasters |= pixels | {"halo": halo}
        place = _place(region, tile, photo, shapes, rasters, notes=notes)
        if job.banks is not None:
            place = _with_banks(place, job.banks)
        made = _recorded(survey(place, law=region.law), tile, key, whole=job.banks is not None)
        _once(folder, lambda new: made.save(new, atlas=False, sheet=False))
    if not found.is_dir():
        opened = Survey.open(folder)
        _once(found, lambda new: judge_tile(opened, tile, asked, new))
        surveyed = False
    return SurveyTile(
        tile.name,
        "surveyed",
        survey=str(folder.relative_to(out)),
        found=str(found.relative_to(out)),
        kept=surveyed,
        notes=tuple(notes),
    )


def _kept(folder: Path, key: str) -> bool:
    """Whether a folder holds a survey made from the same."""
    try:
        return bool(Survey.open(folder).record.get("scan", {}).get("key") == key)
    except SitegeoError:
        return False


def _halo(job: TileJob) -> Raster:
    """Return the waters a tile touches, whole and coarse, as a surface to be swept."""
    state = np.asarray(np.load(job.waters, mmap_mode="r")[job.part])
    return Raster(encode_surface(state == WET, known=state != UNKNOWN), job.about)


def _near_water(cover: Raster, tile: Piece) -> bool:
    margin = int(np.ceil(WATER_WITHIN_M / tile.core.pixel_m))
    shared = overlap(tile.seen, tile.core)
    assert shared is not None
    (rows, columns), _ = shared
    near = (
        slice(max(0, rows.start - margin), rows.stop + margin),
        slice(max(0, columns.start - margin), columns.stop + margin),
    )
    return bool((cover.band("class")[near] == Cover.WATER).any())


def _without_water(tile: Piece, cover: Raster, faults: Sequence[str | None]) -> SurveyTile:
    """Tell a tile that is dry from one that nothing is known of."""
    if faults:
        return SurveyTile(tile.name, "unreadable", reason=faults[0])
    shared = overlap(tile.seen, tile.core)
    assert shared is not None
    if not cover.mask[shared[0]].any():
        return SurveyTile(tile.name, "bare", reason="no photo, or one of a single colour")
    return SurveyTile(tile.name, "dry")


def _in_core(region: Region, tile: Piece, faults: Sequence[tuple[str, str]]) -> list[str]:
    inside = {
        s.path for s in rasters_touching([*region.photos, *region.rasters.values()], tile.core)
    }
    return [words for path, words in faults if path in inside]


def _place(
    region: Region,
    tile: Piece,
    photo: Raster,
    shapes: Mapping[str, gpd.GeoDataFrame],
    rasters: Mapping[str, Raster],
    *,
    notes: Sequence[str],
) -> Place:
    keys = region.file
    extent = tile.seen.bounds
    crs = region.grid.crs.to_string()
    files = rasters_touching(region.photos, tile.seen)
    inputs = [Input("imagery", Path(s.path).name, s.stamp, crs, extent) for s in files]
    inputs += [
        Input(role, Path(s.path).name, s.stamp, crs, extent)
        for role, s in region.rasters.items()
        if role in rasters
    ]
    inputs += [
        Input(role, v.path.name, layers_key({role: _layer(shapes, role)}), crs, extent)
        for role, v in region.vectors.items()
    ]
    return Place(
        title=f"{keys.title}, {tile.name}",
        source=region.path,
        imagery=photo,
        vectors=shapes,
        rasters=rasters,
        assume=keys.assume,
        gear=keys.gear,
        law=keys.law,
        credits=keys.credit,
        zone=keys.place.zone,
        taken=keys.imagery.taken,
        inputs=tuple(inputs),
        notes=tuple(notes),
    )


def _layer(shapes: Mapping[str, gpd.GeoDataFrame], role: str) -> gpd.GeoDataFrame | None:
    return shapes.get("mapped_water" if role == "water" else role)


def _with_banks(place: Place, banks: Mapping[str, gpd.GeoDataFrame]) -> Place:
    """Return a place that brings its shores and positions ready-made.

    What lies within the waters is found here: it is small, and seen whole.
    """
    pixels = place.rasters
    params = step_params("positions")
    inner = find_inner_positions(
        banks["water"],
        pixels["cover"],
        pixels["canopy_height"],
        depth=pixels.get("depth"),
        imagery=place.imagery,
        params=params,
    )
    own = with_region_ids(positions_layer(inner, place.crs))
    both = pd.concat([f for f in (banks["positions"], own) if len(f)] or [own])
    positions = both.sort_values("id", ignore_index=True)
    extent = data_extent(place.grid, pixels["cover"].valid)
    shore = step_params("shoreline")
    ready = {
        "water": banks["water"],
        "land": land_layer(banks["water"], extent, shore),
        "stations": banks["stations"],
        "positions": gpd.GeoDataFrame(positions, geometry="geometry", crs=place.crs),
    }
    return replace(place, vectors={**place.vectors, **ready})


def _recorded(made: Survey, tile: Piece, key: str, *, whole: bool) -> Survey:
    """Return a survey that knows its tile and key, under the region's ids."""
    record = {**made.record, "scan": {"key": key, "tile": tile.name}}
    layers = dict(made.layers)
    if not whole:
        layers["positions"], layers["candidates"] = rename_blinds(
            layers["positions"], layers["candidates"]
        )
    return replace(made, record=MappingProxyType(record), layers=MappingProxyType(layers))


def _once(folder: Path, write: Callable[[Path], object]) -> None:
    """Let `write` make a folder of its own, then give it the name; of two at once either wins."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    new = folder.with_name(f".{folder.name}-{os.getpid()}-{time.monotonic_ns()}")
    new.mkdir()
    try:
        write(new / "new")
        if folder.exists():
            folder.rename(new / "old")
        (new / "new").rename(folder)
    except OSError:
        if not folder.is_dir():
            raise
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _peak_bytes() -> int:
    """Return the most memory this process has held (VmHWM), 0 where the system does not say."""
    try:
        text = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return 0
    line = next(line for line in text.splitlines() if line.startswith("VmHWM:"))
    return int(line.split()[1]) * 1024
