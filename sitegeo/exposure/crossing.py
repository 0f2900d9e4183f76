"""The highest wave on the straight way over the water from the access to the hide, and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sitegeo.angles import bearing_of, signed_diff_deg
from sitegeo.core.grid import Raster
from sitegeo.core.typing import FloatArray
from sitegeo.core.wind import Wind
from sitegeo.exposure._lines import UNKNOWN_PIXEL
from sitegeo.exposure.field import extend_fetch
from sitegeo.exposure.shelter import spread_weights
from sitegeo.exposure.sweep import empty_sweep, sweep
from sitegeo.exposure.waves import BREAKING_SHARE, significant_wave

_AHEAD_DEG, _ASTERN_DEG = 60.0, 120.0  # off the bow; practice: abeam lies between them

Sea = Literal["ahead", "abeam", "astern", "no wind"]


@dataclass(frozen=True, slots=True)
class Crossing:
    """The way over the water, straight from one point to another, and its worst wave.

    Attributes
    ----------
    verdict
        ``checked``; ``not checked`` where the way or the longest fetch on it leaves the data;
        ``no water`` where the straight line meets none.
    height_m, period_s
        Significant wave at the worst point, None unless checked. Single waves reach nearly
        twice the height.
    fetch_m
        Longest fetch on the way over the wind's spread; a lower bound unless checked.
    gust_mps
        The wind it is worked for, and whether it was given or taken from the mean wind.
    worst_x, worst_y
        Where the highest wave stands.
    water_m, land_m
        How much of the line is water, and land between water.
    depth_capped
        Whether a known depth limits the worst wave.
    sea_out, sea_back
        Where the seas come from on the way out and on the way back.
    """

    verdict: Literal["checked", "not checked", "no water"]
    height_m: float | None
    period_s: float | None
    fetch_m: float
    gust_mps: float
    gust_given: bool
    worst_x: float
    worst_y: float
    water_m: float
    land_m: float
    depth_capped: bool
    sea_out: Sea
    sea_back: Sea


def crossing(
    obstacles: Raster,
    wind: Wind,
    *,
    start: tuple[float, float],
    end: tuple[float, float],
    depth: Raster | None = None,
    halo: Raster | None = None,
) -> Crossing:
    """Return the highest significant wave on a straight crossing, out and back.

    Parameters
    ----------
    obstacles
        The `obstacles` layer.
    wind
        The wind; true bearings.
    start, end
        Access point and hide, in its CRS.
    depth
        Water depth; caps the wave only where it is known.
    halo
        The `halo` layer, over which a fetch that leaves the photo goes on.

    Returns
    -------
    Crossing
        Worked for the gust, without shelter, and for the longest fetch over the wind's spread.
    """
    grid = obstacles.grid
    run = np.hypot(end[0] - start[0], end[1] - start[1])
    share = np.linspace(0.0, 1.0, max(2, int(np.ceil(run / grid.pixel_m)) + 1))
    x, y = start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])
    codes = obstacles.sample(x, y, fill=UNKNOWN_PIXEL)
    water, unknown = (codes < 0) & (codes != UNKNOWN_PIXEL), codes == UNKNOWN_PIXEL
    longest = np.zeros(x.size)
    longest[water], bounded = _longest_fetch(obstacles, wind, x[water], y[water], halo)
    gust = wind.strongest_mps
    wave = significant_wave(gust, longest)
    deep = np.full(x.size, np.nan) if depth is None else depth.sample(x, y)
    limit = np.where(np.isfinite(deep), BREAKING_SHARE * np.maximum(deep, 0), np.inf)
    height = np.where(water, np.minimum(wave.height_m, limit), -1.0)
    worst = int(np.argmax(height))
    lies = water.any()
    sure = lies and not bounded and not unknown.any()
    step_m = run / (x.size - 1)
    met = np.flatnonzero(water)
    between = ~water[met[0] : met[-1]] if lies else np.zeros(0, bool)
    heading = float(grid.to_true_bearing(bearing_of(end[0] - start[0], end[1] - start[1])))
    return Crossing(
        verdict="checked" if sure else "not checked" if lies or unknown.any() else "no water",
        height_m=float(height[worst]) if sure else None,
        period_s=float(wave.period_s[worst]) if sure else None,
        fetch_m=float(longest.max(initial=0.0)),
        gust_mps=float(gust),
        gust_given=wind.gust_mps is not None,
        worst_x=float(x[worst]),
        worst_y=float(y[worst]),
        water_m=float(water.sum() * step_m),
        land_m=float(between.sum() * step_m),
        depth_capped=bool(sure and limit[worst] < wave.height_m[worst]),
        sea_out=_sea(wind, heading),
        sea_back=_sea(wind, heading + 180.0),
    )


def _longest_fetch(
    obstacles: Raster,
    wind: Wind,
    x: FloatArray,
    y: FloatArray,
    halo: Raster | None,
) -> tuple[FloatArray, bool]:
    """Return the longest fetch at points of water over the spread, and if any ran off the data."""
    grid = obstacles.grid
    row, column = grid.rowcol(x, y)
    longest, bounded = np.zeros(x.size), False
    buffers = empty_sweep(grid.shape, 0)
    for turn in spread_weights(wind.spread_deg)[0] if x.size else ():
        bearing = float(grid.to_grid_bearing(wind.from_deg + turn))
        sweep(
            obstacles.values,
            from_grid_deg=bearing,
            pixel_m=grid.pixel_m,
            bands=0,
            out=buffers,
        )
        fetch, at_least = buffers.fetch_m, buffers.at_least
        if halo is not None and at_least[row, column].any():
            fetch, at_least = extend_fetch(fetch, at_least, grid, halo, from_grid_deg=bearing)
        longest = np.maximum(longest, fetch[row, column])
        bounded |= bool(at_least[row, column].any())
    return longest, bounded


def _sea(wind: Wind, heading_deg: float) -> Sea:
    if wind.calm:
        return "no wind"
    off = abs(float(signed_diff_deg(wind.from_deg, heading_deg)))
    return "ahead" if off < _AHEAD_DEG else "astern" if off > _ASTERN_DEG else "abeam"
