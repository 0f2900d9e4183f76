"""`sitegeo hours` and `sitegeo season` as a person runs them, on the bundled place."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from helpers_cli import sitegeo

from sitegeo.surveys.survey import Survey


def test_hours_prints_one_line_an_hour(demo_survey: Path, demo_place: Path) -> None:
    forecast = demo_place.parent / "forecast.csv"
    window = ("--from", "2026-12-05T23:00", "--to", "2026-12-06T03:00")
    done = sitegeo("hours", demo_survey, "--forecast", forecast, *window, "--draws", "20", "-v")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(" dark") == 5
    lines = [line.split() for line in done.stdout.splitlines()]
    times = [words[0] for words in lines if words and words[0][2:3] == ":"]
    assert times == ["23:00", "00:00", "01:00", "02:00", "03:00"]
    assert done.stdout.count("no wind: direction not predictable") == 2
    assert "Saturday 5 December 2026" in done.stdout
    assert "not your law" in done.stderr


def test_dark_hours_are_folded(demo_survey: Path, demo_place: Path) -> None:
    window = ("--from", "2026-12-05T03:00", "--to", "2026-12-05T18:00", "--draws", "5")
    done = sitegeo("hours", demo_survey, "--forecast", demo_place.parent / "forecast.csv", *window)
    assert done.returncode == 0, done.stderr
    lines = [line.split() for line in done.stdout.splitlines()]
    times = [words[0] for words in lines if words and words[0][2:3] == ":"]
    assert times == ["03:00-05:00", *(f"{n:02d}:00" for n in range(6, 17)), "17:00-18:00"]
    assert done.stdout.count("shooting hours are law") == 2


def test_hours_at_the_water_of_the_day(demo_survey: Path, demo_place: Path) -> None:
    window = ("--from", "2026-12-05T06:00", "--to", "2026-12-05T06:00", "--draws", "5")
    forecast = ("--forecast", demo_place.parent / "forecast.csv")
    done = sitegeo("hours", demo_survey, *forecast, *window, "--water", "-3 ft", "--json")
    assert done.returncode == 0, done.stderr
    assert "acres of water lost" in done.stderr
    blinds = Survey.open(demo_survey).layers["candidates"]
    told = json.loads(done.stdout)
    assert len(told["rejected"]) > blinds["rejected_by"].notna().sum() + 5


def test_hours_as_json(demo_survey: Path, demo_place: Path) -> None:
    forecast = demo_place.parent / "forecast.csv"
    done = sitegeo("hours", demo_survey, "--forecast", forecast, "--draws", "20", "--json")
    told = json.loads(done.stdout)
    assert told["schema"] == "sitegeo/hours/1"
    assert len(told["hours"]) == len(forecast.read_text().splitlines()) - 1
    assert {h["state"] for h in told["hours"]} == {"wind", "calm"}
    assert len(told["steady"]) == 3
    named = {h["blind"] for h in told["hours"] if h["blind"]}
    assert named <= {b["id"] for b in told["blinds"]}
    assert not named & {b["id"] for b in told["rejected"]}


def test_season_prints_shares_and_teams(demo_survey: Path, demo_place: Path) -> None:
    winds = demo_place.parent / "past_winds.csv"
    done = sitegeo("season", demo_survey, "--winds", winds)
    assert done.returncode == 0, done.stderr
    assert "One place" in done.stdout
    told = json.loads(sitegeo("season", demo_survey, "--winds", winds, "--json").stdout)
    assert told["counted"] == sum(m["hours"] > 0 for m in told["mornings"])
    adding = [t["adds"][-1] > 0 for t in told["teams"]]
    assert ["The pair" in done.stdout, "The trio" in done.stdout] == adding[1:]
    shares = [t["share"] for t in told["teams"]]
    assert shares == sorted(shares)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("hours", "--forecast", "nowhere.csv"), "nowhere.csv"),
        (("season", "--winds", "nowhere.csv"), "nowhere.csv"),
    ],
)
def test_a_missing_file_is_named(demo_survey: Path, words: tuple[str, ...], says: str) -> None:
    done = sitegeo(words[0], demo_survey, *words[1:])
    assert done.returncode in {1, 2}
    assert says in done.stderr
    assert done.stdout == ""


def test_hours_of_a_morning_must_be_a_range(demo_survey: Path, demo_place: Path) -> None:
    winds = demo_place.parent / "past_winds.csv"
    done = sitegeo("season", demo_survey, "--winds", winds, "--hours", "9-5")
    assert done.returncode == 2
    assert "such as 5-9" in done.stderr
