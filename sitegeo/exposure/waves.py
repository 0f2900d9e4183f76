"""Significant wave height and period from wind speed, straight-line fetch and depth.

Each model is named. All are for steady wind over open water; a steep chop against a current,
wakes and reflection off walls are not in them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from sitegeo.angles import bearing_of, signed_diff_deg
from sitegeo.core.grid import Raster
from sitegeo.core.typing import FloatArray
from sitegeo.core.wind import Wind
from sitegeo.errors import UsageError
from sitegeo.exposure._lines import UNKNOWN
from sitegeo.exposure.field import continued
from sitegeo.exposure.shelter import spread_weights
from sitegeo.exposure.sweep import empty_sweep, sweep

GRAVITY_MPS2 = 9.81


class Wave(NamedTuple):
    """Significant wave height and peak period, arrays of the inputs' broadcast shape."""

    height_m: Any
    period_s: Any


def significant_wave(
    speed_mps: npt.ArrayLike,
    fetch_m: npt.ArrayLike,
    depth_m: npt.ArrayLike | None = None,
    *,
    model: str = "cem",
) -> Wave:
    """Return the significant wave for a wind at 10 m, a straight-line fetch and a depth.

    Parameters
    ----------
    speed_mps
        Wind speed 10 m above the water.
    fetch_m
        Straight-line fetch.
    depth_m
        Mean depth along the fetch; None for deep water.
    model
        ``cem`` (the default), ``spm84`` or ``young-verhagen``; see `MODELS`.

    Raises
    ------
    UsageError
        No such model, or a model that needs a depth was given none.

    Notes
    -----
    NaN goes through. No wind or no fetch gives a wave of 0 m and 0 s.
    """
    if model not in MODELS:
        raise UsageError("no such wave model", value=model, remedy=f"One of {', '.join(MODELS)}")
    speed, fetch = np.broadcast_arrays(
        np.asarray(speed_mps, dtype=float), np.asarray(fetch_m, dtype=float)
    )
    depth = None if depth_m is None else np.asarray(depth_m, dtype=float)
    if depth is not None:
        speed, fetch, depth = np.broadcast_arrays(speed, fetch, depth)
    with np.errstate(divide="ignore", invalid="ignore"):
        height, period = MODELS[model](speed, fetch, depth)
    calm = (speed <= 0) | (fetch <= 0) | (False if depth is None else depth <= 0)
    return Wave(np.where(calm, 0.0, height)[()], np.where(calm, 0.0, period)[()])


def friction_velocity(speed_mps: npt.ArrayLike) -> Any:
    """Return u* from the 10 m wind with the drag law of CEM II-2-36."""
    speed = np.asarray(speed_mps, dtype=float)
    return speed * np.sqrt(0.001 * (1.1 + 0.035 * speed))


def adjusted_speed(speed_mps: npt.ArrayLike) -> Any:
    """Return the wind-stress factor U_A = 0.71 U^1.23 of the Shore Protection Manual (1984)."""
    return 0.71 * np.asarray(speed_mps, dtype=float) ** 1.23


def _cem(speed: Any, fetch: Any, depth: Any) -> tuple[Any, Any]:
    """EM 1110-2-1100, Part II, ch. 2, equations II-2-36 and II-2-37.

    Where the period meets its depth limit, 9.78 √(d/g), the height is that of the fetch at
    which the limit is reached, and never more than 0.6 of the depth (the manual's procedure,
    from memory).
    """
    g = GRAVITY_MPS2
    friction = friction_velocity(speed)
    run = g * fetch / friction**2
    period = np.minimum(0.651 * np.cbrt(run), 2.398e2)
    if depth is not None:
        limit = 9.78 * np.sqrt(depth / g) * g / friction
        run = np.minimum(run, (limit / 0.651) ** 3)
        period = np.minimum(period, limit)
    height = np.minimum(4.13e-2 * np.sqrt(run), 2.115e2) * friction**2 / g
    if depth is not None:
        height = np.minimum(height, 0.6 * depth)
    return height, period * friction / g


def _spm84(speed: Any, fetch: Any, depth: Any) -> tuple[Any, Any]:
    """Shore Protection Manual (1984), fed the wind-stress factor; deep water without a depth."""
    g = GRAVITY_MPS2
    stress = adjusted_speed(speed)
    run = g * fetch / stress**2
    if depth is None:
        height = np.minimum(1.6e-3 * np.sqrt(run), 0.2433)
        period = np.minimum(0.2857 * np.cbrt(run), 8.134)
    else:
        deep = g * depth / stress**2
        a = np.tanh(0.53 * deep**0.75)
        height = 0.283 * a * np.tanh(0.00565 * np.sqrt(run) / a)
        b = np.tanh(0.833 * deep**0.375)
        period = 7.54 * b * np.tanh(0.0379 * np.cbrt(run) / b)
    return height * stress**2 / g, period * stress / g


def _young_verhagen(speed: Any, fetch: Any, depth: Any) -> tuple[Any, Any]:
    """Young & Verhagen (1996): fetch-limited waves in water of one finite depth."""
    if depth is None:
        raise UsageError("the wave model 'young-verhagen' needs a depth", remedy="Give depth_m")
    g = GRAVITY_MPS2
    run = g * fetch / speed**2
    deep = g * depth / speed**2
    a1 = np.tanh(0.493 * deep**0.75)
    energy = 3.64e-3 * (a1 * np.tanh(3.13e-3 * run**0.57 / a1)) ** 1.74
    a2 = np.tanh(0.331 * deep**1.01)
    frequency = 0.133 * (a2 * np.tanh(5.215e-4 * run**0.73 / a2)) ** -0.37
    return 4 * np.sqrt(energy) * speed**2 / g, speed / (g * frequency)


MODELS: dict[str, Callable[[Any, Any, Any], tuple[Any, Any]]] = {
    "cem": _cem,
    "spm84": _spm84,
    "young-verhagen": _young_verhagen,
}
"""Wave models by name."""


BREAKING = 0.6
"""Highest significant wave over the depth it stands in (CEM, from memory)."""

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
    start, end
        Access point and hide, in its CRS.
    depth
        Water depth; caps the wave only where it is known.
    halo
        The `halo` layer, over which a fetch that leaves the photo goes on.
    """
    grid = obstacles.grid
    run = np.hypot(end[0] - start[0], end[1] - start[1])
    share = np.linspace(0.0, 1.0, max(2, int(np.ceil(run / grid.pixel_m)) + 1))
    x, y = start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])
    codes = obstacles.sample(x, y, fill=UNKNOWN)
    water, unknown = (codes < 0) & (codes != UNKNOWN), codes == UNKNOWN
    longest = np.zeros(x.size)
    longest[water], bounded = _longest_fetch(obstacles, wind, x[water], y[water], halo)
    gust = wind.strongest_mps
    wave = significant_wave(gust, longest)
    deep = np.full(x.size, np.nan) if depth is None else depth.sample(x, y)
    limit = np.where(np.isfinite(deep), BREAKING * np.maximum(deep, 0), np.inf)
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
            fetch, at_least = continued(fetch, at_least, grid, halo, from_grid_deg=bearing)
        longest = np.maximum(longest, fetch[row, column])
        bounded |= bool(at_least[row, column].any())
    return longest, bounded


def _sea(wind: Wind, heading_deg: float) -> Sea:
    if wind.calm:
        return "no wind"
    off = abs(float(signed_diff_deg(wind.from_deg, heading_deg)))
    return "ahead" if off < 60 else "astern" if off > 120 else "abeam"
