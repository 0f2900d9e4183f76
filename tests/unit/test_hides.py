"""Hides a person chose, as a spot or as the waypoints of a daylight visit."""

from __future__ import annotations

from pathlib import Path

import gpxpy.gpx
import pytest

import sitegeo
from sitegeo.core.grid import WGS84
from sitegeo.errors import SurveyError
from sitegeo.rankings.chosen_hide import chosen_hides, hides_off_survey, read_waypoints
from sitegeo.rankings.ranking import rank
from sitegeo.rankings.record import ranking_record


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> sitegeo.Survey:
    return sitegeo.Survey.open(demo_survey)


def written(path: Path, spots: list[tuple[str, float, float]]) -> Path:
    """A GPX file as another program writes it."""
    gpx = gpxpy.gpx.GPX()
    gpx.waypoints += [gpxpy.gpx.GPXWaypoint(lat, lon, name=name) for name, lat, lon in spots]
    path.write_text(gpx.to_xml(), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def visited(survey, tmp_path_factory: pytest.TempPathFactory) -> Path:
    blinds = rank(survey, sitegeo.Wind.parse("NW 12 mph")).blinds
    held = blinds[blinds["kind"] == "tree line"].head(3)
    spots = [(f"spot {n}", p.y, p.x) for n, p in enumerate(held.geometry.to_crs(WGS84), 1)]
    return written(tmp_path_factory.mktemp("gpx") / "visit.gpx", spots)


def test_waypoints_become_hides_in_their_order(survey, visited: Path) -> None:
    found = chosen_hides(survey, visited)
    assert found["id"].tolist() == ["X001", "X002", "X003"]
    assert found["name"].tolist() == ["spot 1", "spot 2", "spot 3"]
    lonlat = found.geometry.to_crs(WGS84)
    with visited.open() as file:
        for point, waypoint in zip(lonlat, gpxpy.parse(file).waypoints, strict=True):
            assert point.x == pytest.approx(waypoint.longitude, abs=1e-7)
            assert point.y == pytest.approx(waypoint.latitude, abs=1e-7)


def test_they_are_ranked_beside_each_other_and_the_best_is_planned(survey, visited: Path) -> None:
    wind = sitegeo.Wind.parse("NW 12 mph")
    ranked = rank(survey, wind, candidates=chosen_hides(survey, visited))
    told = ranking_record(ranked)
    everyone = [b["id"] for b in told["blinds"]] + [r["id"] for r in told["rejected"]]
    assert sorted(everyone) == ["X001", "X002", "X003"]
    assert told["blinds"][0]["name"].startswith("spot")
    plan = sitegeo.plan(survey, wind, hide=visited)
    assert plan.blind["id"] == told["blinds"][0]["id"]
    other = sitegeo.plan(survey, wind, hide=visited, blind="X003")
    assert other.blind["id"] == "X003"
    assert other.record["name"] == "spot 3"


def test_a_spot_alone_is_a_hide(survey, visited: Path) -> None:
    first = read_waypoints(visited)[0]
    found = chosen_hides(survey, (first.lat, first.lon))
    assert found["id"].tolist() == ["X001"]
    assert found["kind"].tolist() == ["chosen"]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "not GPX"),
        ("{}", "not GPX"),
        ("<gpx><wpt lat='x' lon='1'/></gpx>", "not GPX"),
        ('<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"/>', "no waypoint"),
        (
            '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1">'
            '<wpt lat="95" lon="1"/></gpx>',
            "95",
        ),
    ],
)
def test_bad_files_are_told(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "bad.gpx"
    path.write_text(text)
    with pytest.raises(SurveyError, match=word) as caught:
        read_waypoints(path)
    assert "bad.gpx" in str(caught.value)


def test_a_missing_file_and_one_that_is_no_text(tmp_path: Path) -> None:
    with pytest.raises(SurveyError, match="cannot be read"):
        read_waypoints(tmp_path / "none.gpx")
    (tmp_path / "bytes.gpx").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(SurveyError, match="not GPX"):
        read_waypoints(tmp_path / "bytes.gpx")


def test_waypoints_off_the_survey_are_named(survey, tmp_path: Path) -> None:
    path = written(tmp_path / "far.gpx", [("oak", 10.0, 20.0), ("elm", 11.0, 21.0)])
    with pytest.raises(SurveyError, match="off the survey") as caught:
        chosen_hides(survey, path)
    assert "oak 10.0, 20.0" in str(caught.value)


def test_one_waypoint_off_the_survey_is_left_out_and_said(survey, visited: Path, tmp_path) -> None:
    """The others keep their numbers, so that --blind X002 is still the second of the visit."""
    first, second, _ = read_waypoints(visited)
    spots = [("far", 10.0, 20.0), (first.name, first.lat, first.lon)]
    spots.append((second.name, second.lat, second.lon))
    path = written(tmp_path / "visit.gpx", spots)
    found = chosen_hides(survey, path)
    assert found["id"].tolist() == ["X002", "X003"]
    assert found["name"].tolist() == [first.name, second.name]
    assert hides_off_survey(survey, path) == (
        "X001 far lies off the survey and is left out: 10.0, 20.0",
    )
    assert hides_off_survey(survey, visited) == ()
    plan = sitegeo.plan(survey, sitegeo.Wind.parse("NW 12 mph"), hide=path, blind="X002")
    assert plan.blind["id"] == "X002"


def test_a_spot_in_the_wrong_order_is_told_the_right_one(survey, visited: Path) -> None:
    first = read_waypoints(visited)[0]
    with pytest.raises(SurveyError, match="latitude first") as caught:
        chosen_hides(survey, (first.lon, first.lat))
    assert f"{first.lat},{first.lon}" in str(caught.value)


@pytest.mark.parametrize(
    ("table", "key"), [("gear", "decoys"), ("gear", "wade_m"), ("assume", "canopy_height_m")]
)
def test_a_record_of_another_model_is_told_and_not_a_traceback(survey, table, key) -> None:
    record = {**survey.record, table: {**survey.record[table], key: "many"}}
    other = sitegeo.Survey(record, survey.layers)
    spot = survey.layers["candidates"].geometry.to_crs(WGS84).iloc[0]
    with pytest.raises(SurveyError, match=key):
        sitegeo.plan(other, sitegeo.Wind(0.0, 5.0), hide=(spot.y, spot.x))
