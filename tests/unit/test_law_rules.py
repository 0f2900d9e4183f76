"""LAW.toml: what it may hold, what it may not, the shipped examples and the strictest of them."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from sitegeo.errors import LawError
from sitegeo.law import rules
from sitegeo.law.rules import DistanceRule, Law, read_law, shipped_laws, strictest

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
    assert (law.hours.opens, law.hours.opens_min) == ("sunrise", -30)
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
    laws = shipped_laws()
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
    shipped = Path(rules.__file__).parent / "rules" / "iowa.toml"
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
    held = {r.id: r for law in shipped_laws() for r in law.distance}[name]
    assert target in held.target
    assert held.limit_m == pytest.approx(limit_m, abs=1e-9)


def test_archery_asks_less_than_a_firearm():
    law = next(w for w in shipped_laws() if w.place.startswith("Pennsylvania"))
    assert law.distance_for("dwelling") == pytest.approx(137.16)
    assert law.distance_for("dwelling", weapon="bow") == pytest.approx(45.72)
    assert law.distance_for("road") is None


def test_strictest_takes_the_largest_for_each_target():
    law = strictest(shipped_laws())
    assert law.distance_for("dwelling") == pytest.approx(182.88)
    assert law.rule_for("dwelling").id == "ia-481a.123"
    assert law.distance_for("school") == pytest.approx(152.4)
    assert law.rule_for("road").id == "ma-131-58-highway"
    assert {r.applies_on for r in law.distance} == {"any"}
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
    law = strictest([a, b])
    # 50 m from the centreline of a road 1 m wide outdoes 45 m from its right-of-way 2 m out;
    # on a wide road it does not. 40 m from the pavement is outdone by the right-of-way.
    assert [r.id for r in law.distance] == ["a-house", "centre", "row"]
    both = strictest([a, law_of(rule("centre", "dwelling", 60), place="C")])
    assert [r.id for r in both.distance] == ["centre [1]", "centre [2]"]
    assert [r.limit for r in both.distance] == [50, 60]


def test_strictest_of_nothing_has_no_rule():
    law = strictest([])
    assert law.distance == ()
    assert law.distance_for("dwelling") is None


def test_strictest_keeps_the_first_of_equals():
    one, two = law_of(rule("x", "school", 10)), law_of(rule("y", "school", 10))
    assert [r.id for r in strictest([one, two]).distance] == ["x"]
    assert [r.id for r in strictest([two, one]).distance] == ["y"]


def test_the_model_describes_itself_as_json_schema():
    schema = json.loads(json.dumps(Law.model_json_schema()))
    assert set(schema["properties"]) == {"title", "place", "read_on", "distance", "text", "hours"}
