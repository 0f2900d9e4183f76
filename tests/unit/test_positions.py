"""Positions on drawn lakes, where each was put there on purpose."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, centres, cover_of, heights_of
from shapely.geometry import Point

from sitegeo.angles import signed_diff_deg
from sitegeo.core import contracts
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.shore.positions import positions
from sitegeo.shore.shoreline import shoreline

SIZE = 800
EAST, UP = centres(SIZE, SIZE)


def find(
    classes: np.ndarray,
    tree_m: float = 12.0,
    *,
    depth_m: np.ndarray | None = None,
    photo: np.ndarray | None = None,
) -> gpd.GeoDataFrame:
    cover = cover_of(classes)
    depth = None if depth_m is None else Raster(depth_m, cover.grid)
    imagery = None if photo is None else Raster(photo, cover.grid, None, ("red", "green"))
    heights = heights_of(cover, tree_m)
    water, _, stations = shoreline(cover=cover, canopy_height=heights)
    found = positions(
        stations=stations,
        cover=cover,
        canopy_height=heights,
        water=water,
        depth=depth,
        imagery=imagery,
    )
    contracts.check(found, contracts.contract("positions"))
    return found


def of_kind(found: gpd.GeoDataFrame, kind: str) -> gpd.GeoDataFrame:
    return found[found["kind"] == kind].reset_index(drop=True)


def rounded_lake() -> np.ndarray:
    """Open ground about a lake 500 m across with a straight south shore at UP = -150."""
    classes = np.full((SIZE, SIZE), int(Cover.OPEN))
    classes[(np.hypot(EAST, UP) < 300) & (UP > -150)] = Cover.WATER
    return classes


def middle(x: float, y: float) -> Point:
    return Point(WEST + SIZE / 2 + x, NORTH - SIZE / 2 + y)


@pytest.fixture(scope="module")
def tree_bank() -> gpd.GeoDataFrame:
    classes = rounded_lake()
    belt = (np.abs(EAST) < 100) & (UP <= -150) & (UP > -175)
    classes[belt] = Cover.TREE
    return find(classes)


def test_the_error_of_the_trees_height_is_told_with_it() -> None:
    classes = rounded_lake()
    classes[(np.abs(EAST) < 100) & (UP <= -150) & (UP > -175)] = Cover.TREE
    cover = cover_of(classes)
    heights = heights_of(cover, 12.0)
    water, _, stations = shoreline(cover=cover, canopy_height=heights)
    error = Raster(np.where(heights.values > 0, np.float32(4.0), np.float32(0)), cover.grid)
    found = positions(
        stations=stations, cover=cover, canopy_height=heights, canopy_error=error, water=water
    )
    line = of_kind(found, "tree line").iloc[0]
    assert line["canopy_height_error_m"] == pytest.approx(4.0)
    assert "about 12 m ± 4 m high" in line["why"]


def test_a_belt_of_trees_is_one_tree_line_with_its_measures(tree_bank: gpd.GeoDataFrame) -> None:
    lines = of_kind(tree_bank, "tree line")
    assert lines["id"].tolist() == ["T001"]
    line = lines.iloc[0]
    assert line["length_m"] == pytest.approx(200, abs=20)
    assert line.geometry.length == pytest.approx(line["length_m"], abs=0.01)
    assert line["canopy_height_m"] == pytest.approx(12.0)
    assert line["canopy_height_p90_m"] == pytest.approx(12.0)
    assert line["belt_depth_m"] == pytest.approx(25, abs=2)
    assert line["canopy_density"] > 0.95


def test_a_tree_line_faces_the_water_and_runs_along_the_shore(tree_bank: gpd.GeoDataFrame) -> None:
    line = of_kind(tree_bank, "tree line").iloc[0]
    turn = cover_of(rounded_lake()).grid.convergence_deg
    assert abs(signed_diff_deg(line["facing_deg"], turn)) < 2
    # Water on the left of the walk: eastward along a south bank.
    assert abs(signed_diff_deg(line["bearing_deg"], 90 + turn)) < 2


def test_the_reason_is_in_words_with_numbers(tree_bank: gpd.GeoDataFrame) -> None:
    why = of_kind(tree_bank, "tree line")["why"][0]
    assert "12 m high" in why
    assert "facing N" in why


def test_an_open_bank_has_no_tree_line() -> None:
    assert of_kind(find(rounded_lake()), "tree line").empty


def test_a_gap_in_the_belt_wider_than_the_bridge_parts_it() -> None:
    classes = rounded_lake()
    belt = (np.abs(EAST) < 120) & (UP <= -150) & (UP > -175)
    narrow = classes.copy()
    narrow[belt & (np.abs(EAST) > 8)] = Cover.TREE
    wide = classes.copy()
    wide[belt & (np.abs(EAST) > 35)] = Cover.TREE
    assert len(of_kind(find(narrow), "tree line")) == 1
    assert len(of_kind(find(wide), "tree line")) == 2


def test_a_wooded_round_lake_is_cut_where_its_shore_turns() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.TREE))
    classes[np.hypot(EAST, UP) < 200] = Cover.WATER
    lines = of_kind(find(classes), "tree line")
    # 360 degrees in pieces of at most 60.
    assert len(lines) >= 6
    assert lines["length_m"].max() <= 250
    assert lines["length_m"].sum() > 0.9 * 2 * np.pi * 200


def test_a_long_straight_belt_is_cut_by_length() -> None:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.TREE))
    lines = of_kind(find(classes), "tree line")
    assert len(lines) == 4
    assert lines["length_m"].max() <= 250


def test_a_headland_is_one_point_at_its_tip() -> None:
    classes = rounded_lake()
    # A spit 60 m wide with a round end, 120 m into the lake from its south shore.
    spit = (np.abs(EAST - 40) < 30) & (UP < -60) & (UP > -160)
    spit |= np.hypot(EAST - 40, UP + 60) < 30
    classes[spit] = Cover.OPEN
    tips = of_kind(find(classes), "point")
    assert tips["id"].tolist() == ["P001"]
    tip = tips.iloc[0]
    assert tip.geometry.distance(middle(40, -30)) < 8
    turn = cover_of(classes).grid.convergence_deg
    assert abs(signed_diff_deg(tip["facing_deg"], turn)) < 10
    assert "75 m" in tip["why"]


def test_a_straight_shore_has_no_point_and_no_cove() -> None:
    found = find(np.where(UP > 0.2 * EAST, int(Cover.WATER), int(Cover.OPEN)))
    assert found.empty


def test_a_bay_is_one_cove_that_opens_to_the_lake() -> None:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.OPEN))
    bay = (np.abs(EAST) < 30) & (UP > -80)
    bay |= np.hypot(EAST, UP + 80) < 30
    classes[bay] = Cover.WATER
    coves = of_kind(find(classes), "cove")
    assert coves["id"].tolist() == ["V001"]
    cove = coves.iloc[0]
    assert cove.geometry.distance(middle(0, -110)) < 12
    assert abs(signed_diff_deg(cove["facing_deg"], cover_of(classes).grid.convergence_deg)) < 15


def test_a_wet_gap_in_timber_is_an_opening_with_its_inscribed_width() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.TREE))
    classes[(np.abs(EAST) < 30) & (np.abs(UP) < 12)] = Cover.WATER
    openings = of_kind(find(classes), "timber opening")
    assert len(openings) == 1
    gap = openings.iloc[0]
    assert gap["width_m"] == pytest.approx(24, abs=1.5)
    assert gap["length_m"] == pytest.approx(60, abs=2)
    assert gap["area_m2"] == pytest.approx(24 * 60, rel=0.05)
    turn = cover_of(classes).grid.convergence_deg
    assert abs(signed_diff_deg(2 * gap["bearing_deg"], 2 * (90 + turn))) < 4


def test_a_pond_on_open_ground_is_no_timber_opening() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.OPEN))
    classes[(np.abs(EAST) < 30) & (np.abs(UP) < 12)] = Cover.WATER
    assert of_kind(find(classes), "timber opening").empty


def test_reeds_alone_in_water_are_a_cover_clump_and_a_bare_bar_is_not() -> None:
    classes = rounded_lake()
    classes[np.hypot(EAST - 60, UP) < 10] = Cover.LOW
    classes[np.hypot(EAST + 60, UP) < 10] = Cover.BUILT
    clumps = of_kind(find(classes), "cover clump")
    assert len(clumps) == 1
    clump = clumps.iloc[0]
    assert clump.geometry.centroid.distance(middle(60, 0)) < 1
    assert clump["area_m2"] == pytest.approx(np.pi * 100, rel=0.06)
    assert clump["width_m"] == pytest.approx(20, abs=1.5)


def test_a_broad_shoal_is_an_open_flat_and_a_shelving_bank_is_not() -> None:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.OPEN))
    # Shelving to 0.5 m in 12 m everywhere, and a shoal of 120 by 80 m.
    depths = np.where(UP > 0, UP / 24, np.nan)
    shoal = (np.abs(EAST) < 60) & (UP > 0) & (UP < 80)
    depths[shoal] = 0.3
    flats = of_kind(find(classes, depth_m=depths), "open flat")
    assert len(flats) == 1
    flat = flats.iloc[0]
    # Depth is averaged over 4 m: the edge of a step is drawn in by about that.
    assert flat["area_m2"] == pytest.approx(112 * 76, rel=0.06)
    assert flat["width_m"] == pytest.approx(76, abs=4)
    assert "0.3 m deep" in flat["why"]


def test_a_shoal_among_trees_is_no_open_flat() -> None:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.TREE))
    depths = np.where(UP > 0, np.where(UP < 80, 0.3, 3.0), np.nan)
    assert of_kind(find(classes, depth_m=depths), "open flat").empty


def shoal_photo(red_over_green: float) -> np.ndarray:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.OPEN))
    rng = np.random.default_rng(5)
    photo = np.stack([55.0 + 0 * UP, 74.0 + 0 * UP]) + rng.normal(0, 3, (2, SIZE, SIZE))
    shoal = (np.abs(EAST) < 60) & (UP > 0) & (UP < 80)
    photo[0, shoal] = photo[1, shoal] * red_over_green
    photo[:, classes == Cover.OPEN] = np.array([140.0, 120.0])[:, None]
    return np.clip(photo, 1, 255).astype(np.uint8)


def test_without_soundings_a_pale_bed_is_a_flat_that_claims_no_depth() -> None:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.OPEN))
    flats = of_kind(find(classes, photo=shoal_photo(0.95)), "open flat")
    assert len(flats) == 1
    assert "depth not checked" in flats["why"][0]
    assert flats["confidence"][0] <= 0.5
    # Water of one colour shows no bed, and no photo at all shows nothing.
    assert of_kind(find(classes, photo=shoal_photo(0.75)), "open flat").empty
    assert of_kind(find(classes), "open flat").empty


def test_a_broad_bay_between_headlands_is_a_cove_and_a_round_lake_is_none() -> None:
    classes = np.where(UP > 0, int(Cover.WATER), int(Cover.OPEN))
    classes[(np.hypot(EAST, UP + 40) < 90)] = Cover.WATER
    coves = of_kind(find(classes), "cove")
    assert len(coves) == 1
    assert coves.geometry[0].distance(middle(0, -130)) < 40
    pond = np.where(np.hypot(EAST, UP) < 100, int(Cover.WATER), int(Cover.OPEN))
    assert of_kind(find(pond), "cove").empty


def test_the_bank_of_a_ditch_is_no_tree_line() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.TREE))
    classes[np.abs(UP) < 6] = Cover.WATER
    assert of_kind(find(classes), "tree line").empty


def test_the_bank_of_a_timber_opening_is_not_also_a_tree_line() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.TREE))
    classes[(np.abs(EAST) < 45) & (np.abs(UP) < 40)] = Cover.WATER
    found = find(classes)
    assert found["kind"].tolist() == ["timber opening"]


def test_trees_on_the_tip_of_a_point_belong_to_the_point() -> None:
    classes = rounded_lake()
    spit = (np.abs(EAST - 40) < 30) & (UP < -60) & (UP > -160)
    spit |= np.hypot(EAST - 40, UP + 60) < 30
    classes[spit] = Cover.OPEN
    classes[spit & (UP > -75)] = Cover.TREE
    found = find(classes)
    assert of_kind(found, "tree line").empty
    assert of_kind(found, "point")["canopy_height_m"].tolist() == pytest.approx([12.0])


def test_ids_run_north_to_south() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.OPEN))
    for x, y in ((-150, 200), (150, 200), (0, -200)):
        classes[np.hypot(EAST - x, UP - y) < 60] = Cover.WATER
        classes[(np.abs(EAST - x) < 60) & (UP - y < -40) & (UP - y > -100)] = Cover.TREE
    lines = of_kind(find(classes), "tree line")
    xs = (lines.geometry.centroid.x - WEST - SIZE / 2).round(-2).tolist()
    assert lines["id"].tolist() == ["T001", "T002", "T003"]
    assert np.sign(xs).tolist()[:2] == [-1, 1]
    assert lines.geometry.centroid.y.is_monotonic_decreasing


def test_nothing_to_find_gives_an_empty_layer() -> None:
    assert find(np.full((60, 60), int(Cover.OPEN))).empty


def test_same_input_same_table(tree_bank: gpd.GeoDataFrame) -> None:
    classes = rounded_lake()
    classes[(np.abs(EAST) < 100) & (UP <= -150) & (UP > -175)] = Cover.TREE
    assert find(classes).equals(tree_bank)
