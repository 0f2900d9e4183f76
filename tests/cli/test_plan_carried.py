"""What a plan writes to be carried: card, KML, plain text, and the schema of plan.json."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import fiona
import geojson
import gpxpy
import jsonschema
import pyogrio
import pypdf
import pyproj
import pytest
import shapely
from fastkml import validator
from helpers_cli import maps_of_one_wind
from helpers_cli import sitegeo as run

import sitegeo
from sitegeo.export.text import plan_text, setback_sentences, shift_sentences
from sitegeo.law.daylight import read_when
from sitegeo.places.config import Credit

CREDIT = Credit(
    layers=("roads", "public_land"),
    source="Map",
    attribution="© OpenStreetMap contributors",
    licence="ODbL 1.0",
)
SCHEMA = Path(__file__).resolve().parents[2] / "docs" / "plan.schema.json"


@pytest.fixture(scope="module")
def plans(
    demo_survey: Path, demo_plan: Path, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    survey = sitegeo.Survey.open(demo_survey)
    when = read_when("2026-12-05T06:40", survey.record["zone"])
    wind = sitegeo.Wind.parse("NW 12 mph")
    credited = replace(survey, record={**survey.record, "credits": [CREDIT.model_dump()]})
    credited.record["credits"][0]["words"] = CREDIT.words
    made = {
        "calm": sitegeo.plan(credited, sitegeo.Wind.parse("calm")),
        "empty": sitegeo.plan(survey, wind, decoys=0),
        "rejected": sitegeo.plan(survey, wind, blind=_rejected(survey, wind), when=when),
        "refused": sitegeo.plan(survey, wind, blind=_refused(survey, wind)),
    }
    folder = tmp_path_factory.mktemp("carried")
    with maps_of_one_wind():
        saved = {name: plan.save(folder / name) for name, plan in made.items()}
    return saved | {"dated": demo_plan}


def _rejected(survey: sitegeo.Survey, wind: sitegeo.Wind) -> str:
    return str(sitegeo.rank(survey, wind).rejected["id"].iloc[0])


def _refused(survey: sitegeo.Survey, wind: sitegeo.Wind) -> str:
    refused = sitegeo.rank(survey, wind).refused
    return str(refused.loc[refused["kind"] == "timber opening", "id"].iloc[0])


@pytest.fixture(params=["dated", "calm", "empty", "rejected", "refused"])
def folder(request: pytest.FixtureRequest, plans: dict[str, Path]) -> Path:
    return plans[request.param]


def record_of(folder: Path) -> dict[str, Any]:
    return dict(json.loads((folder / "plan.json").read_text()))


def test_plan_json_keeps_to_its_published_schema(folder: Path) -> None:
    schema = json.loads(SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(record_of(folder), schema, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("name", ["plan.geojson", "waypoints.geojson"])
def test_an_independent_validator_takes_the_geojson(demo_plan: Path, name: str) -> None:
    """By the geojson package; right-hand rule (RFC 7946, 3.1.6) by shapely."""
    read = geojson.loads((demo_plan / name).read_text(encoding="utf-8"))
    assert read.is_valid, read.errors()
    assert len(read["features"]) > 5
    shapes = [shapely.geometry.shape(f["geometry"]) for f in read["features"]]
    rings = [p for s in shapes for p in shapely.get_parts(s) if p.geom_type == "Polygon"]
    assert all(p.exterior.is_ccw and not any(h.is_ccw for h in p.interiors) for p in rings)
    assert bool(rings) == (name == "plan.geojson")


def test_independent_readers_find_every_point_in_its_place(demo_plan: Path) -> None:
    """GPX by gpxpy, KML and KMZ by GDAL, GeoPackage by fiona: all within 0.1 m of the GeoJSON."""
    read = json.loads((demo_plan / "waypoints.geojson").read_text(encoding="utf-8"))
    points = {f["properties"]["name"]: f["geometry"]["coordinates"] for f in read["features"]}
    found: dict[str, dict[str, Any]] = {}
    with (demo_plan / "waypoints.gpx").open(encoding="utf-8") as file:
        gpx = gpxpy.parse(file)
    found["gpx"] = {w.name: (w.longitude, w.latitude) for w in gpx.waypoints}
    start, end = gpx.routes[0].points
    assert (start.name, end.name) == (list(points)[list(points).index("HIDE") - 1], "HIDE")
    found["route"] = {p.name: (p.longitude, p.latitude) for p in (start, end)}
    for name in ("plan.kml", "plan.kmz"):
        layer = "Waypoints in set-up order"
        marks = pyogrio.read_dataframe(demo_plan / name, layer=layer)
        found[name] = {m["Name"]: m.geometry.coords[0] for _, m in marks.iterrows()}
    with fiona.open(demo_plan / "plan.gpkg", layer="plan") as layer:
        to_wgs84 = pyproj.Transformer.from_crs(layer.crs_wkt, 4326, always_xy=True)
        found["gpkg"] = {
            f["properties"]["name"]: to_wgs84.transform(*f["geometry"]["coordinates"])
            for f in layer
            if f["properties"]["role"] in ("hide", "access", "motion")
        }
    geod = pyproj.Geod(ellps="WGS84")
    for name, places in found.items():
        assert set(places) == set(points) if name not in ("route", "gpkg") else places
        for key, (lon, lat, *_) in places.items():
            assert geod.inv(lon, lat, *points[key])[2] < 0.1, (name, key)


def test_whose_data_it_is_stands_on_all_that_is_carried(plans: dict[str, Path]) -> None:
    words = "roads, public land: © OpenStreetMap contributors (ODbL 1.0)"
    folder = plans["calm"]
    assert record_of(folder)["credits"] == [words]
    assert words in (folder / "map.html").read_text(encoding="utf-8")
    assert words in (folder / "plan.kml").read_text(encoding="utf-8")
    for name in ("card.pdf", "card_night.pdf"):
        page = pypdf.PdfReader(folder / name).pages[0]
        assert words[1:] in " ".join(page.extract_text().split())
    assert record_of(plans["dated"])["credits"] == []


@pytest.mark.parametrize(
    ("member", "value"),
    [("lat", 91.0), ("schema", "sitegeo/plan/2"), ("ground", "mine"), ("id", "somewhere")],
)
def test_the_schema_refuses_what_is_wrong(
    plans: dict[str, Path], member: str, value: object
) -> None:
    schema = json.loads(SCHEMA.read_text())
    record = record_of(plans["dated"])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**record, member: value}, schema)
    del record[member]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(record, schema)


@pytest.mark.parametrize("name", ["card.pdf", "card_night.pdf"])
def test_the_card_says_what_the_plan_says(folder: Path, name: str) -> None:
    reader = pypdf.PdfReader(io.BytesIO((folder / name).read_bytes()))
    assert len(reader.pages) == 1
    text = " ".join(reader.pages[0].extract_text().split())
    record = record_of(folder)
    assert record["id"] in text
    assert record["usng"][-5:] in text
    for group in record["spread"]["groups"]:
        assert f"{round(group['bearing_true_deg']) % 360:03d}°" in text
        assert group["name"] in text
        if group["bearing_magnetic_deg"] is not None:
            assert f"{round(group['bearing_magnetic_deg']) % 360:03d}°" in text
    if record["spread"]["refused"]:
        assert "No spread here" in text
    flat = text.replace(" ", "").replace("·", "")
    for caution in record["cautions"]:
        assert caution[1:].replace(" ", "") in flat
    assert "magnetic" in text.lower()


def test_what_a_quick_look_leaves_out_and_laying_lays_is_not_called_impossible(
    demo_survey: Path,
) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    wind = sitegeo.Wind.parse("NW 12 mph")
    left_out = sitegeo.rank(survey, wind).refused["id"]
    for plan in (sitegeo.plan(survey, wind, blind=name) for name in left_out.head(3)):
        impossible = "no spread can be laid" in plan.record["rejected_by"]
        assert impossible == bool(plan.spread.refused)


def test_what_is_not_laid_is_not_spoken_of(plans: dict[str, Path]) -> None:
    """The sentence of the layout on a card without decoys, and on one without a spread."""
    empty, refused = (
        " ".join(pypdf.PdfReader(plans[n] / "card.pdf").pages[0].extract_text().split())
        for n in ("empty", "refused")
    )
    assert "No decoys: " in empty
    assert "the body lies" not in empty
    assert refused.count("No spread here: ") == 1
    assert refused.index("No spread here: ") < refused.index("HIDE")
    record = record_of(plans["refused"])
    assert record["spread"]["reason"] == f"No spread here: {record['spread']['refused']}."
    assert plan_text(record).count("No spread here: ") == 1


def test_kml_is_valid_and_holds_every_group(folder: Path) -> None:
    path = folder / "plan.kml"
    assert validator.validate(file_to_validate=path) is True
    text = path.read_text()
    for group in record_of(folder)["spread"]["groups"]:
        assert f"<name>{group['name'].upper()}</name>" in text


def test_plain_text_holds_the_plan_in_78_columns_of_ascii(folder: Path) -> None:
    record = record_of(folder)
    text = plan_text(record)
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 78
    assert not set(text) & set("|│─┌┐└┘━")
    flat = " ".join(text.split())
    for group in record["spread"]["groups"]:
        assert f"{group['name']} {group['count']}" in flat
        assert f"{round(group['bearing_true_deg']) % 360:03d} true" in flat
    assert record["usng"] in text
    if record["declination_deg"] is None:
        assert "magnetic (" not in text


def test_a_rejected_blind_says_so_wherever_it_is_read(plans: dict[str, Path]) -> None:
    record = record_of(plans["rejected"])
    assert record["rejected_by"]
    assert f"ruled out: {record['rejected_by']}" in " ".join(plan_text(record).split())
    reader = pypdf.PdfReader(plans["rejected"] / "card.pdf")
    assert "ruled out" in " ".join(reader.pages[0].extract_text().split())


def test_print_and_paper_on_the_command_line(
    demo_survey: Path, quick_maps: None, tmp_path: Path
) -> None:
    out = tmp_path / "plan"
    words = ["plan", demo_survey, "--wind", "NW 12 mph", "--print", "--paper", "a4", "--out", out]
    done = run(*words, columns=60)
    assert done.returncode == 0, done.stderr
    assert done.stdout == plan_text(record_of(out))
    box = pypdf.PdfReader(out / "card.pdf").pages[0].mediabox
    assert float(box.height) == pytest.approx(297 / 25.4 * 72, abs=0.1)


def test_groups_are_told_by_what_they_are_close_to() -> None:
    """The worst first, no verdict left out, none told twice."""
    told = {
        "MASS": ("inside", "clear", "clear"),
        "NEAR": ("close", "clear", "clear"),
        "TAIL": ("clear", "clear", "not checked"),
    }
    targets = ("dwelling", "road", "hunting")
    checks = [
        {"id": name, "target": target, "verdict": verdict}
        for name, verdicts in told.items()
        for target, verdict in zip(targets, verdicts, strict=True)
    ]
    record = {"id": "T001a", "verdicts": ["" for _ in checks], "checks": checks}
    assert list(setback_sentences(record)) == [
        "Groups: dwelling inside (mass); dwelling close (near); hunting not checked (tail); "
        "road clear; hunting clear (mass, near); dwelling clear (tail)."
    ]


def test_a_shift_is_one_sentence_with_its_moves() -> None:
    moves = [{"words": "move 4 from the mass to the tail, 20 yd"}]
    entry = {
        "from_deg": 337.5,
        "verdict": "Move a few.",
        "moves": moves,
        "cautions": ["Probe first"],
    }
    assert list(shift_sentences([entry, entry, "Leave it as it lies"])) == [
        "From NNW (338° true): Move a few; move 4 from the mass to the tail, 20 yd.",
        "From NNW (338° true): Move a few; move 4 from the mass to the tail, 20 yd.",
        "Leave it as it lies.",
        "Probe first.",
    ]
