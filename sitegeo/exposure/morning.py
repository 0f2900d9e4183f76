"""The step that blows a wind over the water."""

from __future__ import annotations

from sitegeo.exposure.field import wind_over_surface
from sitegeo.exposure.halo import continued
from sitegeo.exposure.obstacles import classes_for
from sitegeo.grid import Raster
from sitegeo.placefile import Assume
from sitegeo.steps import step
from sitegeo.wind import Wind


@step("exposure")
def exposure(
    *, obstacles: Raster, wind: Wind, assume: Assume, halo: Raster | None = None
) -> Raster:
    """Fetch and local wind at every pixel of water, for one wind.

    Returns the `exposure` raster, float32: `fetch_m` along the mean wind, NaN off the water;
    `at_least` 1 where the data ended upwind, photo and mapped water both; `local_ratio` local
    over open wind speed, averaged over the wind's spread.
    """
    grid = obstacles.grid
    bearing = float(grid.to_grid_bearing(wind.from_deg))
    field = wind_over_surface(
        obstacles.values,
        classes_for(obstacles, leaf_off=assume.leaf_off),
        from_grid_deg=bearing,
        speed_mps=wind.speed_mps,
        pixel_m=grid.pixel_m,
        spread_deg=wind.spread_deg,
    )
    if halo is not None:
        field.planes[:2] = continued(
            field.fetch_m, field.at_least, grid, halo, from_grid_deg=bearing
        )
    return Raster(field.planes, grid, None, ("fetch_m", "at_least", "local_ratio"))
