"""What `rank` and `plan` make of a wind on the bundled place, and no more than is wanted."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest

import sitegeo
from sitegeo.cli.report.answers import print_survey
from sitegeo.core.steps import resolve, step
from sitegeo.exposure.shelter import markfort_sheltering
from sitegeo.exposure.sweep import NO_FETCH, sweep
from sitegeo.surveys.survey import Survey

DECEMBER = datetime.fromisoformat("2026-12-05T06:40-06:00")


@step("water")
def first(*, cover):
    """First."""


@step("land")
def second(*, water, canopy_height=None):
    """Second."""


@step("canopy_height")
def third(*, cover):
    """Third."""


@step("stations")
def fourth(*, land):
    """Fourth."""


def names(**kwargs):
    steps = (fourth, third, second, first)
    return [s.name for s in resolve(steps, have=("cover",), **kwargs)]


def test_steps_nothing_wanted_rests_on_are_left_out():
    assert set(names()) == {"first", "second", "third", "fourth"}
    wanted = names(want=("land",))
    assert sorted(wanted) == ["first", "second", "third"]
    assert wanted.index("second") == 2
    assert names(want=("water",)) == ["first"]
    assert names(want=()) == []


@pytest.fixture(scope="module")
def opened(demo_survey: Path) -> Survey:
    return Survey.open(demo_survey)


def test_rank_makes_the_blinds_and_what_they_rest_on(opened):
    ranking = sitegeo.rank(opened, sitegeo.Wind.parse("NW 12 mph"))
    assert set(ranking.layers) == {"exposure", "blinds"}


def test_a_plan_keeps_the_winds_layers(demo_plan):
    held = {str(name) for name, _ in pyogrio.list_layers(demo_plan / "plan.gpkg")}
    assert {"bank_exposure", "sheltered_water", "beaten_bank"} <= held
    banks = gpd.read_file(demo_plan / "plan.gpkg", layer="bank_exposure")
    assert set(banks.geom_type) == {"LineString"}
    page = (demo_plan / "map.html").read_text(encoding="utf-8")
    assert "sheltered_water" in page
    assert "beaten_bank" in page


def test_a_survey_tells_how_the_woods_shelter_the_whole_lake(demo_survey, capsys):
    # Markfort et al. (2010), from the largest water's own area and its shore's mean canopy.
    opened = Survey.open(demo_survey)
    water = opened.layers["water"].sort_values("area_m2").iloc[-1]
    shore = opened.layers["stations"]
    shore = shore[shore["shore_id"].str.startswith(f"{water['id']}-")]
    share = markfort_sheltering(water["area_m2"], shore["canopy_height_m"].mean())
    assert 0.5 < share < 0.99
    print_survey(demo_survey, verbose=False)
    told = capsys.readouterr().err
    assert f"feels {100 * share:.0f} % of the wind's stress" in " ".join(told.split())


@pytest.mark.parametrize(
    ("wind", "words"),
    [
        ("calm", "no wind to raise waves"),
        ("NW 12 mph gust 20", "waves to 0.5 ft (0.1 m) in gusts of 20 mph, single ones"),
    ],
)
def test_the_crossing_is_in_the_plan_and_on_the_map(opened, quick_maps, tmp_path, wind, words):
    made = sitegeo.plan(opened, sitegeo.Wind.parse(wind), blind="P001a")
    assert any(words in caution for caution in made.record["cautions"])
    found = made.record["crossing"]
    assert found["verdict"] == "checked"
    assert (found["wave_height_m"] == 0) == (wind == "calm")
    page = (made.save(tmp_path / "plan") / "map.html").read_text(encoding="utf-8")
    assert words in page


def test_calm_strips_of_the_demo_narrow_from_off_to_along_to_onto(opened):
    stations = opened.layers["stations"]
    tall = stations["canopy_height_m"].to_numpy(float) >= 8.0
    found: dict[str, list[float]] = {"off": [], "along": [], "onto": []}
    for wind in ("N 12 mph", "E 12 mph", "S 12 mph", "W 12 mph"):
        layers = sitegeo.rank(opened, sitegeo.Wind.parse(wind), want=None).layers
        banks = layers["bank_exposure"]
        for side, strips in found.items():
            chosen = (banks["wind_side"] == side).to_numpy() & tall
            strips.extend(banks["calm_strip_m"][chosen].dropna())
    off, along, onto = (np.mean(found[side]) for side in ("off", "along", "onto"))
    assert min(map(len, found.values())) > 20
    # Judged together: single stations stand in the lee of other banks.
    assert off > 1.5 * along
    assert along > onto


def test_the_date_takes_the_leaves_off_where_nobody_says(opened):
    wind = sitegeo.Wind.parse("NW 12 mph")
    undated, winter = (
        sitegeo.rank(opened, wind, when=when).layers["exposure"].band("local_ratio")
        for when in (None, DECEMBER)
    )
    assert np.nanmean(winter) > np.nanmean(undated) + 0.01


def test_the_atlas_of_a_survey_holds_its_obstacles_swept(opened):
    atlas, obstacles = opened.atlas, opened.layers["obstacles"]
    assert len(atlas.directions_deg) == 36
    bearing = float(obstacles.grid.to_grid_bearing(310))
    swept = sweep(obstacles.values, from_grid_deg=bearing, pixel_m=obstacles.grid.pixel_m, bands=0)
    window = slice(600, 900), slice(700, 1200)
    stored = np.nan_to_num(atlas.fetch(310, window).fetch_m, nan=NO_FETCH)
    assert np.array_equal(stored, swept.fetch_m[window])


def test_an_unchanged_atlas_is_carried_over_and_can_be_left_out(demo_survey, tmp_path):
    out, bare = tmp_path / "survey", tmp_path / "bare"
    Survey.open(demo_survey).save(bare, atlas=False, sheet=False)
    assert not (bare / "atlas").exists()
    with pytest.raises(sitegeo.SitegeoError, match="no wind atlas"):
        _ = Survey.open(bare).atlas
    shutil.copytree(demo_survey, out)
    # A mark in the old atlas shows whether it was swept again.
    (out / "atlas" / "mark").write_text("kept")
    Survey.open(out).save(out, overwrite=True, sheet=False)
    assert (out / "atlas" / "mark").exists()
