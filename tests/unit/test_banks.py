"""The wind along the banks: pieces of bank, sides, calm strips, lee and beaten bank."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from sitegeo.core.contracts import check, contract
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.wind import Wind
from sitegeo.exposure.banks import (
    bank_exposure,
    bank_sides,
    beaten_bank,
    calm_strip,
    lake_shelter,
    sheltered_water,
)
from sitegeo.exposure.field import exposure
from sitegeo.exposure.shelter import RIPPLE_MPS, wind_ratio
from sitegeo.exposure.sweep import encode_surface
from sitegeo.places.config import Assume
from sitegeo.spreads.frame import wind_side
from sitegeo.units import metres_per_second

GRID = Grid(CRS.from_epsg(32615), 500_000.0 - 800.0, 4_879_250.0, 2.0, (300, 800))
TREES_M, BANK_ROW = 20.0, 50
TWELVE_MPH = metres_per_second(12, "mph")


def place(wind, *, leaf_off=None):
    """Straight bank of 20 m trees in the north of open water; `exposure` and its stations."""
    water = np.zeros(GRID.shape, bool)
    water[BANK_ROW:290] = True
    surface = encode_surface(water, np.where(water, 0, TREES_M), density=np.ones(GRID.shape, "u1"))
    blown = exposure(obstacles=Raster(surface, GRID), wind=wind, assume=Assume(leaf_off=leaf_off))
    x = 500_000.0 + np.arange(-200.0, 201.0, 10.0)
    y = np.full(x.size, GRID.north - GRID.pixel_m * BANK_ROW)
    stations = gpd.GeoDataFrame(
        {
            "id": [f"S{n:03d}" for n in range(x.size)],
            "shore_id": "W1",
            "chainage_m": np.arange(x.size) * 10.0,
            "facing_deg": 180.0,
        },
        geometry=shapely.points(x, y),
        crs=GRID.crs,
    )
    return stations, blown


def strip_yd(off_deg, *, mph=12.0, spread=15.0, leaf_off=None):
    """Calm strip in the middle of the bank; 0 is straight off the land, 180 onto it."""
    wind = Wind(off_deg % 360, metres_per_second(mph, "mph"), spread_deg=spread)
    stations, blown = place(wind, leaf_off=leaf_off)
    banks = bank_exposure(stations=stations, exposure=blown, wind=wind)
    check(banks, contract("bank_exposure"))
    return float(banks["calm_strip_m"].iloc[20]) / 0.9144


def worked_yd(off_deg, *, spread):
    """The same strip without a raster: the table over a Gaussian of directions, bank endless."""
    turns = np.linspace(-4, 4, 801) * spread
    weights = np.exp(-0.5 * (turns / spread) ** 2)
    off_land = np.maximum(np.cos(np.deg2rad(off_deg + turns)), 1e-9)
    out = np.arange(0.5, 400.0, 0.5)
    ratio = wind_ratio(out[:, None] / (TREES_M * off_land)) @ weights / weights.sum()
    return float(out[np.argmax(ratio * TWELVE_MPH >= RIPPLE_MPS)]) / 0.9144


@pytest.mark.parametrize(
    ("off_deg", "low", "high", "near"),
    # Worked by hand for 20 m trees, the 40-60 % column and 12 mph with 10 to 20° of spread:
    # straight off about 190 yd, at 45° 120-140, at 15° to the bank 0-35.
    [(0, 180, 195, 5), (45, 115, 140, 5), (75, 0, 35.2, 9)],
)
def test_calm_strip_off_a_straight_tree_line(off_deg, low, high, near):
    for spread in (10.0, 15.0, 20.0):
        worked, swept = worked_yd(off_deg, spread=spread), strip_yd(off_deg, spread=spread)
        assert low <= worked <= high
        assert low <= swept <= high
        # A few directions for the Gaussian, felt most where some of them come off the water.
        assert swept == pytest.approx(worked, abs=near)


@pytest.mark.parametrize("off_deg", [90, 135, 180])
def test_no_calm_strip_from_along_to_onto(off_deg):
    for spread in (10.0, 15.0, 20.0):
        assert strip_yd(off_deg, spread=spread) < 0.5


def test_bare_trees_at_twelve_leave_what_trees_in_leaf_leave_at_twenty():
    # 0.50 x 12 and 0.30 x 20 mph are the same local wind at 5 heights, 2.7 m/s, and ripple: no
    # strip is claimed in either, as a strip in one alone would need a table within 5 heights.
    assert wind_ratio(5, "bare") * 12 == pytest.approx(wind_ratio(5, "open") * 20)
    assert strip_yd(0, mph=20.0) == 0
    assert strip_yd(0, leaf_off=True) == 0
    assert strip_yd(0, mph=10.0, leaf_off=True) > 60


def test_sides_are_those_of_a_blind():
    turns = np.arange(-180.0, 181.0)
    sides = bank_sides(Wind(0.0, 5.0), turns)
    assert sides.tolist() == [wind_side(float(-turn)) for turn in turns]
    assert len(set(sides)) == 5


def test_strip_is_followed_from_the_first_water_to_the_ripple():
    out = np.arange(0.0, 50.0, 10.0)
    nan = np.nan
    local = np.array(
        [
            [nan, 1.0, 2.0, 3.0, 4.0],  # ripples halfway between 20 and 30 m, water from 10 m
            [1.0, 1.0, 1.0, 1.0, 1.0],  # never
            [1.0, 1.0, nan, 4.0, 4.0],  # the far bank
            [3.0, 1.0, 1.0, 1.0, 1.0],  # ripples at the bank
            [nan, nan, 1.0, 1.0, 1.0],  # water too far out to be this bank's
            [nan, nan, nan, nan, nan],
        ]
    )
    strip = calm_strip(local, out, ripple_mps=2.5, first_water_m=10.0)
    assert strip[:4].tolist() == [15.0, 40.0, 20.0, 0.0]
    assert np.isnan(strip[4:]).all()


def test_pieces_of_bank_join_and_run_halfway():
    wind = Wind(180.0, TWELVE_MPH)
    stations, blown = place(wind)
    banks = bank_exposure(stations=stations.sample(frac=1, random_state=1).sort_values("id"),
                          exposure=blown, wind=wind)  # fmt: skip
    assert banks.geometry.length.to_numpy() == pytest.approx(10.0)
    joined = shapely.line_merge(shapely.union_all(banks.geometry.to_numpy()))
    assert joined.geom_type == "LineString"
    assert joined.length == pytest.approx(410.0)
    assert (banks["wind_side"] == "onto").all()


def test_a_ring_of_stations_closes():
    angle = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    wind = Wind(180.0, TWELVE_MPH)
    _, blown = place(wind)
    ring = gpd.GeoDataFrame(
        {
            "id": [f"S{n:03d}" for n in range(36)],
            "shore_id": "W2",
            "chainage_m": np.arange(36) * 8.7,
            "facing_deg": np.degrees(angle),
        },
        geometry=shapely.points(500_000 + 50 * np.sin(angle), 4_879_000 + 50 * np.cos(angle)),
        crs=GRID.crs,
    )
    banks = bank_exposure(stations=ring, exposure=blown, wind=wind)
    joined = shapely.line_merge(shapely.set_precision(
        shapely.MultiLineString(list(banks.geometry)), 1e-3))  # fmt: skip
    assert joined.is_ring
    one = bank_exposure(stations=ring.iloc[:1], exposure=blown, wind=wind)
    check(one, contract("bank_exposure"))


def test_lee_and_beaten_bank():
    wind = Wind(0.0, metres_per_second(20, "mph"))
    stations, blown = place(wind)
    lee = sheltered_water(exposure=blown, wind=wind)
    check(lee, contract("sheltered_water"))
    # 60 % is the table's value at 15 heights, 300 m, a little less with the spread.
    depth = lee["area_m2"].sum() / (800 * 2.0)
    assert 240 < depth < 305
    assert lee.geometry.area.sum() == pytest.approx(lee["area_m2"].sum(), rel=0.01)
    off = bank_exposure(stations=stations, exposure=blown, wind=wind)
    assert beaten_bank(bank_exposure=off, wind=wind).empty

    onto = Wind(180.0, metres_per_second(20, "mph"))
    stations, blown = place(onto)
    banks = bank_exposure(stations=stations, exposure=blown, wind=onto)
    beaten = beaten_bank(bank_exposure=banks, wind=onto)
    check(beaten, contract("beaten_bank"))
    assert beaten["length_m"].tolist() == pytest.approx([410.0])


def test_the_shelter_of_a_whole_lake():
    # Markfort et al. (2010): A = 1e6 m2 and 10 m of canopy leave 0.454859 of the stress.
    water = gpd.GeoDataFrame(
        {"id": ["W001", "W002"], "area_m2": [1e6, 400.0]},
        geometry=[shapely.Point(0, 0).buffer(1)] * 2,
        crs=GRID.crs,
    )
    stations = gpd.GeoDataFrame(
        {"shore_id": ["W001-0", "W001-0", "W001-1"], "canopy_height_m": [5.0, 10.0, 15.0]},
        geometry=[shapely.Point(0, 0)] * 3,
        crs=GRID.crs,
    )
    assert lake_shelter(water, stations) == [
        {"water": "W001", "canopy_height_m": 10.0, "stress_share": 0.4549},
        {"water": "W002", "canopy_height_m": None, "stress_share": None},
    ]


def test_calm_air_makes_no_lee_and_beats_no_bank():
    calm = Wind(0.0, 0.0)
    stations, blown = place(calm)
    banks = bank_exposure(stations=stations, exposure=blown, wind=calm)
    assert (banks["wind_side"] == "calm").all()
    for layer, name in (
        (sheltered_water(exposure=blown, wind=calm), "sheltered_water"),
        (beaten_bank(bank_exposure=banks, wind=calm), "beaten_bank"),
    ):
        check(layer, contract(name))
        assert layer.empty
