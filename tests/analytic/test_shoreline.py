"""The shoreline of shapes whose area, normals and land shares are known exactly."""

from __future__ import annotations

from math import acos, pi, sqrt

import geopandas as gpd
import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, centres, cover_of, heights_of, lake
from shapely.geometry import Point, box

from sitegeo.angles import bearing_of, signed_diff_deg
from sitegeo.core import contracts
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.shore.shoreline import ShorelineParams, shoreline

SIZE = 900
RADIUS = 220.0
MIDDLE = (WEST + SIZE / 2, NORTH - SIZE / 2)


def walk(cover: Raster, tree_m: float = 0.0, **params: float):
    found = shoreline(
        cover=cover, canopy_height=heights_of(cover, tree_m), params=ShorelineParams(**params)
    )
    for name, layer in zip(("water", "land", "stations"), found, strict=True):
        contracts.check(layer, contracts.contract(name))
    return found


@pytest.fixture(scope="module")
def round_lake():
    east, north = centres(SIZE, SIZE)
    return walk(lake(np.hypot(east, north) < RADIUS))


def lens_share(radius: float, disc: float) -> float:
    """Share of a disc outside a circle, the disc centred on the circle.

    The lens of two circles at distance d, e.g. Weisstein, "Circle-Circle Intersection",
    equation 14, with d equal to the first radius.
    """
    d, big, r = radius, radius, disc
    lens = (
        r**2 * acos((d**2 + r**2 - big**2) / (2 * d * r))
        + big**2 * acos((d**2 + big**2 - r**2) / (2 * d * big))
        - 0.5 * sqrt((-d + r + big) * (d + r - big) * (d - r + big) * (d + r + big))
    )
    return 1 - lens / (pi * r**2)


def test_a_round_lake_has_its_area_and_its_shore(round_lake) -> None:
    water, land, stations = round_lake
    assert len(water) == len(land) == 1
    assert water["area_m2"][0] == pytest.approx(pi * RADIUS**2, rel=0.01)
    assert land["area_m2"][0] == pytest.approx(SIZE**2 - pi * RADIUS**2, rel=0.01)
    # A pixel staircase would be 4 / pi times too long.
    assert water.geometry[0].exterior.length == pytest.approx(2 * pi * RADIUS, rel=0.01)
    assert len(stations) == round(water.geometry[0].exterior.length / 10)


def test_a_round_lake_is_drawn_within_half_a_pixel(round_lake) -> None:
    xy = np.asarray(round_lake[0].geometry[0].exterior.coords) - MIDDLE
    assert np.abs(np.hypot(*xy.T) - RADIUS).max() < 0.5


def test_stations_of_a_round_lake_face_its_middle(round_lake) -> None:
    stations = round_lake[2]
    grid = lake(np.zeros((SIZE, SIZE), bool)).grid
    inward = bearing_of(MIDDLE[0] - stations.geometry.x, MIDDLE[1] - stations.geometry.y)
    off = signed_diff_deg(stations["facing_deg"], grid.to_true_bearing(inward))
    assert np.abs(off).max() < 2.0
    # True, not grid: the two differ by over a degree here.
    assert abs(grid.convergence_deg) > 1.0
    assert abs(off.mean()) < 0.1


def test_stations_are_evenly_spaced(round_lake) -> None:
    stations = round_lake[2]
    steps = np.diff(stations["chainage_m"])
    assert steps == pytest.approx(steps[0], abs=0.01)
    assert 9.5 < steps[0] < 10.5


@pytest.mark.parametrize("disc", [25, 75, 200])
def test_land_share_of_a_round_lake_is_the_lens(round_lake, disc: int) -> None:
    share = round_lake[2][f"land_fraction_{disc}"].to_numpy()
    # Half a pixel of shore moves the share by 1 / (pi disc).
    tolerance = 0.5 / (pi * disc) + 0.004
    assert np.abs(share - lens_share(RADIUS, disc)).max() < tolerance


def test_a_straight_shore_is_half_land_and_faces_the_water() -> None:
    _, north = centres(500, 500)
    cover = lake(north > 0)
    _, _, stations = walk(cover)
    inner = stations[stations.geometry.x.between(WEST + 210, WEST + 290)]
    for disc in (25, 75, 200):
        assert inner[f"land_fraction_{disc}"].to_numpy() == pytest.approx(0.5, abs=0.005)
    due_north = cover.grid.to_true_bearing(0.0)
    assert np.abs(signed_diff_deg(inner["facing_deg"], due_north)).max() < 0.5


def test_a_slanting_shore_shows_no_staircase() -> None:
    east, north = centres(400, 400)
    _, _, stations = walk(lake(north > 0.3 * east))
    inner = stations.iloc[3:-3]
    facing = inner["facing_deg"].to_numpy()
    expected = np.rad2deg(np.arctan2(-0.3, 1.0)) + lake(np.ones((9, 9), bool)).grid.convergence_deg
    assert np.abs(signed_diff_deg(facing, expected)).max() < 1.0


def test_a_right_angled_corner_of_land_is_a_quarter_land() -> None:
    east, north = centres(600, 600)
    _, _, stations = walk(lake(~((east < 0) & (north < 0))))
    distance = np.hypot(stations.geometry.x - WEST - 300, stations.geometry.y - NORTH + 300)
    tip = stations.loc[distance.idxmin()]
    # Up to 5 m off the corner: the share is 1/4 + 5 / (pi 200) at the most.
    assert tip["land_fraction_200"] == pytest.approx(0.25, abs=0.01)


def test_the_frame_of_the_photo_is_not_a_shore() -> None:
    _, north = centres(300, 300)
    water, _, stations = walk(lake(north > 0))
    assert water["area_m2"][0] == pytest.approx(150 * 300, rel=0.001)
    assert np.abs(stations.geometry.y - (NORTH - 150)).max() < 0.5
    assert len(stations) == 30


def test_ground_off_the_data_is_neither_land_nor_shore() -> None:
    east, north = centres(300, 300)
    whole = lake(north > 0)
    valid = east < 50
    cover = Raster(np.where(valid, whole.values, 0), whole.grid, valid, whole.bands)
    water, _, stations = walk(cover)
    assert water["area_m2"][0] == pytest.approx(150 * 200, rel=0.01)
    assert stations.geometry.x.max() < WEST + 200
    near_edge = stations[stations.geometry.x > WEST + 190]
    assert near_edge["land_fraction_25"].to_numpy() == pytest.approx(0.5, abs=0.03)


def test_a_disc_mostly_off_the_data_says_nothing() -> None:
    _, north = centres(120, 120)
    _, _, stations = walk(lake(north > 0))
    assert stations["land_fraction_200"].isna().all()
    assert stations["land_fraction_25"].notna().any()


def test_islands_are_kept_and_slivers_dropped() -> None:
    east, north = centres(SIZE, SIZE)
    island = np.hypot(east - 40, north) < 30
    pond = np.hypot(east - 300, north - 300) < 20
    puddle = np.hypot(east + 300, north - 300) < 4
    wet = ((np.hypot(east, north) < RADIUS) & ~island) | pond | puddle
    water, land, stations = walk(lake(wet))
    assert water["id"].tolist() == ["W001", "W002"]
    assert water["area_m2"][1] == pytest.approx(pi * (RADIUS**2 - 30**2), rel=0.01)
    assert sorted(land["area_m2"])[0] == pytest.approx(pi * 30**2, rel=0.03)
    around = stations[stations["shore_id"] == "W002-1"]
    middle = (MIDDLE[0] + 40, MIDDLE[1])
    outward = bearing_of(around.geometry.x - middle[0], around.geometry.y - middle[1])
    facing = np.asarray(around["facing_deg"]) - lake(wet).grid.convergence_deg
    assert np.abs(signed_diff_deg(facing, outward)).max() < 3.0


def test_waters_are_named_north_to_south_then_west_to_east() -> None:
    east, north = centres(300, 300)
    wet = np.zeros((300, 300), bool)
    for x, y in ((80, 90), (-80, 90), (0, -90)):
        wet |= np.hypot(east - x, north - y) < 25
    water, _, _ = walk(lake(wet))
    found = [
        (round(p.centroid.x - WEST - 150), round(p.centroid.y - NORTH + 150))
        for p in water.geometry
    ]
    assert found == [(-80, 90), (80, 90), (0, -90)]


def test_the_bank_behind_is_named_and_measured() -> None:
    _, north = centres(300, 300)
    classes = np.full((300, 300), int(Cover.WATER))
    classes[north < 0] = Cover.OPEN
    classes[(north < 0) & (north > -20) & (centres(300, 300)[0] > 0)] = Cover.TREE
    _, _, stations = walk(cover_of(classes), tree_m=12.0)
    west = stations[stations.geometry.x < WEST + 130]
    east = stations[stations.geometry.x > WEST + 170]
    assert set(west["bank_cover"]) == {"open"}
    assert (west["canopy_height_m"] == 0).all()
    assert set(east["bank_cover"]) == {"tree"}
    assert (east["canopy_height_m"] == 12.0).all()


def test_mapped_water_shows_in_the_source() -> None:
    east, north = centres(300, 300)
    cover = lake((np.hypot(east - 70, north) < 30) | (np.hypot(east + 70, north) < 30))
    mapped = gpd.GeoDataFrame(
        geometry=[box(WEST + 180, NORTH - 190, WEST + 260, NORTH - 110)], crs=cover.grid.crs
    )
    water, _, _ = shoreline(cover=cover, canopy_height=heights_of(cover), mapped_water=mapped)
    assert water["source"].tolist() == ["photo", "both"]


def test_no_water_gives_empty_layers() -> None:
    water, land, stations = walk(lake(np.zeros((50, 50), bool)))
    assert len(water) == len(land) == len(stations) == 0


def test_all_water_has_no_shore() -> None:
    water, land, stations = walk(lake(np.ones((50, 50), bool)))
    assert water["area_m2"].tolist() == pytest.approx([2500.0])
    assert len(land) == len(stations) == 0


def ellipse_share(a: float, b: float, at_deg: float, disc: float) -> float:
    """Share of a disc outside an ellipse, the disc centred on it, by quadrature.

    Polar integration about the disc's centre: on each ray from a point of the ellipse, the chord
    inside it ends at the other root of the ellipse's equation.
    """
    angle = np.deg2rad(at_deg)
    x, y = a * np.cos(angle), b * np.sin(angle)
    ray = np.linspace(0, 2 * pi, 200_001)
    east, north = np.cos(ray), np.sin(ray)
    chord = -2 * (x * east / a**2 + y * north / b**2) / (east**2 / a**2 + north**2 / b**2)
    wet = np.clip(chord, 0, disc) ** 2 / 2
    return 1 - float(np.trapezoid(wet, ray)) / (pi * disc**2)


def test_the_quadrature_gives_the_lens_on_a_circle() -> None:
    assert ellipse_share(RADIUS, RADIUS, 30.0, 75) == pytest.approx(
        lens_share(RADIUS, 75), abs=1e-6
    )


@pytest.mark.parametrize("disc", [25, 75, 200])
@pytest.mark.parametrize("at_deg", [0.0, 35.0, 90.0])
def test_land_share_of_an_elliptic_lake(disc: int, at_deg: float) -> None:
    a, b = 240.0, 120.0
    east, north = centres(SIZE, SIZE)
    stations = walk(lake((east / a) ** 2 + (north / b) ** 2 < 1))[2]
    angle = np.deg2rad(at_deg)
    x, y = MIDDLE[0] + a * np.cos(angle), MIDDLE[1] + b * np.sin(angle)
    nearest = int(np.argmin(np.hypot(stations.geometry.x - x, stations.geometry.y - y)))
    at = stations.geometry[nearest]
    # The share at the station itself, up to half a spacing from the asked place.
    own = np.rad2deg(np.arctan2((at.y - MIDDLE[1]) / b, (at.x - MIDDLE[0]) / a))
    share = stations[f"land_fraction_{disc}"][nearest]
    # Half a pixel of shoreline is this much of the smallest disc.
    assert share == pytest.approx(ellipse_share(a, b, own, disc), abs=0.5 / disc + 0.004)


@pytest.mark.parametrize("corner_deg", [45.0, 90.0, 135.0, 225.0, 315.0])
def test_a_corner_holds_its_own_angle_of_land(corner_deg: float) -> None:
    east, north = centres(SIZE, SIZE)
    bearing = np.rad2deg(np.arctan2(north, east)) % 360
    stations = walk(lake(~(bearing < corner_deg)))[2]
    tip = int(np.argmin(np.hypot(stations.geometry.x - MIDDLE[0], stations.geometry.y - MIDDLE[1])))
    away = stations.geometry[tip].distance(Point(MIDDLE))
    # Moved along one side by d, a disc of radius R gains or loses some d R of 3.14 R R.
    for disc in (75, 200):
        share = stations[f"land_fraction_{disc}"][tip]
        assert share == pytest.approx(corner_deg / 360, abs=(away + 1.0) / disc / 2 + 0.005)
