"""The main job from the command line, on the bundled place."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import geopandas as gpd
import gpxpy
import rasterio
from helpers_cli import process, sitegeo

WIND = "NW 12 mph"


def test_survey_opens_in_any_gis(demo_survey: Path) -> None:
    layers = {name for name, _ in gpd.list_layers(demo_survey / "survey.gpkg").to_numpy()}
    assert {
        "water",
        "land",
        "stations",
        "positions",
        "candidates",
        "setbacks",
        "huntable",
    } <= layers
    with rasterio.open(demo_survey / "cover.tif") as cover:
        assert cover.descriptions == ("class", "confidence")
        assert cover.crs is not None
        assert cover.tags()["class_1"] == "water"


def test_survey_record(demo_survey: Path) -> None:
    record = json.loads((demo_survey / "survey.json").read_text())
    assert {"sitegeo_version", "place", "crs", "inputs", "steps", "assumptions", "warnings"} <= set(
        record
    )
    imagery = record["inputs"][0]
    assert imagery["role"] == "imagery"
    assert len(imagery["sha256"]) == 64
    assert {s["name"] for s in record["steps"]} >= {"cover", "shoreline", "positions", "candidates"}


def test_rank_json(demo_survey: Path) -> None:
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--json", "--top", 5)
    assert done.returncode == 0, done.stderr
    ranking = json.loads(done.stdout)
    assert ranking["wind"]["from_deg"] == 315.0
    assert len(ranking["blinds"]) == 5
    scores = [b["score"] for b in ranking["blinds"]]
    assert scores == sorted(scores, reverse=True)
    for blind in ranking["blinds"]:
        assert all(0 <= value <= 1 for value in blind["components"].values())
        assert all(v["verdict"] != "inside" for v in blind["setbacks"].values())
        assert blind["ground"] in {"public", "unknown"}
    assert all(r["rejected_by"] for r in ranking["rejected"])


def test_rank_table_goes_to_stdout_and_words_to_stderr(demo_survey: Path) -> None:
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--top", 10)
    assert "point" in done.stdout
    assert "not your law" in done.stderr
    assert "not your law" not in done.stdout


def test_plan_files(demo_plan: Path) -> None:
    names = {p.name for p in demo_plan.iterdir()}
    expected = {
        "plan.geojson",
        "waypoints.geojson",
        "waypoints.gpx",
        "plan.gpkg",
        "map.html",
        "plan.json",
    }
    assert expected <= names
    plan = json.loads((demo_plan / "plan.json").read_text())
    with (demo_plan / "waypoints.gpx").open() as file:
        track = gpxpy.parse(file)
    assert [w.name for w in track.waypoints][-len(plan["spread"]["groups"]) - 1 :]
    hide = next(w for w in track.waypoints if w.name == "HIDE")
    assert abs(hide.latitude - plan["lat"]) < 1e-6
    assert abs(hide.longitude - plan["lon"]) < 1e-6
    drawn = json.loads((demo_plan / "plan.geojson").read_text())
    roles = {f["properties"]["role"] for f in drawn["features"]}
    assert {"hide", "pocket", "group", "decoy"} <= roles


def test_plan_is_the_same_bytes_in_another_process(
    demo_survey: Path, demo_plan: Path, tmp_path: Path
) -> None:
    out = tmp_path / "again"
    done = process("plan", demo_survey, "--wind", WIND, "--when", "2026-12-05T06:40", "--out", out)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-2:] == [f"map   {out / 'map.html'}", f"plan  {out}"]
    for path in sorted(demo_plan.iterdir()):
        assert path.read_bytes() == (out / path.name).read_bytes(), path.name


def test_plan_keeps_decoy_counts(demo_plan: Path) -> None:
    spread = json.loads((demo_plan / "plan.json").read_text())["spread"]
    assert sum(g["count"] for g in spread["groups"]) + spread["left"] == 36
    for group in spread["groups"]:
        assert group["dark"] + group["white"] + group["geese"] + group["small"] == group["count"]


def test_without_a_date_nothing_is_claimed_of_it(
    demo_survey: Path, quick_maps: None, tmp_path: Path
) -> None:
    out = tmp_path / "plan"
    assert sitegeo("plan", demo_survey, "--wind", WIND, "--out", out).returncode == 0
    plan = json.loads((out / "plan.json").read_text())
    assert plan["light"] is None
    assert plan["declination_deg"] is None
    assert plan["spread"]["pocket"]["bearing_magnetic_deg"] is None


def test_plan_of_a_hide_of_ones_own(
    demo_survey: Path, demo_plan: Path, quick_maps: None, tmp_path: Path
) -> None:
    best = json.loads((demo_plan / "plan.json").read_text())
    out = tmp_path / "own"
    at = f"{best['lat']},{best['lon']}"
    done = sitegeo("plan", demo_survey, "--wind", WIND, "--hide", at, "--out", out)
    assert done.returncode == 0, done.stderr
    own = json.loads((out / "plan.json").read_text())
    assert own["id"] == "X001"
    assert own["kind"] == "chosen"
    assert abs(own["lat"] - best["lat"]) < 1e-6


def test_check_never_says_clear_without_a_law(demo_survey: Path, demo_plan: Path) -> None:
    for folder in (demo_survey, demo_plan):
        done = sitegeo("check", folder, "--json")
        assert done.returncode == 3, done.stderr
        found = json.loads(done.stdout)
        assert found["law"]["chosen"] is False
        assert found["verdict"] != "clear"
        assert found["items"]
    # The plan, its groups and its ground among them, was judged as check judges it, to the digit.
    judged = json.loads((demo_plan / "plan.json").read_text())["checks"]
    items = {(i["id"], i["target"]): i for i in found["items"]}
    assert {t for _, t in items} >= {"dwelling", "road", "public ground", "hunting", "closed areas"}
    assert len({i["id"] for i in judged}) > 1
    for item in judged:
        name = "HIDE" if item["id"][0] in "TPVHCFX" and item["id"][1:2].isdigit() else item["id"]
        assert {**item, "id": name} == items[name, item["target"]]


def write_law(path: Path, yards: int) -> Path:
    path.write_text(
        'title = "Test law"\nplace = "nowhere"\nread_on = 2026-01-01\n'
        '[[distance]]\nid = "house"\ncitation = "a test"\ntarget = "dwelling"\n'
        f'limit = {yards}\nunit = "yd"\nmeasured_from = "wall"\n'
        '[[distance]]\nid = "road"\ncitation = "a test"\ntarget = "road"\n'
        'limit = 10\nunit = "ft"\nmeasured_from = "pavement edge"\n'
    )
    return path


def test_check_under_a_chosen_law(demo_plan: Path, tmp_path: Path) -> None:
    law = write_law(tmp_path / "mild.toml", 50)
    found = json.loads(sitegeo("check", demo_plan, "--law", law, "--json").stdout)
    # The straight way in comes within the position error of the public land's edge.
    assert {i["id"] for i in found["items"] if i["verdict"] != "clear"} <= {"WAY IN"}
    plan = json.loads((demo_plan / "plan.json").read_text())
    at = f"{plan['lat']},{plan['lon']}"
    mild = sitegeo("check", demo_plan, "--at", at, "--law", law, "--json")
    assert mild.returncode == 0, mild.stdout
    assert json.loads(mild.stdout)["verdict"] == "clear"
    harsh = sitegeo("check", demo_plan, "--law", write_law(tmp_path / "harsh.toml", 2000), "--json")
    assert harsh.returncode == 3
    assert json.loads(harsh.stdout)["verdict"] == "inside"


def test_rank_and_check_agree_to_the_digit(demo_survey: Path, tmp_path: Path) -> None:
    law = write_law(tmp_path / "law.toml", 150)
    ranked = json.loads(
        sitegeo("rank", demo_survey, "--wind", WIND, "--law", law, "--json", "--top", 500).stdout
    )
    checked = json.loads(sitegeo("check", demo_survey, "--law", law, "--json").stdout)
    by_rank = {(b["id"], t): v for b in ranked["blinds"] for t, v in b["setbacks"].items()}
    by_check = {(i["id"], i["target"]): i for i in checked["items"]}
    assert by_rank
    for key, verdict in by_rank.items():
        for name in ("verdict", "distance_m", "limit_m", "rule"):
            assert verdict[name] == by_check[key][name], key
    ground = {(b["id"], t): v for b in ranked["blinds"] for t, v in b["land"].items()}
    assert {target for _, target in ground} == {"public ground", "hunting", "closed areas"}
    for key, verdict in ground.items():
        assert verdict == {name: by_check[key][name] for name in ("verdict", "note")}, key


def test_a_spot_without_a_map_is_not_checked() -> None:
    done = sitegeo("check", "--at", "44.126,-90.556", "--json")
    assert done.returncode == 3
    found = json.loads(done.stdout)
    assert set(found["not_checked"]) == {
        *("dwelling", "road", "public ground", "hunting", "closed areas", "fall of shot"),
    }


def test_example_law_is_refused_as_a_chosen_one(demo_survey: Path) -> None:
    from importlib.resources import files

    example = next(
        p for p in files("sitegeo.law").joinpath("shipped").iterdir() if p.name.endswith(".toml")
    )
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--law", example)
    assert done.returncode == 1
    assert "never a chosen law" in done.stderr


def test_steps_lists_what_is_installed() -> None:
    rows = json.loads(sitegeo("steps", "--json").stdout)
    by_name = {row["name"]: row for row in rows}
    assert by_name["cover"]["needs"] == ["photo_cover"]
    assert by_name["photo_cover"]["needs"] == ["imagery"]
    assert by_name["shoreline"]["makes"] == ["water", "land", "stations"]
    assert "wind" in by_name["exposure"]["needs"]


def test_demo_runs_twice(tmp_path: Path, demo_survey: Path, quick_maps: None) -> None:
    # A finished survey is put in place, so that only the demo's own path is run here.
    out = tmp_path / "demo"
    shutil.copytree(demo_survey, out / "survey")
    done = sitegeo("demo", "--out", out, "--overwrite")
    assert done.returncode == 0, done.stderr
    assert (out / "plan" / "map.html").is_file()
    assert done.stdout.splitlines()[-1] == f"plan  {out / 'plan'}"
    again = sitegeo("demo", "--out", out)
    assert again.returncode == 1
    assert "--overwrite" in again.stderr


def test_arcs_of_no_fire_are_in_the_plan(demo_plan: Path) -> None:
    fire = json.loads((demo_plan / "plan.json").read_text())["fire"]
    assert fire["not_checked"] == []
    assert fire["longest_m"] > 360
    closed = sum((a["to"] - a["from"]) % 360 for a in fire["arcs_closed"])
    safe = sum((b - a) % 360 or 360 for a, b in fire["arcs_safe"])
    assert closed + safe == 360
    drawn = json.loads((demo_plan / "plan.geojson").read_text())["features"]
    barred = [f for f in drawn if f["properties"]["role"] == "fire_closed"]
    assert len(barred) == len(fire["arcs_closed"])


def test_interrupted_exits_130(demo_place: Path, tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "sitegeo",
        "survey",
        str(demo_place),
        "--out",
        str(tmp_path / "s"),
    ]
    # A shell that runs us in the background may have its children ignore the interrupt.
    listening = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, preexec_fn=listening)  # noqa: PLW1509
    time.sleep(2.5)
    process.send_signal(signal.SIGINT)
    _, words = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Interrupted" in words
    assert list(tmp_path.iterdir()) == []
