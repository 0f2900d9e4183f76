"""The wind turned on the map: what it shows is what `rank` gives for that wind."""

from __future__ import annotations

import json
import re
from pathlib import Path

import map_sample
import mgrs
import numpy as np
import pyproj
import pytest
from helpers_cli import sitegeo

from sitegeo import Wind, rank
from sitegeo.exposure.many_directions import DIRECTIONS
from sitegeo.plans.map import map_content
from sitegeo.plans.plan import Plan, plan
from sitegeo.rankings.turning_wind import PlaceInWind, rank_all_round
from sitegeo.surveys.survey import Survey
from sitegeo.webmap import render
from sitegeo.webmap.page import PAGE_BYTES

GEOD = pyproj.Geod(ellps="WGS84")
WIND = Wind(315.0, 5.36)


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> Survey:
    return Survey.open(demo_survey)


@pytest.fixture(scope="module")
def planned(survey: Survey) -> Plan:
    return plan(survey, WIND)


@pytest.fixture(scope="module")
def turned(survey: Survey, planned: Plan) -> tuple[PlaceInWind, ...]:
    return rank_all_round(survey, planned.ranking)


@pytest.fixture(scope="module")
def demo_page(planned: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("turning") / "map.html"
    path.write_text(render(map_content(planned)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def pond(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pond") / "map.html"
    path.write_text(render(map_sample.content(turn=map_sample.turn())), encoding="utf-8")
    return path


@pytest.mark.parametrize("number", [0, 7, 23])
def test_a_turned_wind_is_that_of_rank_to_the_last_bit(
    survey: Survey, turned: tuple[PlaceInWind, ...], number: int
) -> None:
    one = turned[number]
    # The wind asked, then the whole tens from there on.
    assert len(turned) == 1 + DIRECTIONS
    assert one.wind.from_deg == (310.0 + 10 * number if number else 315.0) % 360
    truth = rank(survey, one.wind, want=("blinds", "bank_exposure"), spreads_tried=0)
    assert one.blinds["id"].tolist() == truth.blinds["id"].tolist()
    np.testing.assert_array_equal(one.blinds["score"], truth.blinds["score"])
    banks = truth.layers["bank_exposure"]
    np.testing.assert_array_equal(one.calm_strip_m, banks["calm_strip_m"])
    np.testing.assert_array_equal(one.side, banks["wind_side"])


def test_sheltered_water_is_that_of_rank(survey: Survey, turned: tuple[PlaceInWind, ...]) -> None:
    """Drawn from every sixth metre, and so as good as a metre or two of its outline."""
    one = turned[7]
    truth = rank(survey, one.wind, want=("blinds", "sheltered_water")).layers["sheltered_water"]
    inside = [sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]) / 2 for ring in one.lee]
    assert abs(sum(inside)) == pytest.approx(truth["area_m2"].sum(), rel=0.1)


def test_a_calm_has_nothing_to_turn(survey: Survey) -> None:
    assert rank_all_round(survey, rank(survey, Wind(0.0, 0.0))) == ()


def shown(page) -> list[str]:
    entries = page.locator(".blinds li > button > span").all_inner_texts()
    return [words.split(":")[0] for words in entries]


@pytest.mark.browser
def test_the_page_ranks_as_the_command_does(
    opened, demo_page: Path, demo_survey: Path, planned: Plan
) -> None:
    page = opened(demo_page, 1400, 900)
    page.get_by_role("button", name=re.compile("Show .* more")).click()
    before = shown(page)
    grip = page.locator("path.wind-grip")
    grip.focus()
    # At 30° one of the best ten refuses its spread.
    for steps, bearing in ((8, 30), (2, 50), (14, 190)):
        for _ in range(steps):
            page.keyboard.press("ArrowRight")
        assert grip.get_attribute("aria-valuenow") == str(bearing)
        asked = ["rank", demo_survey, "--wind", f"{bearing}° 5.36 m/s", "--top", 999, "--json"]
        ranked = [blind["id"] for blind in json.loads(sitegeo(*asked).stdout)["blinds"]]
        on_page = shown(page)
        # The plan's own blind is listed even where another of its place is better.
        own = [i for i in on_page if i in ranked or i != planned.blind["id"]]
        assert own == ranked != before
    assert page.locator(".wind-words").inner_text() == "Wind S 12 mph (from 190°)"
    marks = page.locator(".blind:not(.unlisted) b").all_text_contents()
    assert sorted(marks, key=int) == [str(n + 1) for n in range(len(on_page))]
    page.get_by_role("button", name="Back to NW 12 mph").click()
    assert shown(page) == before


@pytest.mark.browser
def test_the_page_of_a_place_keeps_its_budget(demo_page: Path) -> None:
    assert 500_000 < demo_page.stat().st_size <= PAGE_BYTES


def ends(page) -> list[list[float]]:
    """Tail and head of the arrow on the screen."""
    return page.evaluate(
        """() => {
            const path = document.querySelector("path.wind-grip");
            const m = path.getScreenCTM();
            return [0, path.getTotalLength()].map((d) => {
                const p = path.getPointAtLength(d).matrixTransform(m);
                return [p.x, p.y];
            });
        }"""
    )


@pytest.mark.browser
@pytest.mark.parametrize("by", ["head", "tail"])
def test_the_arrow_is_dragged_round(opened, pond: Path, by: str) -> None:
    """The pond's winds are from 90°, 180°, 270° and 0°; a quarter turn is one of them."""
    page = opened(pond)
    tail, head = ends(page)
    centre = [(tail[0] + head[0]) / 2, (tail[1] + head[1]) / 2]
    grip = head if by == "head" else tail
    page.mouse.move(*[c + 0.7 * (g - c) for c, g in zip(centre, grip, strict=True)])
    page.mouse.down()
    arm = [0.7 * (g - c) for c, g in zip(centre, grip, strict=True)]
    page.mouse.move(centre[0] - arm[1], centre[1] + arm[0], steps=6)
    page.mouse.up()
    assert page.locator(".wind-words").inner_text() == "Wind wind 1 (from 180°)"
    assert shown(page) == ["P002", "V003", "T001a"]
    tail, head = ends(page)
    assert head[1] < tail[1] - 50  # a wind from the south blows up the page
    assert abs(head[0] - tail[0]) < 3


@pytest.mark.browser
def test_a_finger_turns_the_wind_on_a_phone(browser, pond: Path) -> None:
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, offline=True, has_touch=True, is_mobile=True
    )
    page = context.new_page()
    page.goto(pond.as_uri())
    page.wait_for_selector("html.ready")
    tail, head = ends(page)
    centre = [(tail[0] + head[0]) / 2, (tail[1] + head[1]) / 2]
    arm = [0.7 * (h - c) for h, c in zip(head, centre, strict=True)]
    where = [[c + a for c, a in zip(centre, arm, strict=True)]]
    where.append([centre[0] - arm[1], centre[1] + arm[0]])
    session = context.new_cdp_session(page)
    for kind, at in (("touchStart", where[0]), ("touchMove", where[1])):
        points = [{"x": at[0], "y": at[1]}]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_timeout(100)
    assert page.locator(".wind-words").inner_text() == "Wind wind 1 (from 180°)"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    context.close()


@pytest.mark.browser
def test_the_spread_and_the_words_turn_with_the_wind(opened, pond: Path) -> None:
    page = opened(pond)

    def where() -> dict[str, str]:
        rows = page.locator(".setting-out tbody tr").all()
        cells = [(r.locator("th"), r.locator("td").nth(2)) for r in rows]
        return {name.inner_text().strip(): true.inner_text() for name, true in cells}

    assert where()["mass"] == "040°"
    assert page.locator("path.plan-fire_closed").count() == 1
    page.locator("path.wind-grip").press("ArrowRight")
    assert page.locator(".headline").inner_text() == "Reason 1; place 2."
    assert page.locator("path.plan-decoy").count() == 35
    # What was worked out for the plan's wind alone is gone from the chart, and the page says so.
    assert page.locator(".leaflet-container path.plan-fire_closed").count() == 0
    assert page.locator(".leaflet-container path.plan-touchdown").count() == 0
    assert "for that wind alone" in page.locator(".cautions").inner_text()
    # The calm strip of the second wind is 10 m wide all round.
    assert page.locator(".strip-letter").inner_text() == "calm strip 11 yd"
    assert page.locator("#strip-words").inner_text().endswith("up to 11 yd wide")
    page.locator("path.wind-grip").press("Home")
    assert page.locator(".leaflet-container path.plan-fire_closed").count() == 1
    assert not page.locator(".back").is_visible()
    assert page.locator("#strip-words").inner_text().endswith("none in this wind")


@pytest.mark.browser
def test_a_picked_blind_is_drawn_with_its_reasons(opened, demo_page: Path, planned: Plan) -> None:
    page = opened(demo_page, 1400, 900)
    second = planned.ranking.places.iloc[1]
    page.locator(".blinds button").nth(1).click()
    assert second["id"] in page.locator(".blind-box h2").inner_text()
    why = page.locator("#why-2").inner_text()
    assert second["why"] in why
    assert re.search(r"Wind for its layouts (good|fair|poor), ripple ", why)
    checked = page.locator(".verdicts li").all_inner_texts()
    sentences = planned.ranking.verdict_sentences(second["id"])
    assert checked == [s[0].upper() + s[1:] for s in sentences]
    told = re.findall(r"-?\d+\.\d{5}", page.locator(".where").inner_text())
    lat, lon = (float(v) for v in told[:2])
    to_wgs84 = pyproj.Transformer.from_crs(planned.survey.crs, 4326, always_xy=True)
    there = to_wgs84.transform(second.geometry.x, second.geometry.y)
    assert (lon, lat) == pytest.approx(there, abs=1e-5)
    assert page.locator(".setting-out tbody tr").count() > 2
    assert page.locator("path.hide-mark").count() == 1


@pytest.mark.browser
def test_a_blind_without_a_stored_spread_says_so(opened, pond: Path) -> None:
    page = opened(pond)
    page.locator(".blinds button").nth(2).click()
    assert "is not in this file" in page.locator("#why-3").inner_text()
    assert "T001a" in page.locator(".blind-box h2").inner_text()


@pytest.mark.browser
def test_rings_stand_at_tens_of_yards(opened, pond: Path) -> None:
    page = opened(pond)
    hide = page.evaluate(
        "JSON.parse(document.getElementById('sheet-data').textContent).around.hide"
    )
    rings = page.evaluate(
        """() => {
            const found = [];
            map_sheet.eachLayer((layer) => {
                if (layer.options.className === "shape ring")
                    found.push(layer.getLatLngs().map((p) => [p.lat, p.lng]));
            });
            return found;
        }"""
    )
    assert len(rings) == 4
    for number, ring in enumerate(rings, start=1):
        for lat, lng in ring:
            yards = GEOD.inv(hide[1], hide[0], lng, lat)[2] / 0.9144
            assert yards == pytest.approx(10 * number, abs=0.05)


@pytest.mark.browser
def test_distances_and_grid_references_are_those_of_the_libraries(opened, pond: Path) -> None:
    """Geodesics against pyproj's GeographicLib; USNG against mgrs, which is NGA's GEOTRANS.

    The Washington Monument, 18S UJ 23394 07395, is an example of FGDC-STD-011-2001 (from memory).
    """
    page = opened(pond)
    rng = np.random.default_rng(11)
    lat, lon = rng.uniform(-79.9, 83.9, 400), rng.uniform(-180, 180, 400)
    edges = [(60.5, 4.0), (57.0, 2.9), (75.0, 10.0), (78.0, 20.9), (72.1, 33.0), (0.0, 0.0),
             (44.13, -90.0), (44.13, -90.55), (-33.9, 151.2)]  # fmt: skip
    places = [*zip(lat.tolist(), lon.tolist(), strict=True), *edges]
    told = page.evaluate("(places) => places.map(([a, b]) => sitegeo.usng(a, b))", places)
    convert = mgrs.MGRS()
    # A metre is cut off, so a millionth of one decides where a place lies on the line.
    assert [t.replace(" ", "") for t in told] == [
        convert.toMGRS(a, b).lstrip("0") for a, b in places
    ]
    assert page.evaluate("sitegeo.usng(38.889470, -77.035230)").startswith("18S UJ 234")
    near = rng.uniform(-0.05, 0.05, (200, 4)) + [44.1, -90.5, 44.1, -90.5]
    far = rng.uniform([-80, -180, -80, -180], [80, -60, 80, -60], (200, 4))
    for pair in (near, far):
        found = page.evaluate(
            "(pairs) => pairs.map(([a, b, c, d]) => sitegeo.inverse([a, b], [c, d]))", pair.tolist()
        )
        azimuth, _, metres = GEOD.inv(pair[:, 1], pair[:, 0], pair[:, 3], pair[:, 2])
        np.testing.assert_allclose([f["metres"] for f in found], metres, atol=0.002)
        off = np.abs((np.array([f["bearing"] for f in found]) - azimuth + 180) % 360 - 180)
        assert off.max() < 1e-4


@pytest.mark.browser
def test_two_clicks_measure_yards_and_a_true_bearing(opened, pond: Path) -> None:
    page = opened(pond)
    page.get_by_role("button", name="Measure").click()
    box = page.locator(".folium-map").bounding_box()
    spots = [(260, 200), (420, 330)]
    places = []
    for x, y in spots:
        page.mouse.click(box["x"] + x, box["y"] + y)
        there = page.evaluate(f"map_sheet.containerPointToLatLng([{x}, {y}])")
        places.append((there["lng"], there["lat"]))
    azimuth, _, metres = GEOD.inv(*places[0], *places[1])
    yards, bearing = re.match(
        r"([\d.,]+) yd, (\d{3})° true", page.locator(".measured").inner_text()
    ).groups()
    assert float(yards) == pytest.approx(metres / 0.9144, rel=0.02)
    assert float(bearing) == pytest.approx(azimuth % 360, abs=1.5)
    told = page.locator(".at-degrees").inner_text()
    assert told.startswith("pointer ")
    assert float(told.split()[1].rstrip(",")) == pytest.approx(places[1][1], abs=2e-5)
    # By keyboard: Enter takes the middle of the chart.
    page.locator(".folium-map").focus()
    page.keyboard.press("Enter")
    assert page.locator(".measured").inner_text() == "and where to"
    page.get_by_role("button", name="Measure").click()
    assert page.locator("path.measure-line").count() == 0


@pytest.mark.browser
def test_hostile_text_in_a_turning_wind_is_inert(opened, tmp_path: Path) -> None:
    text = "</script><img src=x onerror='window.hacked = 1'>${window.hacked = 2}`"
    path = tmp_path / "map.html"
    path.write_text(render(map_sample.content(turn=map_sample.turn(text))), encoding="utf-8")
    page = opened(path)
    page.locator("path.wind-grip").press("ArrowRight")
    page.locator(".blinds button").first.click()
    assert page.evaluate("window.hacked ?? null") is None
    assert text in page.locator(".wind-words").inner_text()
    assert page.locator("#title-block img").count() == 0
