"""A region scanned: plates, waters and tiles on Dask, then everything merged."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sitegeo._version import __version__
from sitegeo.core.grid import Grid
from sitegeo.errors import SurveyError
from sitegeo.scan import cluster
from sitegeo.scan.extracts import sort_extracts
from sitegeo.scan.judging import ScanQuery
from sitegeo.scan.merging import MergedScan, merge_tiles, write_scan
from sitegeo.scan.plates import CoarseWaters, Plate, find_waters, read_plate
from sitegeo.scan.rasters import rasters_touching, subgrid
from sitegeo.scan.region import Region
from sitegeo.scan.shores import (
    CONTOUR_PX,
    Banks,
    describe_shores,
    find_banks,
    trace_outline,
    walk_shores,
    walks_whole_shores,
)
from sitegeo.scan.tiles import WORK_FOLDER, SurveyTile, TileJob, survey_tile
from sitegeo.scan.tiling import Piece, cut_plates, cut_tiles, fit_tile_size_m, overlap, widen

SCAN_RECORD = "scan.json"
"""File of a scan's folder that says what was done; a folder without it is left alone."""

SCAN_SCHEMA = "sitegeo/scan/1"
"""Form of that file."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Scan:
    """What a scan found.

    Parameters
    ----------
    tiles
        What came of each tile.
    plates
        The cover it was made from.
    found
        Blinds, verdicts and waters of the region.
    """

    region: Region
    tiles: Sequence[SurveyTile]
    plates: Sequence[Plate]
    found: MergedScan

    def counts(self) -> dict[str, int]:
        """Return how many tiles came out how; `kept` are those of an earlier run."""
        states = ["kept" if t.kept else t.state for t in self.tiles]
        order = ("surveyed", "kept", "dry", "bare", "unreadable", "failed")
        return {name: states.count(name) for name in order}

    @property
    def missing(self) -> list[SurveyTile]:
        """Tiles whose blinds are missing for a reason that can be put right."""
        return [t for t in self.tiles if t.state in ("unreadable", "failed")]


def scan(
    region: Region,
    out: Path,
    client: Any,
    *,
    asked: ScanQuery | None = None,
    overwrite: bool = False,
    progress: Progress = lambda _what, _done, _of: None,
) -> Scan:
    """Scan a region into a folder, doing only what an earlier run left undone.

    Parameters
    ----------
    region
        As `read_region` gives it.
    out
        Folder of the scan.
    client
        A Dask client; every worker must see `out` and the region's files under the same paths.
    asked
        What is asked of every tile; by default its survey and verdicts alone.
    overwrite
        Start afresh.
    progress
        Called with what is being done, how many of how many.

    Returns
    -------
    Scan
        What came of each tile, and the blinds of the region; all of it is written too.

    Raises
    ------
    SurveyError
        If the folder holds something else.
    UsageError
        If a worker's memory is too small.
    """
    out, asked = out.absolute(), asked or ScanQuery()
    _prepare(out, overwrite=overwrite)
    work = out / WORK_FOLDER
    region = sort_extracts(region, work / "extracts")
    size_m = fit_tile_size_m(
        region.file.tiles.size_m,
        pixel_m=region.grid.pixel_m,
        halo_m=region.file.tiles.halo_m,
        memory_bytes=cluster.smallest_memory_bytes(client),
    )
    covered = _plates(region, work, client, progress)
    waters = find_waters(region, covered)
    kept_at = work / "waters.npy"
    np.save(kept_at, waters.state)
    pieces = cut_tiles(region.grid, size_m=size_m, halo_m=region.file.tiles.halo_m)
    jobs = [_job(piece, covered, waters, str(kept_at)) for piece in pieces]
    banks = None
    if walks_whole_shores():
        banks = _banks(region, jobs, covered, work, client, progress)
        jobs = [replace(job, banks=banks.near(job.tile.seen)) for job in jobs]
    given = [(_near(region, j.tile.seen), j, asked, str(out)) for j in jobs]
    done = _tiles(given, client, progress)
    progress("merging", 0, 1)
    found = merge_tiles(out, done, asked=asked, water=None if banks is None else banks.water)
    result = Scan(region, done, covered, found)
    _sweep_up(out, result)
    write_scan(out, found, record=_record(result, size_m), pieces=pieces, tiles=done)
    progress("merging", 1, 1)
    return result


def _prepare(out: Path, *, overwrite: bool) -> None:
    if out.exists() and any(out.iterdir()):
        if not (out / SCAN_RECORD).is_file() and not (out / WORK_FOLDER).is_dir():
            raise SurveyError(
                "the folder holds other things and is left alone",
                where=out,
                remedy="Choose another --out",
            )
        if overwrite:
            for name in (WORK_FOLDER, "tiles"):
                shutil.rmtree(out / name, ignore_errors=True)
    (out / WORK_FOLDER).mkdir(parents=True, exist_ok=True)


def _near(region: Region, grid: Grid) -> Region:
    """Return the region with no more photos than touch a window: what a task is sent."""
    return replace(region, photos=tuple(rasters_touching(region.photos, grid)), faults=())


def _plates(region: Region, work: Path, client: Any, progress: Progress) -> list[Plate]:
    pieces = cut_plates(region.grid)
    folder = str(work / "plates")
    jobs = [(_near(region, p.seen), p, folder) for p in pieces]
    found = cluster.run_jobs(
        client, read_plate, jobs, on_done=_counter("cover", len(jobs), progress)
    )
    return [
        Plate(piece.core, None, "", fault=cluster.describe_failure(plate))
        if isinstance(plate, BaseException)
        else plate
        for piece, plate in zip(pieces, found, strict=True)
    ]


def _banks(  # noqa: PLR0917
    region: Region,
    jobs: Sequence[TileJob],
    covered: Sequence[Plate],
    work: Path,
    client: Any,
    progress: Progress,
) -> Banks:
    """Return the shores of the whole region and what stands on them."""
    grid = region.grid
    about = [
        (tuple(p for p in covered if overlap(p.core, widen(c.core, CONTOUR_PX, grid))), c.core)
        for c in covered
    ]
    given = [(near, core, grid, str(work / "outlines")) for near, core in about]
    counted = _counter("outlines", len(given), progress)
    drawn = cluster.require_results(cluster.run_jobs(client, trace_outline, given, on_done=counted))
    shores = walk_shores(region, drawn)
    folder = str(work / "shores")
    asked = [(j.plates, j.tile, shores.in_core(j.tile), folder) for j in jobs]
    counted = _counter("shores", len(asked), progress)
    looks = cluster.require_results(
        cluster.run_jobs(client, describe_shores, asked, on_done=counted)
    )
    return find_banks(shores, looks, grid)


def _job(piece: Piece, covered: Sequence[Plate], waters: CoarseWaters, path: str) -> TileJob:
    part = waters.about(piece.seen)
    rows, columns = part
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    about = subgrid(waters.grid, rows.start, columns.start, shape)
    seen = tuple(p for p in covered if overlap(p.core, piece.seen))
    return TileJob(piece, seen, path, about, part)


def _tiles(
    given: Sequence[tuple[Region, TileJob, ScanQuery, str]], client: Any, progress: Progress
) -> list[SurveyTile]:
    counted = _counter("tiles", len(given), progress)
    found = cluster.run_jobs(client, survey_tile, given, on_done=counted)
    return [
        SurveyTile(job.tile.name, "failed", reason=cluster.describe_failure(tile))
        if isinstance(tile, BaseException)
        else tile
        for (_, job, _, _), tile in zip(given, found, strict=True)
    ]


def _counter(what: str, of: int, progress: Progress) -> Callable[[], None]:
    done = iter(range(1, of + 1))
    progress(what, 0, of)
    return lambda: progress(what, next(done), of)


def _sweep_up(out: Path, found: Scan) -> None:
    """Remove what earlier runs left and this one has no use for."""
    used = {Path(t.found).name for t in found.tiles if t.found}
    used |= {Path(p.path).name for p in found.plates if p.path}
    used |= {t.name for t in found.tiles if t.survey}
    for folder in (out / WORK_FOLDER / "found", out / WORK_FOLDER / "plates", out / "tiles"):
        for path in folder.iterdir() if folder.is_dir() else ():
            if path.name not in used:
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def _record(found: Scan, size_m: float) -> dict[str, Any]:
    region = found.region
    grid = region.grid
    return {
        "schema": SCAN_SCHEMA,
        "sitegeo_version": __version__,
        "title": region.file.title,
        "region": region.path.name,
        "crs": grid.crs.to_string(),
        "bounds_m": [round(v, 3) for v in grid.bounds],
        "pixel_m": grid.pixel_m,
        "tile_m": round(size_m, 3),
        "halo_m": region.file.tiles.halo_m,
        "law": {"name": region.law.title, "chosen": region.law.chosen},
        "counts": dict(sorted(Counter(t.state for t in found.tiles).items())),
        "tiles": [
            {"name": t.name, "state": t.state, "survey": t.survey, "reason": t.reason}
            for t in found.tiles
        ],
        "unreadable": [{"file": Path(f).name, "reason": why} for f, why in region.faults],
        "credits": [c.words for c in region.file.credit],
    }
