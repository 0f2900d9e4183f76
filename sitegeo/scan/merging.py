"""What the tiles found, made one: blinds, verdicts, waters, mornings, and the files of them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.angles import unit_from_bearing
from sitegeo.core import store
from sitegeo.core.grid import convergence_deg
from sitegeo.core.store import write_geopackage
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.rankings.season import WORKS_SHARE
from sitegeo.scan.judging import (
    BLINDS_FILE,
    MORNINGS_FILE,
    SIGHTINGS_FILE,
    VERDICTS_FILE,
    WATERS_FILE,
    ScanQuery,
)
from sitegeo.scan.overview import draw_overview
from sitegeo.scan.tiles import SurveyTile
from sitegeo.scan.tiling import Piece, choose_sightings
from sitegeo.spreads.frame import POCKET_M

_DATASET = "blinds"
_PACKAGE = "blinds.gpkg"

_JOIN_M = 0.5
"""Waters this close on either side are one: two tiles draw them up to the same edge (judgement)."""


@dataclass(frozen=True)
class MergedScan:
    """Blinds of the whole region, each once.

    Parameters
    ----------
    blinds
        Ranked for the wind where one was asked: the best of each place first, `rank` empty for the
        rejected; else by id. `water` is the id of the water in front, `survey` the folder that
        `plan` accepts, `share` of past mornings on which it works where winds were asked.
    verdicts
        One row a blind and target.
    waters
        Water bodies across tiles: `id` north to south, `area_m2`, `source`.
    mornings
        Dates with a wind.
    """

    blinds: gpd.GeoDataFrame
    verdicts: pd.DataFrame
    waters: gpd.GeoDataFrame
    mornings: tuple[str, ...] = ()


def merge_tiles(
    out: Path, tiles: Sequence[SurveyTile], *, asked: ScanQuery, water: gpd.GeoDataFrame | None
) -> MergedScan:
    """Return what the tiles found, positions on their seams once.

    Parameters
    ----------
    out
        Folder of the scan.
    tiles
        What came of each tile, in order.
    asked
        What was asked of them.
    water
        The region's waters where they are known; else those of the tiles are joined.

    Returns
    -------
    MergedScan
        In the region's CRS; empty where no tile was surveyed.
    """
    done = [t for t in tiles if t.found is not None]
    if not done:
        nothing = gpd.GeoDataFrame({"id": []}, geometry=[], crs="EPSG:4326")
        return MergedScan(nothing, pd.DataFrame({"id": []}), nothing)
    at = {t.name: out / str(t.found) for t in done}
    seen = pd.concat(
        [pd.read_parquet(at[t.name] / SIGHTINGS_FILE) for t in done], ignore_index=True
    )
    standing = seen[choose_sightings(seen)].drop_duplicates("id")
    ours = {name: set(rows["id"]) for name, rows in standing.groupby("tile")}
    frames, checked = [], []
    for tile in done:
        mine = ours.get(tile.name, set())
        blinds = gpd.read_parquet(at[tile.name] / BLINDS_FILE)
        blinds = blinds[blinds["position_id"].isin(mine)].assign(survey=tile.survey)
        if "cautions" in blinds:
            blinds["cautions"] = [list(c) for c in blinds["cautions"]]
        frames.append(blinds)
        verdicts = pd.read_parquet(at[tile.name] / VERDICTS_FILE)
        checked.append(verdicts[verdicts["id"].isin(blinds["id"])])
    if water is None:
        water = _joined([gpd.read_parquet(at[t.name] / WATERS_FILE) for t in done])
    waters = water
    crs = waters.crs
    together = pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)
    every = gpd.GeoDataFrame(together, geometry="geometry", crs=crs)
    every["water"] = pd.Series(_in_front(every, waters), dtype=object)
    dates: tuple[str, ...] = ()
    if asked.winds is not None:
        share, dates = morning_shares([at[t.name] / MORNINGS_FILE for t in done], set(every["id"]))
        every = every.assign(share=every["id"].map(share).astype(float))
    return MergedScan(_in_order(every), pd.concat(checked, ignore_index=True), waters, dates)


def _in_order(blinds: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if "score" not in blinds:
        return blinds.sort_values("id", ignore_index=True)
    out = blinds["rejected_by"].notna()
    other = blinds["same_place_as"].notna()
    order = np.lexsort((blinds["id"], -blinds["score"].to_numpy(float), other, out))
    ranked = blinds.iloc[order].reset_index(drop=True)
    fit = int((~out).sum())
    number = np.r_[np.arange(1, fit + 1), np.full(len(ranked) - fit, np.nan)]
    ranked.insert(1, "rank", pd.Series(number).astype("Int64"))
    return ranked


def _joined(parts: Sequence[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Return water bodies across the tiles that cut them."""
    crs = parts[0].crs
    every = pd.concat(parts, ignore_index=True)
    whole = shapely.union_all(
        shapely.buffer(every.geometry.to_numpy(), _JOIN_M, join_style="mitre")
    )
    bodies = [g for g in shapely.get_parts(whole) if g.geom_type == "Polygon"]
    bodies = [g for b in bodies for g in shapely.get_parts(b.buffer(-_JOIN_M, join_style="mitre"))]
    bodies.sort(key=lambda g: (-round(g.centroid.y, 1), round(g.centroid.x, 1)))
    tree = shapely.STRtree(bodies)
    sources: list[set[str]] = [set() for _ in bodies]
    inside = shapely.point_on_surface(every.geometry.to_numpy())
    for part, body in tree.query(inside, predicate="intersects").T:
        sources[body].add(str(every["source"].iloc[part]))
    digits = max(3, len(str(len(bodies))))
    return gpd.GeoDataFrame(
        {
            "id": [f"W{n:0{digits}d}" for n in range(1, len(bodies) + 1)],
            "area_m2": np.array([round(g.area, 1) for g in bodies], float),
            "source": [s.pop() if len(s) == 1 else "both" for s in sources],
        },
        geometry=bodies,
        crs=crs,
    )


def _in_front(blinds: gpd.GeoDataFrame, waters: gpd.GeoDataFrame) -> list[str | None]:
    """Return the id of the water each blind looks over: the nearest to its pocket."""
    if blinds.empty or waters.empty:
        return [None] * len(blinds)
    at = np.column_stack([blinds.geometry.x, blinds.geometry.y])
    assert blinds.crs is not None
    turn = convergence_deg(blinds.crs, *at.mean(axis=0))
    east, north = unit_from_bearing(blinds["facing_deg"].to_numpy(float) - turn)
    pockets = shapely.points(at + POCKET_M * np.column_stack([east, north]))
    nearest = shapely.STRtree(waters.geometry.to_numpy()).nearest(pockets)
    return [str(name) for name in waters["id"].to_numpy()[nearest]]


def morning_shares(
    paths: Sequence[Path], ids: set[str]
) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return the share of mornings on which each blind works, the best being the region's.

    A blind works where its score is within `WORKS_SHARE` of the best blind's of that morning.
    """
    best: FloatArray | None = None
    held: list[tuple[AnyArray, AnyArray, AnyArray]] = []
    dates: tuple[str, ...] = ()
    for path in paths:
        with np.load(path) as found:
            wanted = np.isin(found["ids"], list(ids))
            if not wanted.any():
                continue
            names = found["ids"][wanted]
            mean, fair = found["mean"][:, wanted], found["fair"][:, wanted]
            dates = tuple(str(d) for d in found["dates"])
        top = mean.max(axis=1).astype(float)
        best = top if best is None else np.maximum(best, top)
        held.append((names, mean, fair))
    share: dict[str, float] = {}
    for names, mean, fair in held:
        works = fair & (mean >= WORKS_SHARE * np.asarray(best)[:, None] - 1e-6)
        share |= dict(zip(map(str, names), works.mean(axis=0).tolist(), strict=True))
    return share, dates


def write_scan(
    out: Path,
    found: MergedScan,
    *,
    record: Mapping[str, Any],
    pieces: Sequence[Piece],
    tiles: Sequence[SurveyTile],
) -> None:
    """Write the merged files of a scan, each whole or not at all; scan.json last.

    Parameters
    ----------
    out
        Folder of the scan.
    found
        What the tiles found.
    record
        What scan.json holds.
    pieces, tiles
        Where each tile lies and what came of it, in the same order.
    """
    new = out / f".new-{os.getpid()}"
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir()
    try:
        for name, rows in found.blinds.groupby("tile") if len(found.blinds) else ():
            part = new / _DATASET / f"tile={name}"
            part.mkdir(parents=True)
            rows.drop(columns="tile").to_parquet(part / "blinds.parquet", write_covering_bbox=True)
        found.verdicts.to_parquet(new / "verdicts.parquet", index=False)
        cut = _tile_layer(pieces, tiles, found)
        write_geopackage(
            new / _PACKAGE, {"blinds": found.blinds, "waters": found.waters, "tiles": cut}
        )
        draw_overview(
            new / "overview.png",
            out=out,
            record=record,
            blinds=found.blinds,
            waters=found.waters,
            tiles=cut,
        )
        timings = {t.name: {"seconds": t.seconds, "peak_bytes": t.peak_bytes} for t in tiles}
        store.write_json(new / "timings.json", timings)
        store.write_json(new / "scan.json", {**record, "mornings": len(found.mornings)})
        order = sorted(new.iterdir(), key=lambda p: (p.name == "scan.json", p.name))
        for path in order:
            _take_place(path, out / path.name)
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _take_place(new: Path, old: Path) -> None:
    if old.is_dir():
        aside = old.with_name(f".old-{old.name}")
        shutil.rmtree(aside, ignore_errors=True)
        old.rename(aside)
        new.rename(old)
        shutil.rmtree(aside, ignore_errors=True)
    else:
        new.replace(old)


def _tile_layer(
    pieces: Sequence[Piece], tiles: Sequence[SurveyTile], found: MergedScan
) -> gpd.GeoDataFrame:
    held = dict(found.blinds["tile"].value_counts()) if "tile" in found.blinds else {}
    return gpd.GeoDataFrame(
        {
            "id": [p.name for p in pieces],
            "state": [t.state for t in tiles],
            "reason": pd.Series([t.reason for t in tiles], dtype=object),
            "blinds": [int(held.get(t.name, 0)) for t in tiles],
        },
        geometry=[shapely.box(*p.core.bounds) for p in pieces],
        crs=pieces[0].core.crs,
    )
