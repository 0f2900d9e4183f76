"""LAW.toml: what it may hold, what it may not, the shipped examples and the strictest of them."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path

import jsonschema
import pytest

from sitegeo.errors import LawError
from sitegeo.law import rules
from sitegeo.law.examples import example_laws, strictest_law
from sitegeo.law.rules import DistanceRule, Law, law_schema, read_law

SCHEMA = Path(__file__).resolve().parents[2] / "docs" / "law.schema.json"
HEAD = 'title = "A law"\nplace = "Somewhere"\nread_on = 2026-01-02\n'
HOUSE = """
[[distance]]
id = "house"
citation = "Code 1"
target = "dwelling"
limit = 150
unit = "yd"
measured_from = "wall"
"""
ROAD = """
[[distance]]
id = "road"
citation = "Code 2"
target = "road"
limit = 50
unit = "ft"
measured_from = "centreline"
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "LAW.toml"
    path.write_text(text, encoding="utf-8")
    return path


def rule(name: str, target: str, limit: float, **more: object) -> DistanceRule:
    fixed = {"id": name, "citation": "Code", "target": target, "limit": limit, "unit": "m"}
    usual = {"measured_from": "centreline" if target == "road" else "wall"}
    return DistanceRule.model_validate({**fixed, **usual, **more})


def law_of(*held: DistanceRule, place: str = "Somewhere") -> Law:
    return Law(title="A law", place=place, read_on=date(2026, 1, 2), distance=held)


def test_reads_a_whole_law(tmp_path):
    text = (
        HEAD
        + HOUSE
        + """
effective_from = 2026-09-01
effective_to = 2027-01-31
permission = "the occupant's"
[[text]]
topic = "blinds"
words = "Taken home each day."
[hours]
opens_min = -30
closes_min = 0.0
citation = "Code 2"
"""
    )
    law = read_law(write(tmp_path, text))
    assert law.title == "A law"
    assert law.read_on == date(2026, 1, 2)
    held = law.distance[0]
    assert held.target == ("dwelling",)
    assert held.weapon == ("firearm",)
    assert held.verify
    assert held.effective_to == date(2027, 1, 31)
    assert law.text[0].topic == "blinds"
    assert [(h.opens, h.opens_min) for h in law.hours] == [("sunrise", -30)]
    assert not law.chosen
    assert not law.example


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["'title' is required", "'place' is required", "'read_on' is required"]),
        (HEAD + "chosen = true\n", ["unknown key 'chosen'"]),
        (HEAD + HOUSE + "limits = 3\n", ["distance.0.limits", "nearest known one is 'limit'"]),
        (HEAD + HOUSE + 'unit = "yd"\n', ["not TOML"]),
        (HEAD + HOUSE.replace('"yd"', '"furlong"'), ["distance.0.unit", "'furlong'"]),
        (HEAD + HOUSE.replace("150", '"150"'), ["distance.0.limit"]),
        (HEAD + HOUSE.replace("150", "true"), ["distance.0.limit"]),
        (HEAD + HOUSE.replace("150", "nan"), ["distance.0.limit"]),
        (HEAD + HOUSE.replace("150", "inf"), ["distance.0.limit"]),
        (HEAD + HOUSE.replace("150", "-1"), ["distance.0.limit", "-1"]),
        (HEAD + HOUSE.replace('"dwelling"', "[]"), ["distance.0.target"]),
        (HEAD + HOUSE.replace('"dwelling"', '"castle"'), ["distance.0.target", "castle"]),
        (HEAD + HOUSE.replace('"Code 1"', '""'), ["distance.0.citation"]),
        (HEAD + HOUSE.replace('"wall"', '"centreline"'), ["not measured from 'centreline'"]),
        (HEAD + HOUSE.replace('"dwelling"', '"road"'), ["a road rule is not measured from"]),
        (HEAD + HOUSE.replace('"dwelling"', '["road", "school"]'), ["write two rules"]),
        (HEAD + HOUSE + HOUSE, ["used twice: house"]),
        (HEAD + HOUSE + 'applies_on = ["any", "private land"]\n', ["applies_on is 'any'"]),
        (HEAD + HOUSE + 'applies_on = "paved road"\n', ["only a rule about roads"]),
        (HEAD + HOUSE + 'geometry = "corridor"\n', ["a corridor runs along a road"]),
        (HEAD + HOUSE + 'permission_by = "owner"\n', ["needs the statute's words"]),
        (HEAD + HOUSE + "permission_written = true\n", ["needs permission_by"]),
        (
            HEAD + ROAD + 'permission = "x"\npermission_by = "owner"\n',
            ["lifted by the landowner or nobody"],
        ),
        (HEAD + ROAD.replace('"centreline"', '"grounds"'), ["is not measured from 'grounds'"]),
        (HEAD + "[road_width_m]\nlane = -3.0\n", ["road_width_m.lane"]),
        (
            HEAD + HOUSE + "effective_from = 2026-02-01\neffective_to = 2026-01-31\n",
            ["effective_to comes before"],
        ),
        (
            HEAD + 'tittle = "x"\n' + HOUSE.replace("150", "-1"),
            ["nearest known one is 'title'", "distance.0.limit"],
        ),
    ],
)
def test_a_faulty_law_is_refused_with_every_fault(tmp_path, text, words):
    path = write(tmp_path, text)
    with pytest.raises(LawError) as caught:
        read_law(path)
    told = str(caught.value)
    assert str(path) in told
    assert "\n" not in told or "TOML" in told
    for word in words:
        assert word in told


def test_a_missing_file_is_a_law_error(tmp_path):
    with pytest.raises(LawError, match="no such file"):
        read_law(tmp_path / "none.toml")


def test_dates_of_one_day_are_a_span(tmp_path):
    day = "effective_from = 2026-02-01\neffective_to = 2026-02-01\n"
    assert read_law(write(tmp_path, HEAD + HOUSE + day)).distance[0].effective_from


def test_a_law_is_chosen_only_by_a_person(tmp_path):
    law = read_law(write(tmp_path, HEAD + HOUSE))
    chosen = law.as_chosen()
    assert chosen.chosen
    assert not law.chosen
    assert not chosen.as_example().chosen


def test_shipped_laws_are_examples_with_citations_and_are_never_chosen():
    laws = example_laws()
    assert len(laws) >= 8
    assert len({r.id for law in laws for r in law.distance}) == sum(len(w.distance) for w in laws)
    for law in laws:
        assert "example, verify" in law.title
        assert law.example
        assert not law.chosen
        assert law.distance
        assert all(r.verify and r.citation for r in law.distance)
        with pytest.raises(LawError, match="never a chosen law"):
            law.as_chosen()


def test_a_shipped_file_read_by_its_path_is_still_an_example(tmp_path):
    shipped = Path(rules.__file__).parent / "shipped" / "iowa.toml"
    assert read_law(shipped).example
    copy = write(tmp_path, shipped.read_text(encoding="utf-8"))
    assert read_law(copy).as_chosen().chosen


# Limits as the sources under each file's citation give them, in metres by the exact yard and foot
# (PROJ units.cpp: foot 0.3048 m, yard 0.9144 m).
@pytest.mark.parametrize(
    ("name", "target", "limit_m"),
    [
        ("pa-2505-firearm", "dwelling", 137.16),
        ("pa-2505-school", "school", 137.16),
        ("ar-05.15-firearm", "dwelling", 137.16),
        ("mi-40111-7", "livestock building", 137.16),
        ("md-10-601-f", "dwelling", 137.16),
        ("ny-11-0931-firearm", "dwelling", 152.4),
        ("ny-11-0931-crossbow", "dwelling", 76.2),
        ("ny-11-0931-bow", "dwelling", 45.72),
        ("ar-05.15-archery", "dwelling", 45.72),
        ("ma-131-58-dwelling", "dwelling", 152.4),
        ("ma-269-12e-building", "occupied building", 152.4),
        ("ma-131-58-highway", "road", 45.72),
        ("nh-207-3-a", "dwelling", 91.44),
        ("me-12-11209", "dwelling", 91.44),
        ("me-12-11208-pavement", "road", 3.048),
        ("wi-167.31-2-d", "road", 15.24),
        ("ia-481a.123", "livestock building", 182.88),
        ("mn-97b.001-7", "dwelling", 152.4),
        ("ct-26-66-1-d", "dwelling", 152.4),
        ("hwa-161-2-b", "road", 15.24),
    ],
)
def test_shipped_limits(name, target, limit_m):
    held = {r.id: r for law in example_laws() for r in law.distance}[name]
    assert target in held.target
    assert held.limit_m == pytest.approx(limit_m, abs=1e-9)


def test_archery_asks_less_than_a_firearm():
    law = next(w for w in example_laws() if w.place.startswith("Pennsylvania"))
    assert law.distance_for("dwelling") == pytest.approx(137.16)
    assert law.distance_for("dwelling", weapon="bow") == pytest.approx(45.72)
    assert law.distance_for("road") is None


def test_strictest_takes_the_largest_for_each_target():
    law = strictest_law(example_laws())
    assert law.distance_for("dwelling") == pytest.approx(182.88)
    assert law.rule_for("dwelling").id == "ia-481a.123"
    assert law.distance_for("school") == pytest.approx(152.4)
    assert law.rule_for("road").id == "ma-131-58-highway"
    assert {r.applies_on for r in law.distance} == {("any",)}
    assert {r.permission_by for r in law.distance} == {()}
    assert {r.geometry for r in law.distance} <= {"disc", "corridor"}
    assert {r.permission for r in law.distance} == {"none"}
    told = {t.words.split(":")[0]: t for t in law.text}
    assert "Iowa" in told["dwelling"].words
    assert "Massachusetts" in told["road"].words
    assert told["road"].citation
    with pytest.raises(LawError):
        law.as_chosen()


def test_strictest_leaves_out_bows_and_keeps_what_differs_with_the_road():
    a = law_of(
        rule("bow", "dwelling", 900, weapon="bow"),
        rule("a-house", "dwelling", 50),
        rule("centre", "road", 50),
        place="A",
    )
    b = law_of(
        rule("a-house", "dwelling", 50),
        rule("edge", "road", 40, measured_from="pavement edge"),
        rule("weak", "road", 39, measured_from="pavement edge"),
        rule("row", "road", 45, measured_from="right-of-way"),
        place="B",
    )
    law = strictest_law([a, b])
    # 50 m from the centreline of a road 1 m wide outdoes 45 m from its right-of-way 2 m out;
    # on a wide road it does not. 40 m from the pavement is outdone by the right-of-way.
    assert [r.id for r in law.distance] == ["a-house", "centre", "row"]
    both = strictest_law([a, law_of(rule("centre", "dwelling", 60), place="C")])
    assert [r.id for r in both.distance] == ["centre [1]", "centre [2]"]
    assert [r.limit for r in both.distance] == [50, 60]


def test_strictest_of_nothing_has_no_rule():
    law = strictest_law([])
    assert law.distance == ()
    assert law.distance_for("dwelling") is None
    assert law.read_on == date.min  # nobody ever read it
    laws = [law_of().model_copy(update={"read_on": date(year, 5, 1)}) for year in (2026, 2025)]
    assert strictest_law(laws).read_on == date(2025, 5, 1)


def test_strictest_keeps_the_first_of_equals():
    one, two = law_of(rule("x", "school", 10)), law_of(rule("y", "school", 10))
    assert [r.id for r in strictest_law([one, two]).distance] == ["x"]
    assert [r.id for r in strictest_law([two, one]).distance] == ["y"]


def test_the_schema_is_the_published_one_and_every_shipped_file_keeps_it():
    schema = law_schema()
    assert schema == json.loads(SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    held = jsonschema.Draft202012Validator(schema)
    for path in sorted((Path(rules.__file__).parent / "shipped").glob("*.toml")):
        # JSON has no dates: they are text in it.
        held.validate(json.loads(json.dumps(tomllib.loads(path.read_text()), default=str)))
    with pytest.raises(jsonschema.ValidationError):
        held.validate({"title": "t", "place": "p", "read_on": "2026-01-01", "chosen": True})


# Each kind of rule that the statutes behind the shipped files know, in one law.
EVERY_KIND = """
[[distance]]
id = "pennsylvania"
citation = "34 Pa.C.S. 2505"
target = ["dwelling", "occupied building"]
limit = 50
unit = "yd"
measured_from = "wall"
weapon = ["bow", "crossbow"]
permission = "specific advance permission of the occupant"
permission_by = "occupant"
[[distance]]
id = "new york"
citation = "ECL 11-0931"
target = "dwelling"
limit = 500
unit = "ft"
measured_from = "wall"
geometry = "sector"
[[distance]]
id = "iowa"
citation = "481A.123, as proposed in SF 2025"
target = "livestock building"
limit = 200
unit = "yd"
measured_from = "grounds"
[[distance]]
id = "minnesota"
citation = "97B.001 subd. 7"
target = "dwelling"
limit = 500
unit = "ft"
measured_from = "property line"
applies_on = "private land"
permission = "written permission of the owner"
permission_by = ["owner", "occupant", "landowner"]
permission_written = true
[[distance]]
id = "maine"
citation = "12 section 11208"
target = "road"
limit = 10
unit = "ft"
measured_from = "pavement edge"
geometry = "corridor"
applies_on = ["paved road", "private land"]
effective_from = 2026-01-01
[[distance]]
id = "wisconsin"
citation = "167.31(2)(d)"
target = "road"
limit = 50
unit = "ft"
measured_from = "centreline"
[[text]]
topic = "shot"
words = "No lead within 100 m of wetlands."
citation = "EU Regulation 2021/57"
effective_from = 2023-02-15
[[text]]
topic = "powered decoys"
words = "One at most."
days = ["saturday", "sunday"]
[[text]]
topic = "blinds"
words = "Home each day."
earliest = { event = "shooting start", minutes = -60 }
latest = 21:00:00
[[hours]]
opens_min = -30
closes_min = 0
citation = "50 CFR 20.23"
[[hours]]
opens_min = -30
closes_min = -60
not_before = 12:00:00
citation = "63 Stat. (1949)"
[road_width_m]
residential = 9.5
[right_of_way_m]
residential = 20.0
"""


def test_one_law_holds_every_kind_of_rule_and_keeps_the_schema(tmp_path):
    law = read_law(write(tmp_path, HEAD + EVERY_KIND))
    held = {r.id: r for r in law.distance}
    assert held["minnesota"].private_land_only
    assert not held["iowa"].private_land_only
    assert held["maine"].applies_on == ("paved road", "private land")
    assert len(law.hours) == 2
    # What is kept with a survey reads back the same.
    assert Law.model_validate(law.model_dump(mode="json")) == law
    raw = tomllib.loads(HEAD + EVERY_KIND)
    schema = jsonschema.Draft202012Validator(law_schema())
    schema.validate(json.loads(json.dumps(raw, default=str)))
    for wrong in ({"limit": "far"}, {"geometry": "cone"}, {"permission_by": "nobody"}):
        faulty = {**raw, "distance": [{**raw["distance"][0], **wrong}]}
        with pytest.raises(jsonschema.ValidationError):
            schema.validate(json.loads(json.dumps(faulty, default=str)))


def test_strictest_takes_the_widest_of_widths_and_no_way_out():
    lifted = {"permission": "x", "permission_by": "owner", "permission_written": True}
    one = law_of(rule("s", "dwelling", 50, geometry="sector", effective_to="2026-01-01", **lifted))
    one = one.model_copy(update={"road_width_m": {"residential": 40.0, "track": 3.0}})
    two = law_of().model_copy(update={"right_of_way_m": {"track": 1.0, "motorway": 500.0}})
    law = strictest_law([one, two])
    assert law.road_width_m == {"residential": 40.0, "track": 8.0}
    assert law.right_of_way_m == {"motorway": 500.0, "track": 8.0 + 2 * 15.0}
    (rule_,) = law.distance
    assert (rule_.geometry, rule_.effective_to, rule_.permission_by) == ("disc", None, ())
    assert not rule_.permission_written
    # Grounds lie outside the wall: from the same limit they ask more.
    wall, grounds = rule("w", "dwelling", 50), rule("g", "dwelling", 50, measured_from="grounds")
    assert [r.id for r in strictest_law([law_of(wall), law_of(grounds)]).distance] == ["g"]
