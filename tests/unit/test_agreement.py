"""A photo's shoreline against a mapped one whose distance from it is known."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, centres, cover_of, lake
from shapely.geometry import Point, box
from shapely.geometry.base import BaseGeometry

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.errors import CrsError
from sitegeo.shore.agreement import compare_with_map
from sitegeo.shore.shoreline import shoreline
from sitegeo.surveys.survey import Survey

SIZE, RADIUS = 500, 150.0
EAST, UP = centres(SIZE, SIZE)
WET = np.hypot(EAST, UP) < RADIUS
MIDDLE = (WEST + SIZE / 2, NORTH - SIZE / 2)


def mapped(shape: BaseGeometry) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=[shape], crs=lake(WET).grid.crs)


def circle(east: float = 0.0, radius: float = RADIUS) -> BaseGeometry:
    return Point(MIDDLE[0] + east, MIDDLE[1]).buffer(radius, quad_segs=90)


@pytest.mark.parametrize(
    ("shape", "rms_m"),
    [
        (circle(), 0.0),
        (circle(radius=RADIUS + 3), 3.0),
        # A circle moved by d lies |d cos| away: d over the root of two.
        (circle(east=6.0), 6.0 / np.sqrt(2)),
    ],
)
def test_rms_distance_of_circles(shape: BaseGeometry, rms_m: float) -> None:
    found = compare_with_map(lake(WET), mapped(shape))
    assert found.rms_m == pytest.approx(rms_m, abs=0.3)
    assert found.share == 1.0


def test_a_lake_of_which_half_is_mapped_far_off_says_so() -> None:
    found = compare_with_map(lake(WET), mapped(circle(east=80.0)))
    assert found.share < 0.6
    assert found.dry_m2 == pytest.approx(found.unmapped_m2, rel=0.05)
    words = " ".join(found.words())
    assert "that the map lacks" in words
    assert "no water on" in words


def test_trees_in_mapped_water_are_told_apart_from_dry_ground() -> None:
    classes = np.where(WET, int(Cover.WATER), int(Cover.OPEN))
    classes[WET & (EAST > 60)] = Cover.TREE
    found = compare_with_map(cover_of(classes), mapped(circle()))
    assert found.trees_m2 == pytest.approx((WET & (EAST > 60)).sum(), rel=0.05)
    assert found.dry_m2 == 0.0
    assert "trees stand on" in found.words()[1]


def test_water_far_from_any_on_the_map() -> None:
    found = compare_with_map(lake(WET), mapped(circle(east=1_000.0, radius=50.0)))
    assert np.isnan(found.rms_m)
    assert found.share == 0.0
    assert found.unmapped_m2 == pytest.approx(WET.sum(), rel=0.05)


def test_another_coordinate_system_is_refused() -> None:
    with pytest.raises(CrsError):
        compare_with_map(lake(WET), mapped(circle()).to_crs(4326))


def test_water_says_which_of_photo_and_map_show_it() -> None:
    """One lake in both, a pool on the map alone, and the same lake without a map."""
    pool = (np.abs(EAST - 200) < 20) & (np.abs(UP - 200) < 20)
    photo = lake(WET)
    both = lake(WET | pool)
    bare = Raster(np.zeros(photo.grid.shape, np.float32), photo.grid)
    known = gpd.GeoDataFrame(
        geometry=[
            circle(),
            box(MIDDLE[0] + 180, MIDDLE[1] + 180, MIDDLE[0] + 220, MIDDLE[1] + 220),
        ],
        crs=photo.grid.crs,
    )
    water, land, _ = shoreline(
        cover=both, canopy_height=bare, mapped_water=known, photo_cover=photo
    )
    told = dict(zip(water["area_m2"] > 10_000, water["source"], strict=True))
    assert told == {True: "both", False: "vector"}
    assert set(land["source"]) == {"both"}
    far = known.iloc[1:].reset_index(drop=True)
    water, _, _ = shoreline(cover=both, canopy_height=bare, mapped_water=far, photo_cover=photo)
    assert set(water["source"]) == {"photo", "vector"}
    water, land, _ = shoreline(cover=photo, canopy_height=bare)
    assert set(water["source"]) | set(land["source"]) == {"photo"}


def test_a_survey_says_how_its_map_fits_its_photo(demo_survey: Path) -> None:
    """In the bundled photo crowns and reeds stand over mapped water; most of the shore is near."""
    survey = Survey.open(demo_survey)
    fit = survey.record["water_agreement"]
    assert 0 < fit["rms_m"] < 15.0
    assert 0.5 < fit["share"] <= 1.0
    assert any("(RMS) from the mapped one" in w for w in survey.warnings)
    assert "photo_cover" in survey.layers
