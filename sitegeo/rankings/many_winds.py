"""The blinds of a survey scored for many winds at once, for `hours` and `season`.

`rank` sweeps the wind it is asked for eight times. Here what stands upwind of the blinds' pockets
and near decoys is read from the atlas, or swept once a stored direction where there is none; the
local wind of any wind is then an average over stored directions, weighted by its spread. Components
that do not look at the local wind come from the very steps that `rank` runs, at the stored
directions, and are interpolated between them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import BoolArray, ByteArray, FloatArray, IntArray
from sitegeo.core.wind import TimedWind, Wind
from sitegeo.exposure.many_directions import (
    RatioTables,
    even_bearings,
    horizons_at,
    neighbour_weights,
    ratio_tables,
)
from sitegeo.exposure.surface import lookup_classes
from sitegeo.places.config import Assume
from sitegeo.rankings.ranking import BlindsUnderLaw
from sitegeo.siting.sampling import decoy_patches
from sitegeo.siting.score import (
    ScoreParams,
    combine_components,
    is_too_weak,
    ripple_score,
)
from sitegeo.siting.sun import birds_sun_score, shooters_sun_score, sun_path
from sitegeo.surveys.morning import assumptions_on, gear_carried, prepare_morning
from sitegeo.surveys.survey import ATLAS_FOLDER, Survey

MORNING_HOURS = range(5, 10)
"""Hours of the day that make a morning, by the record's own clock, where none are asked for;
judgement."""

_MIDDLING_MPS = 5.0
"""Wind at which the components that do not look at its speed are worked out."""

_OPEN_FETCH_M = 1e3
"""Fetch given to the step `blinds` where none is known; no component of the score looks at it."""


@dataclass(frozen=True)
class UpwindHorizons:
    """What stands upwind of each blind's pocket and near decoys, by direction.

    Parameters
    ----------
    codes
        (directions, classes, blinds, 2, pixels) horizon codes of `exposure.sweep`.
    wet
        (blinds, 2, pixels) whether a pixel of the patch is water.
    """

    codes: ByteArray
    wet: BoolArray


def upwind_of_blinds(survey: Survey, blinds: gpd.GeoDataFrame) -> UpwindHorizons:
    """Return what stands upwind of blinds, from the atlas or else swept.

    Parameters
    ----------
    survey
        With the layers `cover` and `obstacles`.
    blinds
        Points with `facing_deg`, in the survey's CRS.
    """
    cover: Raster = survey.layers["cover"]
    where = local_wind_points(blinds, cover.grid)
    shape, (x, y) = where.shape[:-1], where.reshape(-1, 2).T
    wet = cover.sample(x, y)[cover.bands.index("class")] == Cover.WATER
    row, col = (
        np.clip(index, 0, size - 1).reshape(shape)
        for index, size in zip(cover.grid.rowcol(x, y), cover.grid.shape, strict=True)
    )
    return UpwindHorizons(survey_horizons(survey, row, col), wet.reshape(shape))


def local_wind_points(blinds: gpd.GeoDataFrame, grid: Grid) -> FloatArray:
    """Return where the local wind of blinds is looked at: about the pocket and the near decoys.

    Returns
    -------
    ndarray
        (blinds, 2, points, 2) metres in the grid's CRS.
    """
    at = np.column_stack([blinds.geometry.x, blinds.geometry.y])
    facing = np.asarray(grid.to_grid_bearing(blinds["facing_deg"].to_numpy(float)))
    return np.asarray(at[:, None, None] + decoy_patches(facing), float)


def survey_horizons(survey: Survey, row: IntArray, col: IntArray) -> ByteArray:
    """Return `horizons_at` pixels of a survey, from its wind atlas where it has one.

    Parameters
    ----------
    survey
        With the layer `obstacles`.
    row, col
        Pixels on its grid, of one shape.

    Returns
    -------
    ndarray
        (directions, classes, *shape of `row`) horizon codes.
    """
    stored = survey.folder is not None and ATLAS_FOLDER in survey.record
    atlas = survey.atlas if stored else None
    return horizons_at(survey.layers["obstacles"], row, col, atlas=atlas)


ByStep = Callable[[gpd.GeoDataFrame, Iterable[Wind]], Iterator[gpd.GeoDataFrame]]
"""Scores blinds for a wind and gives the `blinds` layer, the local wind aside."""


@dataclass(frozen=True)
class Scores:
    """Scores of all blinds for many winds; every array is (winds, blinds).

    Parameters
    ----------
    score
        0 to 1, as `rank` gives it.
    parts
        The components, by name.
    local_mps
        Local wind at the pocket.
    """

    score: FloatArray
    parts: Mapping[str, FloatArray]
    local_mps: FloatArray


@dataclass(frozen=True)
class ScoreTables:
    """Tables from which the blinds' scores for any wind follow; made by `score_tables`.

    Parameters
    ----------
    blinds
        The blinds, in the order of every array's last axis.
    by_step
        The installed steps that score blinds.
    local
        Local over open wind of the patches (blinds, 2), at pocket and near decoys.
    parts
        Components other than the ripple, (directions, blinds).
    still
        The same, and the ripple, without a wind, (blinds,).
    """

    blinds: gpd.GeoDataFrame
    by_step: ByStep
    local: RatioTables
    parts: Mapping[str, FloatArray]
    still: Mapping[str, FloatArray]

    def scores(
        self,
        from_deg: FloatArray,
        speed_mps: FloatArray,
        spread_deg: FloatArray,
        *,
        taller: FloatArray | None = None,
        light: Mapping[str, FloatArray] | None = None,
    ) -> Scores:
        """Return the scores for winds.

        Parameters
        ----------
        from_deg, speed_mps, spread_deg
            (winds,) true bearing each comes from, its open speed, and the spread of its direction.
        taller
            (winds, blinds) factor on the trees' height ÷ distance upwind; none is 1.
        light
            Components that the hour decides and the wind hardly, (blinds,), of `in_light`.

        Returns
        -------
        Scores
            Arrays (winds, blinds).
        """
        ratio = self.local.of_winds(from_deg, spread_deg, taller)
        local = ratio * speed_mps[:, None, None]
        between = neighbour_weights(from_deg)
        parts = {name: between @ table for name, table in self.parts.items()}
        kinds = self.blinds["kind"].to_numpy()
        parts["ripple"] = ripple_score(local.min(axis=2), kinds, ScoreParams())
        calm = is_too_weak(speed_mps[:, None], kinds)
        parts = {name: np.where(calm, self.still[name], part) for name, part in parts.items()}
        setback = self.blinds["c_setback"].to_numpy(float)
        for name, part in {"setback": setback, **(light or {})}.items():
            parts[name] = np.broadcast_to(part, parts["ripple"].shape)
        return Scores(combine_components(parts), parts, local[..., 0])

    def in_light(self, wind: Wind, when: datetime, place: Grid) -> dict[str, FloatArray]:
        """Return the components of the sun for a wind and an hour.

        Parameters
        ----------
        wind
            Birds are taken to come in against it, where it is more than calm.
        when
            The hour, with its offset.
        place
            Grid at whose centre the sun is worked out.

        Returns
        -------
        dict
            Components by name, (blinds,).
        """
        facing = self.blinds["facing_deg"].to_numpy(float)
        lat, lon = place.centre_latlon
        sun = sun_path(lon, lat, when)
        claimed = ~is_too_weak(wind.speed_mps, self.blinds["kind"].to_numpy())
        heading = np.full(len(facing), wind.from_deg)
        return {
            "sun": shooters_sun_score(facing, *sun),
            "birds_sun": birds_sun_score(facing, heading, *sun, claimed=claimed),
        }

    def row(self, scores: Scores, wind: Wind, blind: int) -> pd.Series[Any]:
        """Return one blind under a wind, as a row of the `blinds` layer.

        Parameters
        ----------
        scores
            Of winds, the first of which is meant.
        wind
            That wind.
        blind
            Its place among the blinds.

        Returns
        -------
        Series
            Components and score as in `scores`, the rest as the steps say.
        """
        row = next(self.by_step(self.blinds.iloc[[blind]], [wind])).iloc[0].copy()
        for name, part in scores.parts.items():
            row[f"c_{name}"] = part[0, blind]
        row["score"] = scores.score[0, blind]
        row["local_wind_mps"] = scores.local_mps[0, blind]
        return row


def score_tables(
    survey: Survey, blinds: gpd.GeoDataFrame, upwind: UpwindHorizons, assume: Assume
) -> ScoreTables:
    """Return the tables for one state of the leaves.

    Parameters
    ----------
    survey
        With the layers that the installed steps need.
    blinds
        Of `blinds_under_law`.
    upwind
        Of `upwind_of_blinds` for the same blinds.
    assume
        Of `pipeline.assumptions_on` the hour.

    Returns
    -------
    ScoreTables
        For these blinds, in their order.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    classes = lookup_classes(leaf_off=assume.leaf_off, bands=upwind.codes.shape[1])
    local = ratio_tables(upwind.codes, upwind.wet, classes)
    by_step = _by_step(survey, assume)
    around = [Wind(float(b), _MIDDLING_MPS) for b in even_bearings()]
    *frames, calm = by_step(blinds, [*around, Wind(0.0, 0.0)])
    names = [str(c)[2:] for c in calm.columns if str(c)[:2] == "c_" and c != "c_setback"]
    tables = {n: np.stack([f[f"c_{n}"].to_numpy(float) for f in frames]) for n in names}
    still = {n: calm[f"c_{n}"].to_numpy(float) for n in names}
    tables.pop("ripple")
    return ScoreTables(blinds, by_step, local, tables, still)


def score_tables_by_hour(
    survey: Survey, judged: BlindsUnderLaw, record: list[TimedWind]
) -> list[ScoreTables]:
    """Return the tables that go with each hour: one look upwind, one set a leaf state.

    Parameters
    ----------
    survey
        Where the blinds are of.
    judged
        The blinds that may be hunted.
    record
        The hours.

    Returns
    -------
    list of ScoreTables
        One an hour; hours of one state of the leaves share theirs.
    """
    upwind = upwind_of_blinds(survey, judged.blinds)
    made: dict[bool | None, ScoreTables] = {}
    by_month: dict[int, bool | None] = {}
    for hour in record:
        if hour.time.month not in by_month:
            assume = assumptions_on(survey, hour.time)
            by_month[hour.time.month] = assume.leaf_off
            if assume.leaf_off not in made:
                made[assume.leaf_off] = score_tables(survey, judged.blinds, upwind, assume)
    return [made[by_month[hour.time.month]] for hour in record]


def _by_step(survey: Survey, assume: Assume) -> ByStep:
    """Return the installed steps that score blinds, with all but blinds and wind given."""
    open_wind = np.broadcast_to(
        np.array([_OPEN_FETCH_M, 0, 1.0])[:, None, None], (3, *survey.grid.shape)
    )
    morning: dict[str, Any] = {
        "assume": assume,
        "gear": gear_carried(survey),
        "exposure": Raster(open_wind, survey.grid, None, ("fetch_m", "at_least", "local_ratio")),
    }

    prepared = prepare_morning(survey, morning, want=("blinds",))

    def scored(blinds: gpd.GeoDataFrame, winds: Iterable[Wind]) -> Iterator[gpd.GeoDataFrame]:
        steps_left = prepared.given(candidates=blinds.drop(columns="c_setback"))
        for wind in winds:
            yield steps_left.under(wind)["blinds"]

    return scored


def wind_state(wind: Wind | None) -> str:
    """Return wind, calm or gap."""
    return "gap" if wind is None else "calm" if wind.calm else "wind"
