"""The blinds of a survey scored for many winds at once, for `hours` and `season`.

`rank` sweeps the wind it is asked for eight times. Here what stands upwind of the blinds' pockets
and near decoys is read from the atlas, or swept once a stored direction where there is none; the
local wind of any wind is then an average over stored directions, weighted by its spread. Components
that do not look at the local wind come from the very steps that `rank` runs, at the stored
directions, and are interpolated between them.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from sitegeo.angles import signed_diff_deg, wrap360
from sitegeo.core import steps
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.parallel import allowed
from sitegeo.core.typing import BoolArray, ByteArray, FloatArray, IntArray
from sitegeo.core.wind import CALM_MPS, TimedWind, Wind
from sitegeo.exposure.shelter import wind_ratio, windward_ratio
from sitegeo.exposure.surface import classes_of, lookup_classes
from sitegeo.exposure.sweep import HORIZON_STEPS, empty_sweep, sweep
from sitegeo.places.config import Assume
from sitegeo.rankings.ranking import BlindsUnderLaw
from sitegeo.siting.sampling import disc, turned
from sitegeo.siting.score import ScoreParams, combine, ripple_at, standing_of, too_weak
from sitegeo.siting.sun import birds_sun, shooters_sun, sun_path
from sitegeo.spreads.frame import NEAR_DECOYS_M, POCKET_M
from sitegeo.surveys.pipeline import assumptions_on, gear_carried
from sitegeo.surveys.survey import ATLAS_FOLDER, Survey

DIRECTIONS = 36
"""Directions of the atlas, at which components are worked out and interpolated between."""

LEAST_SPREAD_DEG = 8.0
"""Narrower spreads are averaged as this one: stored directions 10° apart tell no more."""

OCTAVES = np.linspace(-2.0, 2.0, 9)
"""Powers of two by which the trees' height ÷ distance is scaled, as nodes to interpolate on."""

# The directions that `rank` averages over reach two standard deviations, so that theirs is a
# little less than the wind's.
_NARROWER = 0.95


@dataclass(frozen=True)
class UpwindHorizons:
    """What stands upwind of each blind's pocket and near decoys, by stored direction.

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
    blinds
        Points with `facing_deg`, in the survey's CRS.
    """
    cover: Raster = survey.layers["cover"]
    grid = cover.grid
    at = np.column_stack([blinds.geometry.x, blinds.geometry.y])
    facing = np.asarray(grid.to_grid_bearing(blinds["facing_deg"].to_numpy(float)))
    patches = [turned(disc(4.0, 1.0) + [0.0, m], facing) for m in (POCKET_M, NEAR_DECOYS_M)]
    where = at[:, None, None] + np.stack(patches, axis=1)
    shape, (x, y) = where.shape[:-1], where.reshape(-1, 2).T
    wet = cover.sample(x, y)[cover.bands.index("class")] == Cover.WATER
    row, col = (
        np.clip(index, 0, size - 1).reshape(shape)
        for index, size in zip(grid.rowcol(x, y), grid.shape, strict=True)
    )
    return UpwindHorizons(horizons_at(survey, row, col), wet.reshape(shape))


def horizons_at(survey: Survey, row: IntArray, col: IntArray) -> ByteArray:
    """Return horizon codes of pixels, (directions, classes, …)."""
    if survey.folder is None or ATLAS_FOLDER not in survey.record:
        return _swept(survey.layers["obstacles"], row, col)
    atlas = survey.atlas
    top, left = int(row.min()), int(col.min())
    bottom, right = int(row.max()) + 1, int(col.max()) + 1
    at = np.ravel_multi_index((row - top, col - left), (bottom - top, right - left))

    def read(bearing: float) -> ByteArray:
        codes = atlas.horizon_codes(round(bearing), (slice(top, bottom), slice(left, right)))
        return codes.reshape(len(codes), -1).take(at, axis=1)

    with ThreadPoolExecutor(allowed()) as pool:
        return np.stack(list(pool.map(read, bearings(DIRECTIONS))))


def _swept(obstacles: Raster, row: IntArray, col: IntArray) -> ByteArray:
    grid, classes = obstacles.grid, len(classes_of(obstacles))
    buffers = empty_sweep(grid.shape, classes)
    codes = np.empty((DIRECTIONS, classes, *row.shape), np.uint8)
    for number, bearing in enumerate(bearings(DIRECTIONS)):
        from_grid = float(grid.to_grid_bearing(bearing))
        sweep(
            obstacles.values, from_grid_deg=from_grid, pixel_m=grid.pixel_m, bands=classes,
            out=buffers,
        )  # fmt: skip
        codes[number] = buffers.horizon_code[:, row, col]
    return codes


def bearings(count: int) -> FloatArray:
    """Return true bearings evenly round the compass from north."""
    return np.arange(count, dtype=np.float64) * (360.0 / count)


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
    ratio, ahead
        (octaves, directions, blinds, 2): local over open wind at pocket and near decoys, in the
        lee of what stands upwind and in front of what stands downwind.
    parts
        Components other than the ripple, (directions, blinds).
    still
        The same, and the ripple, without a wind, (blinds,).
    """

    blinds: gpd.GeoDataFrame
    by_step: ByStep
    ratio: FloatArray
    ahead: FloatArray
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
        """Return the scores for winds, given as three arrays of one length.

        Parameters
        ----------
        taller
            (winds, blinds) factor on the trees' height ÷ distance upwind; none is 1.
        light
            Components that the hour decides and the wind hardly, (blinds,), of `in_light`.
        """
        local = self._ratio(from_deg, spread_deg, taller) * speed_mps[:, None, None]
        between = _shared(from_deg)
        parts = {name: between @ table for name, table in self.parts.items()}
        kinds = self.blinds["kind"].to_numpy()
        parts["ripple"] = ripple_at(local.min(axis=2), kinds, ScoreParams())
        calm = too_weak(speed_mps[:, None], kinds)
        parts = {name: np.where(calm, self.still[name], part) for name, part in parts.items()}
        setback = self.blinds["c_setback"].to_numpy(float)
        for name, part in {"setback": setback, **(light or {})}.items():
            parts[name] = np.broadcast_to(part, parts["ripple"].shape)
        return Scores(combine(parts), parts, local[..., 0])

    def in_light(self, wind: Wind, when: datetime, place: Grid) -> dict[str, FloatArray]:
        """Return the components of the sun for a wind and an hour, (blinds,)."""
        facing = self.blinds["facing_deg"].to_numpy(float)
        lat, lon = place.centre_latlon
        sun = sun_path(lon, lat, when)
        claimed = ~too_weak(wind.speed_mps, self.blinds["kind"].to_numpy())
        heading = np.full(len(facing), wind.from_deg)
        return {
            "sun": shooters_sun(facing, *sun),
            "birds_sun": birds_sun(facing, heading, *sun, claimed=claimed),
        }

    def row(self, scores: Scores, wind: Wind, blind: int) -> pd.Series[Any]:
        """Return one blind under a wind, the first of `scores`, as a row of the `blinds` layer."""
        row = next(self.by_step(self.blinds.iloc[[blind]], [wind])).iloc[0].copy()
        for name, part in scores.parts.items():
            row[f"c_{name}"] = part[0, blind]
        row["score"] = scores.score[0, blind]
        row["local_wind_mps"] = scores.local_mps[0, blind]
        return row

    def _ratio(
        self, from_deg: FloatArray, spread_deg: FloatArray, taller: FloatArray | None
    ) -> FloatArray:
        """Return local over open wind, (winds, blinds, 2)."""
        near, opposite = _gaussian(from_deg, spread_deg), _shared(from_deg + 180.0)
        nodes = self.ratio.shape[0]
        if taller is None:
            middle = slice(nodes // 2, nodes // 2 + 1)
            return np.asarray(self._at(near, opposite, middle)[0], float)
        held = self._at(near, opposite, slice(None))
        place = (np.log2(taller) - OCTAVES[0]) / (OCTAVES[1] - OCTAVES[0])
        place = np.clip(place, 0, nodes - 1)
        low = np.minimum(place.astype(int), nodes - 2)
        part = (place - low)[..., None]
        picked = [np.take_along_axis(held, (low + n)[None, ..., None], axis=0)[0] for n in (0, 1)]
        return np.asarray(picked[0] * (1 - part) + picked[1] * part, float)

    def _at(self, near: FloatArray, opposite: FloatArray, nodes: slice) -> FloatArray:
        lee = np.einsum("wd,kdbp->kwbp", near, self.ratio[nodes], optimize=True)
        front = np.einsum("wd,kdbp->kwbp", opposite, self.ahead[nodes], optimize=True)
        return np.asarray(np.minimum(np.minimum(lee, front), 1.0), float)


def score_tables(
    survey: Survey, blinds: gpd.GeoDataFrame, upwind: UpwindHorizons, assume: Assume
) -> ScoreTables:
    """Return the tables for one state of the leaves.

    Parameters
    ----------
    blinds
        Of `blinds_under_law`.
    upwind
        Of `upwind_of_blinds` for the same blinds.
    assume
        Of `ranking.assumed` for the hour.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    classes = lookup_classes(leaf_off=assume.leaf_off, bands=upwind.codes.shape[1])
    ratio, ahead = _ratios(upwind, classes)
    by_step = _by_step(survey, assume)
    around = [Wind(float(b), 5.0) for b in bearings(DIRECTIONS)]
    *frames, calm = by_step(blinds, [*around, Wind(0.0, 0.0)])
    names = [str(c)[2:] for c in calm.columns if str(c)[:2] == "c_" and c != "c_setback"]
    tables = {n: np.stack([f[f"c_{n}"].to_numpy(float) for f in frames]) for n in names}
    still = {n: calm[f"c_{n}"].to_numpy(float) for n in names}
    tables.pop("ripple")
    return ScoreTables(blinds, by_step, ratio, ahead, tables, still)


def score_tables_by_hour(
    survey: Survey, judged: BlindsUnderLaw, record: list[TimedWind]
) -> list[ScoreTables]:
    """Return the tables that go with each hour: one look upwind, one set a leaf state."""
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
    open_wind = np.broadcast_to(np.array([1e3, 0, 1.0])[:, None, None], (3, *survey.grid.shape))
    morning: dict[str, Any] = {
        "assume": assume,
        "gear": gear_carried(survey),
        "exposure": Raster(open_wind, survey.grid, None, ("fetch_m", "at_least", "local_ratio")),
    }
    given = ChainMap(morning, cast("dict[str, Any]", survey.layers))
    done = [f"{s['package']}:{s['name']}" for s in survey.record["steps"]]
    order = steps.resolve(
        steps.installed(skip=done), have={*given, "candidates", "wind"}, want=("blinds",)
    )

    def scored(blinds: gpd.GeoDataFrame, winds: Iterable[Wind]) -> Iterator[gpd.GeoDataFrame]:
        asked = given.new_child({"candidates": blinds.drop(columns="c_setback")})
        asked["standing"] = standing_of(asked)
        for wind in winds:
            asked["wind"] = wind
            yield steps.run(order, asked, {}).layers["blinds"]

    return scored


def _ratios(upwind: UpwindHorizons, classes: tuple[str, ...]) -> tuple[FloatArray, FloatArray]:
    """Return local over open wind by octave and direction, the mean over each patch's water."""
    count = np.maximum(upwind.wet.sum(axis=-1), 1)
    ratio = np.empty((len(OCTAVES), *upwind.codes.shape[:1], *upwind.wet.shape[:2]))
    ahead = np.empty_like(ratio)
    for number, octave in enumerate(OCTAVES):
        # A bank or a building is as high as it is; what is not known is the trees.
        scale = [1.0 if name == "solid" else 2.0**octave for name in classes]
        with np.errstate(divide="ignore"):
            distances = [1.0 / (HORIZON_STEPS * s) for s in scale]
        lee = _least([wind_ratio(d, n) for d, n in zip(distances, classes, strict=True)], upwind)
        front = _least([windward_ratio(d) for d in distances], upwind)
        ratio[number] = (lee * upwind.wet).sum(axis=-1) / count
        ahead[number] = (front * upwind.wet).sum(axis=-1) / count
    return ratio, ahead


def _least(tables: list[FloatArray], upwind: UpwindHorizons) -> FloatArray:
    """Return the least over the classes of each one's table, (directions, blinds, 2, pixels)."""
    looked = [table[upwind.codes[:, band]] for band, table in enumerate(tables)]
    return np.asarray(np.minimum.reduce(looked), float)


def _gaussian(from_deg: FloatArray, spread_deg: FloatArray) -> FloatArray:
    """Return (winds, directions) weights of a spread of directions, each row summing to 1."""
    sigma = np.maximum(_NARROWER * spread_deg, LEAST_SPREAD_DEG)[:, None]
    off = signed_diff_deg(bearings(DIRECTIONS), np.asarray(wrap360(from_deg))[:, None])
    weights = np.exp(-0.5 * (off / sigma) ** 2)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), float)


def _shared(from_deg: FloatArray) -> FloatArray:
    """Return (winds, directions) weights of the two stored directions either side of each wind."""
    step = 360.0 / DIRECTIONS
    off = np.abs(signed_diff_deg(bearings(DIRECTIONS), np.asarray(wrap360(from_deg))[:, None]))
    return np.asarray(np.clip(1.0 - off / step, 0.0, 1.0), float)


def wind_state(wind: Wind | None) -> str:
    """Return wind, calm or gap."""
    return "gap" if wind is None else "calm" if wind.speed_mps < CALM_MPS else "wind"


MORNING_HOURS = range(5, 10)
"""Hours of the day that make a morning, by the record's own clock."""
