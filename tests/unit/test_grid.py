"""The grid value and the rasters on it."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS

from sitegeo.core.grid import Grid, Raster, require_metric, require_same_crs, require_same_grid
from sitegeo.errors import CrsError, RasterError

UTM17 = CRS.from_epsg(32617)
GRID = Grid(UTM17, 1000.0, 2000.0, 2.0, (3, 4))


def test_bounds_transform_and_centres_agree() -> None:
    assert GRID.bounds == (1000.0, 1994.0, 1008.0, 2000.0)
    assert GRID.xy(0, 0) == (1001.0, 1999.0)
    assert GRID.transform @ (0.5, 0.5) == (1001.0, 1999.0)
    assert Grid.from_transform(GRID.transform, GRID.shape, UTM17) == GRID


def test_rowcol_undoes_xy_and_tells_what_is_off_the_grid() -> None:
    rows, cols = np.indices(GRID.shape)
    back = GRID.rowcol(*GRID.xy(rows, cols))
    assert np.array_equal(back, (rows, cols))
    row, col = GRID.rowcol([999.9, 1000.0, 1008.0, 1007.9], [1999.0, 2000.0, 1999.0, 1994.01])
    assert list(zip(row, col, strict=True)) == [(0, -1), (0, 0), (0, 4), (2, 3)]
    assert GRID.contains(row, col).tolist() == [False, True, False, True]


def test_convergence_is_nought_on_the_central_meridian_and_turns_bearings_beside_it() -> None:
    on = Grid(UTM17, 500_000 - 50, 4_200_050, 1.0, (100, 100))
    assert on.convergence_deg == pytest.approx(0, abs=1e-9)
    west = Grid(UTM17, 300_000, 4_200_000, 1.0, (100, 100))
    assert west.convergence_deg < -1  # grid north lies east of true north there
    assert west.to_grid_bearing(0.0) == pytest.approx(-west.convergence_deg)
    assert west.to_true_bearing(west.to_grid_bearing([10.0, 359.9])) == pytest.approx([10, 359.9])


def test_bearings_stay_below_360() -> None:
    on = Grid(UTM17, 500_000 - 50, 4_200_050, 1.0, (100, 100))
    assert 0 <= on.to_grid_bearing(on.convergence_deg - 1e-20) < 360


@pytest.mark.parametrize(
    "transform",
    [
        Affine(2, 0, 0, 0, -1, 0),
        Affine(2, 0.1, 0, 0, -2, 0),
        Affine(2, 0, 0, 0, 2, 0),
        Affine(-2, 0, 0, 0, 2, 0),
    ],
)
def test_other_transforms_are_refused(transform: Affine) -> None:
    with pytest.raises(RasterError, match="north-up with square pixels"):
        Grid.from_transform(transform, (3, 4), UTM17)


@pytest.mark.parametrize(("pixel_m", "shape"), [(0.0, (3, 4)), (1.0, (0, 4))])
def test_a_grid_needs_pixels(pixel_m: float, shape: tuple[int, int]) -> None:
    with pytest.raises(RasterError):
        Grid(UTM17, 0.0, 0.0, pixel_m, shape)


# Degrees, US survey feet, axes that run west and south, axes that all run north.
@pytest.mark.parametrize("code", [4326, 2264, 2048, 3031])
def test_only_metres_east_and_north_will_do(code: int) -> None:
    with pytest.raises(CrsError, match="CRS"):
        Grid(CRS.from_epsg(code), 0.0, 0.0, 1.0, (3, 4))


# Northing first (Gauss-Krüger, New Zealand TM) is the same axes in another order.
@pytest.mark.parametrize("code", [32617, 2056, 31467, 2193, 3857])
def test_metric_systems_pass(code: int) -> None:
    crs = CRS.from_epsg(code)
    assert require_metric(crs) is crs


def test_no_crs_is_never_guessed() -> None:
    with pytest.raises(CrsError, match=r"a.tif: no coordinate reference system.*never guesses"):
        require_metric(None, where="a.tif")


def test_two_systems_do_not_meet() -> None:
    require_same_crs(UTM17, CRS.from_epsg(32617))
    for other in (CRS.from_epsg(32618), None):
        with pytest.raises(CrsError, match="WGS 84 / UTM zone 17N"):
            require_same_crs(UTM17, other)


def test_rasters_meet_on_the_same_grid_only() -> None:
    a = Raster(np.zeros((3, 4)), GRID)
    require_same_grid(a, Raster(np.ones((3, 4)), GRID))
    with pytest.raises(RasterError, match="different grids"):
        require_same_grid(a, Raster(np.zeros((3, 4)), Grid(UTM17, 1002.0, 2000.0, 2.0, (3, 4))))
    with pytest.raises(CrsError):
        require_same_grid(
            a, Raster(np.zeros((3, 4)), Grid(CRS.from_epsg(32618), 1000.0, 2000.0, 2.0, (3, 4)))
        )


def test_a_raster_must_fit_its_grid() -> None:
    for bad in (
        lambda: Raster(np.zeros((4, 3)), GRID),
        lambda: Raster(np.zeros((3, 4)), GRID, np.ones((4, 3), bool)),
        lambda: Raster(np.zeros((3, 4)), GRID, bands=("red",)),
        lambda: Raster(np.zeros((2, 3, 4)), GRID, bands=("red",)),
    ):
        with pytest.raises(RasterError):
            bad()


def test_bands_by_name() -> None:
    raster = Raster(np.arange(24).reshape(2, 3, 4), GRID, bands=("red", "nir"))
    assert raster.band("nir")[0, 0] == 12
    with pytest.raises(RasterError, match="no band 'blue'"):
        raster.band("blue")


def test_sample_reads_under_points_and_fills_beside_and_in_voids() -> None:
    valid = np.ones((3, 4), bool)
    valid[0, 1] = False
    plane = Raster(np.arange(12).reshape(3, 4), GRID, valid)
    x, y = [1001.0, 1003.0, 1007.9, 990.0], [1999.0, 1999.0, 1994.1, 1999.0]
    assert np.array_equal(plane.sample(x, y), [0, np.nan, 11, np.nan], equal_nan=True)
    assert plane.sample(x, y, fill=-1).tolist() == [0, -1, 11, -1]
    stack = Raster(np.stack([plane.values, plane.values * 10]), GRID, valid, ("a", "b"))
    assert stack.sample(x, y, fill=-1).tolist() == [[0, -1, 11, -1], [0, -1, 110, -1]]
    assert plane.sample(1001.0, 1999.0).tolist() == [0]


def test_mask_is_whole_where_none_is_given() -> None:
    assert Raster(np.zeros((3, 4)), GRID).mask.all()
