"""The steps that need a wind: the field over the water, and what it does at every bank."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np

from sitegeo.angles import signed_diff_deg, unit_from_bearing
from sitegeo.exposure.field import wind_over_water
from sitegeo.exposure.shelter import DENSITY_CLASSES, RIPPLE_MPS
from sitegeo.grid import Raster
from sitegeo.layers import Cover
from sitegeo.placefile import Assume
from sitegeo.steps import step
from sitegeo.wind import Wind


@dataclass(frozen=True)
class BankParams:
    """How the bank is described; judgement.

    Parameters
    ----------
    out_m
        How far out from the bank the wind is read.
    strip_m, strip_step_m
        How far the calm strip is followed, and in what steps.
    ripple_mps
        Local wind at which water ripples: the middle of Beaufort force 2.
    """

    out_m: float = 15.0
    strip_m: float = 300.0
    strip_step_m: float = 3.0
    ripple_mps: float = RIPPLE_MPS


@step("exposure")
def exposure(
    *,
    cover: Raster,
    canopy_height: Raster,
    wind: Wind,
    assume: Assume,
    ground: Raster | None = None,
) -> Raster:
    """Fetch and local wind at every pixel of water, for one wind.

    Returns the `exposure` raster, float32: `fetch_m` along the mean wind, NaN off the water;
    `at_least` 1 where the data ended upwind; `local_ratio` local over open wind speed, averaged
    over the wind's spread.
    """
    classes = cover.band("class")
    water = classes == Cover.WATER
    # Single rows in leaf, or broadleaf trees without leaves; walls of a house are solid.
    trees = "bare" if assume.leaf_off else "open"
    density = np.full(classes.shape, DENSITY_CLASSES.index(trees), dtype=np.uint8)
    density[classes == Cover.BUILT] = DENSITY_CLASSES.index("solid")
    field = wind_over_water(
        water,
        _tops(canopy_height, ground, water, assume),
        density,
        from_grid_deg=float(cover.grid.to_grid_bearing(wind.from_deg)),
        speed_mps=wind.speed_mps,
        pixel_m=cover.grid.pixel_m,
        spread_deg=wind.spread_deg,
        known=cover.valid,
    )
    planes = np.stack([field.fetch_m, field.at_least.astype(np.float32), field.local_ratio])
    return Raster(planes, cover.grid, None, ("fetch_m", "at_least", "local_ratio"))


def _tops(
    canopy_height: Raster, ground: Raster | None, water: np.ndarray, assume: Assume
) -> np.ndarray:
    """Return the height of what stands on each pixel above the water."""
    if ground is None:
        return canopy_height.values
    level = assume.water_level_m
    known_water = water & ground.mask
    if level is None:
        if not known_water.any():
            return canopy_height.values
        level = float(np.median(ground.values[known_water]))
    bank = np.where(ground.mask, np.maximum(ground.values - level, 0), 0)
    return np.asarray(canopy_height.values + bank, dtype=np.float32)


@step("bank_exposure")
def bank_exposure(
    *,
    stations: gpd.GeoDataFrame,
    exposure: Raster,
    wind: Wind,
    params: BankParams = BankParams(),
) -> gpd.GeoDataFrame:
    """What the wind does at each station of the shore.

    Returns the `bank_exposure` layer: `wind_side` (sheltered, wind-beaten or along), `fetch_m` and
    `local_wind` (m/s) a little way out, and `calm_strip_m`, the width of water next to the bank
    that does not ripple (the whole strip looked at where it never does).
    """
    at = np.column_stack([stations.geometry.x, stations.geometry.y])
    facing = stations["facing_deg"].to_numpy(float)
    east, north = unit_from_bearing(exposure.grid.to_grid_bearing(facing))
    out = np.arange(params.strip_step_m, params.strip_m, params.strip_step_m)
    x = at[:, :1] + out * np.atleast_1d(east)[:, None]
    y = at[:, 1:] + out * np.atleast_1d(north)[:, None]
    planes = exposure.sample(x.ravel(), y.ravel()).reshape(3, *x.shape)
    fetch, _, ratio = planes
    local = ratio * wind.speed_mps
    # Past the far bank there is no more strip; a first step on land is the bank's own pixel.
    ends = (local >= params.ripple_mps) | (np.isnan(local) & (out > 3 * params.strip_step_m))
    first = np.where(ends.any(axis=1), ends.argmax(axis=1), len(out) - 1)
    strip = np.where(first == 0, 0.0, out[first])
    near = int(np.argmin(np.abs(out - params.out_m)))
    turn = np.abs(signed_diff_deg(wind.from_deg, facing))
    side = np.select([turn > 110, turn < 70], ["sheltered", "wind-beaten"], "along")
    return gpd.GeoDataFrame(
        {
            "id": stations["id"].to_numpy(),
            "wind_side": np.full(len(at), "calm") if wind.calm else side,
            "fetch_m": fetch[:, near],
            "local_wind": local[:, near],
            "calm_strip_m": strip,
        },
        geometry=stations.geometry.to_numpy(),
        crs=stations.crs,
    )
