"""The morning as the wind turns: blinds in order, banks and sheltered water, all round the compass.

`rank` sweeps the wind and what it is averaged over, 10° apart. So are the directions of the wind
atlas: for winds from whole tens of degrees the pixels that are looked at, under the blinds' decoys
and along the banks, get from it what `rank` gives them, to the last bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from sitegeo.angles import wrap360
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import BoolArray, Float32Array, FloatArray, IntArray
from sitegeo.core.wind import Wind
from sitegeo.exposure.banks import BankParams, LeeParams, bank_sides, calm_strip, transects
from sitegeo.exposure.many_directions import even_bearings, ratios_as_swept, sheltered_outlines
from sitegeo.exposure.surface import classes_for
from sitegeo.rankings.many_winds import local_wind_points, survey_horizons
from sitegeo.rankings.ranking import Ranking, with_ranks
from sitegeo.siting.score import with_component
from sitegeo.surveys.morning import prepare_morning
from sitegeo.surveys.survey import Survey

LEE_CELL_M = 6.0
"""Sheltered water is drawn from pixels about this far apart; judgement."""

_SAME_DEG = 0.05
"""Nearer than this to the wind asked for a whole ten of degrees is that wind; standard, bearings
are given to a tenth."""


@dataclass(frozen=True)
class PlaceInWind:
    """The place under one wind.

    Parameters
    ----------
    blinds
        Ranked, as in `Ranking.blinds`.
    side
        (stations,) wind against the bank, as in the `bank_exposure` layer.
    local_mps, calm_strip_m
        (stations,) as in the `bank_exposure` layer; NaN without water in front.
    lee
        Outlines of the sheltered water, closed (n, 2) rings in the place's CRS; a ring inside
        another is a hole.
    """

    wind: Wind
    blinds: gpd.GeoDataFrame
    side: NDArray[np.str_]
    local_mps: FloatArray
    calm_strip_m: FloatArray
    lee: tuple[FloatArray, ...]


def rank_all_round(survey: Survey, ranked: Ranking) -> tuple[PlaceInWind, ...]:
    """Return the morning for the ranked wind, then on from it for winds from whole tens of degrees.

    None in a calm. The order of the blinds for each is that of `rank` for that wind, before it
    lays any spread.

    Parameters
    ----------
    survey
        With its wind atlas, or the obstacles are swept.
    ranked
        The ranking of one wind, with all layers that a wind adds.

    Returns
    -------
    tuple of PlaceInWind
        The wind asked for first.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    if ranked.wind.calm or ranked.blinds.empty:
        return ()
    winds = [replace(ranked.wind, from_deg=b) for b in _round_from(ranked.wind.from_deg)]
    looked = _Looked.at(survey, ranked)
    ratio = _ratios(survey, ranked, looked, winds)
    scored = _scored(survey, ranked, looked, ratio, winds)
    banks = looked.transects
    facing = survey.layers["stations"]["facing_deg"].to_numpy(float)
    params = BankParams()
    near = int(np.argmin(np.abs(banks.out_m - params.out_m)))
    found = []
    for wind, blinds, everywhere in zip(winds, scored, ratio, strict=True):
        local = everywhere[banks.part].reshape(banks.shape).astype(float) * wind.speed_mps
        strip = calm_strip(
            local,
            banks.out_m,
            ripple_mps=params.ripple_mps,
            first_water_m=params.first_water_m,
        )
        cells = looked.lee
        lee = sheltered_outlines(
            everywhere[cells.part].reshape(cells.shape), cells.grid, LeeParams()
        )
        side = bank_sides(wind, facing)
        found.append(PlaceInWind(wind, blinds, side, local[:, near], strip, tuple(lee)))
    return tuple(found)


@dataclass(frozen=True)
class _Lattice:
    """A part of the looked-at pixels, and what it was before it was laid in a row."""

    part: slice
    shape: tuple[int, int]
    out_m: FloatArray
    grid: Grid


@dataclass(frozen=True)
class _Looked:
    """Pixels that are looked at: rows and columns, those off the grid put at its corner."""

    row: IntArray
    col: IntArray
    inside: BoolArray
    transects: _Lattice
    lee: _Lattice

    @classmethod
    def at(cls, survey: Survey, ranked: Ranking) -> _Looked:
        grid = survey.grid
        decoys = local_wind_points(ranked.huntable, grid).reshape(-1, 2)
        x, y, out_m = transects(survey.layers["stations"], grid)
        across = max(1, round(LEE_CELL_M / grid.pixel_m))
        rows, cols = (np.arange(across // 2, n, across) for n in grid.shape)
        row, col = (
            np.concatenate([of_points, of_cells.ravel()])
            for of_points, of_cells in zip(
                grid.rowcol(
                    np.concatenate([decoys[:, 0], x.ravel()]),
                    np.concatenate([decoys[:, 1], y.ravel()]),
                ),
                np.meshgrid(rows, cols, indexing="ij"),
                strict=True,
            )
        )
        inside = grid.contains(row, col)
        banks, cells = len(decoys), len(decoys) + x.size
        coarse = Grid(
            grid.crs, grid.west, grid.north, grid.pixel_m * across, (len(rows), len(cols))
        )
        return cls(
            np.where(inside, row, 0),
            np.where(inside, col, 0),
            inside,
            _Lattice(slice(banks, cells), (len(x), len(out_m)), out_m, grid),
            _Lattice(slice(cells, len(row)), coarse.shape, out_m, coarse),
        )


def _round_from(asked_deg: float) -> list[float]:
    """Return a bearing and the tens of degrees from there on round the compass."""
    tens = even_bearings()
    on = wrap360(tens - asked_deg)
    others = [n for n in np.argsort(on) if _SAME_DEG < on[n] < 360.0 - _SAME_DEG]
    return [asked_deg, *tens[others].tolist()]


def _ratios(
    survey: Survey, ranked: Ranking, looked: _Looked, winds: Sequence[Wind]
) -> Float32Array:
    """Return local over open wind at the pixels looked at, (winds, pixels), NaN off the water."""
    exposure: Raster = ranked.layers["exposure"]
    asked = exposure.values[exposure.bands.index("local_ratio")][looked.row, looked.col]
    ratio = np.full((len(winds), len(looked.row)), np.nan, np.float32)
    ratio[0, looked.inside] = asked[looked.inside]
    wet = np.isfinite(ratio[0])
    leaf_off = ranked.given["assume"].leaf_off
    ratio[1:, wet] = ratios_as_swept(
        survey_horizons(survey, looked.row[wet], looked.col[wet]),
        classes_for(survey.layers["obstacles"], leaf_off=leaf_off),
        [wind.from_deg for wind in winds[1:]],
        spread_deg=ranked.wind.spread_deg,
    )
    return ratio


def _scored(
    survey: Survey,
    ranked: Ranking,
    looked: _Looked,
    ratio: Float32Array,
    winds: Sequence[Wind],
) -> Iterator[gpd.GeoDataFrame]:
    """Give the blinds in order for each wind, from the very step that scores them for one."""
    grid = survey.grid
    known = ranked.huntable.set_index("id")
    candidates = ranked.given["candidates"]
    candidates = candidates[candidates["id"].isin(known.index)].reset_index(drop=True)
    setback = known["c_setback"].loc[candidates["id"]].to_numpy(float)
    planes = np.full((3, *grid.shape), np.nan, np.float32)
    local = planes[2]
    exposure = Raster(planes, grid, None, ("fetch_m", "at_least", "local_ratio"))
    given = {**ranked.given, "candidates": candidates}
    steps_left = prepare_morning(survey, given, want=("blinds",), each_wind=("exposure",))
    near = slice(0, looked.transects.part.start)
    row, col, inside = looked.row[near], looked.col[near], looked.inside[near]
    for wind, values in zip(winds, ratio, strict=True):
        local[row[inside], col[inside]] = values[near][inside]
        layers = steps_left.under(wind, verify=wind is winds[0], exposure=exposure)
        frame: gpd.GeoDataFrame = layers["blinds"]
        yield with_ranks(with_component(frame, "setback", setback))
