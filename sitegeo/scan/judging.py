"""What a surveyed tile is asked: its blinds ranked, checked, and judged by past mornings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.core import store
from sitegeo.core.wind import Forecast, Wind
from sitegeo.errors import UsageError
from sitegeo.law.verdicts import verdicts_at
from sitegeo.rankings.ranking import rank
from sitegeo.rankings.season import score_mornings
from sitegeo.scan.region import digest
from sitegeo.scan.tiling import Piece, report_sightings
from sitegeo.surveys.survey import Survey

BLINDS_FILE = "blinds.parquet"
SIGHTINGS_FILE = "positions.parquet"
VERDICTS_FILE = "verdicts.parquet"
WATERS_FILE = "waters.parquet"
MORNINGS_FILE = "mornings.npz"
"""What a tile found: a file each in a folder of its own."""


@dataclass(frozen=True)
class ScanQuery:
    """What is asked of every tile beside its survey.

    Parameters
    ----------
    wind, when
        Rank for this wind, and this local time; without a wind blinds are checked alone.
    winds
        Past winds, on whose mornings blinds are judged.
    """

    wind: Wind | None = None
    when: datetime | None = None
    winds: Forecast | None = None

    def key(self) -> str:
        """Return a hash of it."""
        return digest(self.wind, self.when, self.winds)


def judge_tile(made: Survey, tile: Piece, asked: ScanQuery, out: Path) -> None:
    """Write what is asked of the blinds a tile reports.

    Parameters
    ----------
    made
        The tile's survey.
    tile
        Its core says which positions it reports.
    asked
        What is asked of them.
    out
        A folder to be made.
    """
    out.mkdir()
    seen = report_sightings(made.layers["positions"], tile)
    every: gpd.GeoDataFrame = made.layers["candidates"]
    mine = every[every["position_id"].isin(seen["id"])].reset_index(drop=True)
    blinds, verdicts = _ranked(made, mine, asked)
    blinds.assign(tile=tile.name).to_parquet(out / BLINDS_FILE)
    seen.to_parquet(out / SIGHTINGS_FILE)
    verdicts.to_parquet(out / VERDICTS_FILE)
    _clipped(made.layers["water"], tile).to_parquet(out / WATERS_FILE)
    if asked.winds is not None:
        _mornings(made, mine, asked.winds, out / MORNINGS_FILE)


def _ranked(
    made: Survey, mine: gpd.GeoDataFrame, asked: ScanQuery
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the blinds, rejected ones among them, with scores where a wind is asked."""
    if mine.empty or asked.wind is None:
        points = gpd.GeoDataFrame(mine[["id"]], geometry=mine.geometry, crs=mine.crs)
        checked = verdicts_at(points, made.law, made.layers, made.record)
        return mine, checked
    # A spread is tried at every place: the best ten of a tile would depend on how it is cut.
    ranking = rank(made, asked.wind, when=asked.when, candidates=mine, spreads_tried=len(mine))
    frames = [f for f in (ranking.blinds, ranking.rejected) if len(f)]
    both = pd.concat([f.astype({"rejected_by": object}) for f in frames], ignore_index=True)
    if "cautions" in both:
        both["cautions"] = [
            list(c) if isinstance(c, tuple | list) else [] for c in both["cautions"]
        ]
    both = both.drop(columns="rank", errors="ignore")
    return gpd.GeoDataFrame(both, geometry="geometry", crs=mine.crs), ranking.verdicts


def _clipped(water: gpd.GeoDataFrame, tile: Piece) -> gpd.GeoDataFrame:
    core = shapely.box(*tile.core.bounds)
    inside = water[water.intersects(core)]
    parts = shapely.intersection(inside.geometry.to_numpy(), core)
    return gpd.GeoDataFrame({"source": inside["source"].to_numpy()}, geometry=parts, crs=water.crs)


def _mornings(made: Survey, mine: gpd.GeoDataFrame, winds: Forecast, path: Path) -> None:
    only = replace(made, layers=MappingProxyType({**_lazy(made), "candidates": mine}))
    try:
        found = score_mornings(only, winds)
    except UsageError:  # none of its blinds may be hunted
        np.savez(path, ids=np.array([], str), dates=np.array([], str), mean=np.zeros((0, 0)))
        return
    np.savez_compressed(
        path,
        ids=found.judged.blinds["id"].to_numpy(str),
        dates=np.array([d.isoformat() for d in found.dates], str),
        mean=found.mean.astype(np.float32),
        fair=found.fair,
    )


def _lazy(made: Survey) -> dict[str, Any]:
    return {name: made.layers[name] for name in made.layers if name != store.PHOTO}
