"""What a wind does along the banks: beaten, sheltered, and how wide the calm strip is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from rasterio import features
from shapely.geometry import shape

from sitegeo.angles import signed_diff_deg, unit_from_bearing
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.core.wind import WIND_SIDES, Wind
from sitegeo.exposure.shelter import RIPPLE_MPS, markfort_sheltering

_RING_GAP = 1.5  # times the usual gap of stations within which the ends of a shore meet; judgement
_MEET_M = 1e-3  # neighbours meet at the same halfway point, to the last bits of two sums


@dataclass(frozen=True)
class BankParams:
    """How the bank is described; judgement.

    Parameters
    ----------
    out_m
        How far out from the bank the fetch and the wind are read.
    strip_m, strip_step_m
        How far the calm strip is followed, and in what steps.
    first_water_m
        The strip begins at the first water found within this distance of the station.
    ripple_mps
        Local wind at which the calm strip ends, `shelter.RIPPLE_MPS`.
    """

    out_m: float = 15.0
    strip_m: float = 300.0
    strip_step_m: float = 2.0
    first_water_m: float = 10.0
    ripple_mps: float = RIPPLE_MPS


@step("bank_exposure")
def bank_exposure(
    *,
    stations: gpd.GeoDataFrame,
    exposure: Raster,
    wind: Wind,
    params: BankParams = BankParams(),
) -> gpd.GeoDataFrame:
    """What the wind does at each station of the shore.

    Returns the `bank_exposure` layer, a piece of bank a station, halfway to the next on either
    hand: `wind_side` (onto, quartering-on, along, quartering-off, off; calm without a wind),
    `fetch_m` and `local_wind` (m/s) a little way out, and `calm_strip_m`, the width of water
    next to the bank that does not ripple: up to the far bank, and no more than `strip_m`, where
    none of it does. NaN where there is no water in front of the station.

    Parameters
    ----------
    stations
        The `stations` layer.
    exposure
        The `exposure` layer for this wind.
    wind
        The wind; true bearings.
    params
        Where the wind is read, and what ends the calm strip.

    Returns
    -------
    GeoDataFrame
        One row a station, in the order and CRS of `stations`.
    """
    x, y, out = transects(stations, exposure.grid, params)
    fetch, _, ratio = exposure.sample(x.ravel(), y.ravel()).reshape(3, *x.shape)
    local = ratio * wind.speed_mps
    near = int(np.argmin(np.abs(out - params.out_m)))
    return gpd.GeoDataFrame(
        {
            "id": stations["id"].to_numpy(),
            "wind_side": bank_sides(wind, stations["facing_deg"].to_numpy(float)),
            "fetch_m": fetch[:, near],
            "local_wind": local[:, near],
            "calm_strip_m": calm_strip(
                local, out, ripple_mps=params.ripple_mps, first_water_m=params.first_water_m
            ),
        },
        geometry=station_pieces(stations),
        crs=stations.crs,
    )


def transects(
    stations: gpd.GeoDataFrame, grid: Grid, params: BankParams = BankParams()
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return points on lines straight out from the bank at each station.

    Parameters
    ----------
    stations
        The `stations` layer, on the CRS of `grid`.
    grid
        Turns true bearings into its own.
    params
        How far out the lines go, and in what steps.

    Returns
    -------
    x, y
        (stations, steps) metres.
    out_m
        (steps,) distance from the bank.
    """
    at = np.column_stack([stations.geometry.x, stations.geometry.y])
    facing = stations["facing_deg"].to_numpy(float)
    east, north = (
        np.atleast_1d(v)[:, None] for v in unit_from_bearing(grid.to_grid_bearing(facing))
    )
    out = np.arange(0.0, params.strip_m + params.strip_step_m / 2, params.strip_step_m)
    return at[:, :1] + out * east, at[:, 1:] + out * north, out


def bank_sides(wind: Wind, facing_deg: FloatArray) -> npt.NDArray[np.str_]:
    """Return the wind against the bank at each station: onto, ..., off; calm without a wind."""
    turn = np.abs(signed_diff_deg(wind.from_deg, facing_deg))
    side = np.select([turn < upper for upper, _ in WIND_SIDES], [s for _, s in WIND_SIDES], "off")
    return np.full(len(facing_deg), "calm") if wind.calm else side


def calm_strip(
    local_mps: FloatArray, out_m: FloatArray, *, ripple_mps: float, first_water_m: float
) -> FloatArray:
    """Return the width of calm water along transects straight out from the bank.

    Parameters
    ----------
    local_mps
        (transects, steps) local wind, NaN off the water.
    out_m
        (steps,) distance from the bank.
    ripple_mps, first_water_m
        As in `BankParams`.

    Returns
    -------
    ndarray
        (transects,) metres from the first water to where the wind first reaches `ripple_mps`,
        between steps by straight line; to the far bank or the last step if it never does; NaN
        without water in the first `first_water_m`.

    Examples
    --------
    The wind passes 2.5 m/s halfway between 20 and 30 m out, the water begins at the bank:

    >>> import numpy as np
    >>> local = np.array([[1.0, 1.0, 2.0, 3.0]])
    >>> out = np.array([0.0, 10.0, 20.0, 30.0])
    >>> calm_strip(local, out, ripple_mps=2.5, first_water_m=10.0).tolist()
    [25.0]
    """
    wet = np.isfinite(local_mps)
    start = wet.argmax(axis=1)
    lies = wet.any(axis=1) & (out_m[start] <= first_water_m)
    steps = np.arange(out_m.size)
    ends = ((local_mps >= ripple_mps) | ~wet) & (steps >= start[:, None])
    last = np.where(ends.any(axis=1), ends.argmax(axis=1), out_m.size - 1)
    rows = np.arange(len(local_mps))
    before, after = local_mps[rows, np.maximum(last - 1, 0)], local_mps[rows, last]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.clip((ripple_mps - before) / (after - before), 0, 1)
    # The far bank, the last step or a bank that ripples at once has nothing to divide.
    rippled = (last > start) & (after >= ripple_mps)
    edge = np.where(
        rippled,
        out_m[np.maximum(last - 1, 0)] + part * (out_m[last] - out_m[last - 1]),
        out_m[last],
    )
    return np.where(lies, edge - out_m[start], np.nan)


def station_pieces(stations: gpd.GeoDataFrame) -> AnyArray:
    """Return each station's piece of bank: a line halfway to its neighbours along the shore."""
    xy = shapely.get_coordinates(stations.geometry.to_numpy())
    shore = stations["shore_id"].to_numpy()
    order = np.lexsort((stations["chainage_m"].to_numpy(float), shore))
    pieces = np.empty(len(stations), dtype=object)
    for run in np.split(order, np.flatnonzero(shore[order][1:] != shore[order][:-1]) + 1):
        points = xy[run]
        gaps = np.hypot(*np.diff(points, axis=0).T)
        usual = np.median(gaps) if gaps.size else 0.0
        ring = len(run) > 2 and np.hypot(*(points[0] - points[-1])) <= _RING_GAP * usual
        before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
        if not ring:
            # A lone end reaches as far outward as inward, and a lone station a metre.
            before[0] = 2 * points[0] - points[1] if gaps.size else points[0] - [1.0, 0.0]
            after[-1] = 2 * points[-1] - points[-2] if gaps.size else points[-1] + [1.0, 0.0]
        corners = np.stack([(before + points) / 2, points, (points + after) / 2], axis=1)
        pieces[run] = shapely.linestrings(corners)
    return pieces


def lake_shelter(water: gpd.GeoDataFrame, stations: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Return, for each body of water, the share of wind stress its wooded shore leaves on it.

    Markfort et al. (2010), see `shelter.markfort_sheltering`: a figure of the whole lake, for
    stress, with the mean canopy height along its shore (open banks count as 0). None where no
    station has a height.
    """
    body = [str(name).rpartition("-")[0] for name in stations["shore_id"]]
    mean = stations["canopy_height_m"].astype(float).groupby(body).mean()
    rows = []
    for name, area in zip(water["id"], water["area_m2"], strict=True):
        height = float(mean.get(name, np.nan))
        known = bool(np.isfinite(height))
        share = float(markfort_sheltering(area, height)) if known else None
        rows.append(
            {
                "water": name,
                "canopy_height_m": round(height, 1) if known else None,
                "stress_share": None if share is None else round(share, 4),
            }
        )
    return rows


@dataclass(frozen=True)
class LeeParams:
    """What counts as sheltered; judgement.

    Parameters
    ----------
    sheltered_ratio
        Local over open wind at or below which water is sheltered: about 15 heights off a row.
    least_m2
        Smaller patches are left out.
    ripple_mps
        Local wind below which no bank is beaten, `shelter.RIPPLE_MPS`.
    """

    sheltered_ratio: float = 0.6
    least_m2: float = 200.0
    ripple_mps: float = RIPPLE_MPS


@step("sheltered_water")
def sheltered_water(
    *, exposure: Raster, wind: Wind, params: LeeParams = LeeParams()
) -> gpd.GeoDataFrame:
    """Water in the lee, where birds rest in a blow.

    Returns the `sheltered_water` layer, polygons with `area_m2`, largest first: water on which
    the wind is at most `sheltered_ratio` of the open wind. Empty in calm air.

    Parameters
    ----------
    exposure
        The `exposure` layer for this wind.
    wind
        The wind.
    params
        What counts as sheltered.

    Returns
    -------
    GeoDataFrame
        Polygons in the CRS of `exposure`, ids from ``L001``.
    """
    grid = exposure.grid
    with np.errstate(invalid="ignore"):
        lee = exposure.band("local_ratio") <= params.sheltered_ratio
    drawn: list[Any] = []
    if not wind.calm:
        found = features.shapes(lee.astype(np.uint8), mask=lee, transform=grid.transform)
        drawn = [shape(outline) for outline, _ in found]
        drawn = [p for p in drawn if p.area >= params.least_m2]
    drawn.sort(key=lambda p: (-p.area, p.bounds))
    # Stairs of pixels off; the area is that of the pixels.
    outlines = shapely.simplify(np.array(drawn, dtype=object), grid.pixel_m)
    return gpd.GeoDataFrame(
        {
            "id": [f"L{n:03d}" for n in range(1, len(drawn) + 1)],
            "area_m2": np.array([p.area for p in drawn], dtype=float),
        },
        geometry=shapely.make_valid(outlines),
        crs=grid.crs,
    )


@step("beaten_bank")
def beaten_bank(
    *,
    bank_exposure: gpd.GeoDataFrame,
    wind: Wind,
    params: LeeParams = LeeParams(),
) -> gpd.GeoDataFrame:
    """Banks the wind beats on: onto or quartering onto them, unsheltered and with ripple.

    Returns the `beaten_bank` layer, one line an unbroken run of bank with its `length_m`.

    Parameters
    ----------
    bank_exposure
        The `bank_exposure` layer for this wind.
    wind
        The wind.
    params
        What counts as sheltered, and what ripples.

    Returns
    -------
    GeoDataFrame
        Lines in the CRS of `bank_exposure`, longest first, ids from ``B001``.
    """
    speed = bank_exposure["local_wind"].to_numpy(float)
    least = max(params.ripple_mps, params.sheltered_ratio * wind.speed_mps)
    beaten = bank_exposure["wind_side"].isin(["onto", "quartering-on"]) & (speed >= least)
    pieces = np.asarray(bank_exposure.geometry, dtype=object)[beaten.to_numpy()]
    joined = shapely.set_precision(shapely.MultiLineString(list(pieces)), _MEET_M)
    runs = [g for g in shapely.get_parts(shapely.line_merge(joined)) if not g.is_empty]
    runs.sort(key=lambda g: (-g.length, g.bounds))
    return gpd.GeoDataFrame(
        {
            "id": [f"B{n:03d}" for n in range(1, len(runs) + 1)],
            "length_m": np.array([g.length for g in runs], dtype=float),
        },
        geometry=np.array(runs, dtype=object),
        crs=bank_exposure.crs,
    )
