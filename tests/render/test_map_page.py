"""The map page in a real browser: offline, silent, to scale, usable by keyboard and at night."""

from __future__ import annotations

import io
import re
import tomllib
from itertools import combinations
from pathlib import Path

import map_sample
import numpy as np
import pyproj
import pytest
from PIL import Image

import sitegeo
from sitegeo.webmap import render

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def sample(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(render(map_sample.content()), encoding="utf-8")
    return path


def pixels(png: bytes) -> np.ndarray:
    return np.moveaxis(np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), int), -1, 0)


def test_it_opens_offline_silent_with_everything_on_it(opened, sample):
    page = opened(sample)
    assert page.title() == "Reed Pond (invented)"
    assert page.locator("h1").inner_text() == "Reed Pond (invented)"
    assert page.locator(".wind-words").inner_text() == "Wind E 12 mph (from 90°)"
    assert page.locator("path.plan-decoy").count() == 35
    assert page.locator("path.plan-group").count() == 2
    assert page.locator(".leaflet-photo-pane img").count() == 1
    assert page.locator(".foot .credits li").all_inner_texts() == ["Photo: invented."]
    drawn = page.evaluate("document.querySelector('.leaflet-photo-pane img').naturalWidth")
    assert drawn > 100
    for words in ("Checked", "Take care", "To set out, in this order", "Legend"):
        assert page.get_by_role("heading", name=words, exact=True).is_visible()


def test_the_map_draws_the_hatchings_of_the_one_file(opened, sample):
    """The card's test of the same name reads the same file."""
    text = (Path(sitegeo.__file__).parent / "export" / "hatches.toml").read_text(encoding="utf-8")
    drawn = opened(sample).evaluate(
        """() => [...document.querySelectorAll("pattern")].map((p) => [
            p.id.replace("hatch-", ""), Number(p.getAttribute("width")),
            p.querySelector("path").getAttribute("d")])"""
    )
    tables = tomllib.loads(text).values()
    held = {n: (h["tile"], h["path"]) for table in tables for n, h in table.items()}
    assert {name: (tile, path) for name, tile, path in drawn} == held


def test_the_policy_stops_every_request_and_foreign_script(browser, sample):
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.goto(sample.as_uri())
    page.wait_for_selector("html.ready")
    stopped = page.evaluate(
        """async () => {
            const seen = [];
            document.addEventListener("securitypolicyviolation",
                (e) => seen.push(e.effectiveDirective));
            await fetch("https://example.invalid/").catch(() => {});
            const image = new Image();
            image.src = "https://example.invalid/x.png";
            const script = document.createElement("script");
            script.textContent = "window.foreign = 1";
            document.body.append(script);
            document.body.insertAdjacentHTML("beforeend", "<b onclick='1' style='color:red'>x</b>");
            await new Promise((done) => setTimeout(done, 200));
            return [seen, window.foreign ?? null];
        }"""
    )
    context.close()
    assert {"connect-src", "img-src", "script-src-elem"} <= set(stopped[0])
    assert stopped[1] is None


def test_the_bar_of_yards_measures_yards(opened, sample):
    """The bar against the geodesic between the positions under its ends (pyproj.Geod)."""
    page = opened(sample)
    geod = pyproj.Geod(ellps="WGS84")
    for zoom in (17, 18.5, 20):
        page.evaluate(f"map_sheet.setZoom({zoom}, {{animate: false}})")
        yards = int(
            re.search(r"is (\d+) yards", page.locator(".scale-bar").get_attribute("aria-label"))[1]
        )
        ends = page.evaluate(
            """() => {
                const bars = [...document.querySelectorAll(".scale-bar rect")];
                const box = map_sheet.getContainer().getBoundingClientRect();
                const y = box.height / 2;
                const width = bars.at(-1).getBoundingClientRect().right
                    - bars[0].getBoundingClientRect().left;
                const x = box.width / 2 - width / 2;
                return [[x, y], [x + width, y]].map((p) => {
                    const at = map_sheet.containerPointToLatLng(p);
                    return [at.lng, at.lat];
                });
            }"""
        )
        metres = geod.inv(*ends[0], *ends[1])[2]
        assert metres / 0.9144 == pytest.approx(yards, rel=0.01)


def test_birds_come_in_along_a_line_with_its_head_at_the_pocket(opened, sample):
    page = opened(sample)
    line = page.locator("path.plan-approach").first
    (tail, head), look = line.evaluate(
        """(path) => {
            const at = (d) => { const p = path.getPointAtLength(d); return [p.x, p.y]; };
            const style = getComputedStyle(path);
            return [[at(0), at(path.getTotalLength())], [style.markerEnd, style.strokeDasharray]];
        }"""
    )
    assert tail[0] < head[0], "from the west, as the sample has it"
    assert "#head" in look[0]
    assert look[1] != "none"
    assert page.locator("marker#head").count() == 1
    switch = page.locator("#switch-approach")
    switch.uncheck()
    assert page.locator(".leaflet-container path.plan-approach").count() == 0
    switch.check()
    assert page.locator(".leaflet-container path.plan-approach").count() == 1


def test_the_arrow_points_the_way_the_wind_blows(opened, tmp_path):
    path = tmp_path / "map.html"
    for from_deg in (20.0, 250.0):
        path.write_text(render(map_sample.content(wind_from_deg=from_deg)), encoding="utf-8")
        page = opened(path)
        (tail, head) = page.evaluate(
            """() => {
                const path = document.querySelector("path.wind-shaft");
                const at = (d) => { const p = path.getPointAtLength(d); return [p.x, p.y]; };
                return [at(0), at(path.getTotalLength())];
            }"""
        )
        towards = np.degrees(np.arctan2(head[0] - tail[0], -(head[1] - tail[1]))) % 360
        assert towards == pytest.approx((from_deg + 180) % 360, abs=1.5)


def test_no_arrow_in_a_calm(opened, tmp_path):
    path = tmp_path / "map.html"
    path.write_text(render(map_sample.content(wind_from_deg=None, wind_words="calm")), "utf-8")
    page = opened(path)
    assert page.locator("path.wind-shaft:not(.swatch *)").count() == 0
    assert page.locator(".wind-words").inner_text() == "Wind calm"


def test_the_legend_says_what_was_not_checked_and_switches_layers(opened, sample):
    page = opened(sample)
    legend = page.locator(".legend")
    assert "dwellings: not checked" in legend.inner_text()
    assert "huntable: none mapped" in legend.inner_text()
    assert "setback under an example rule — verify" in legend.inner_text()
    assert page.locator(".leaflet-container path.on-setbacks").count() == 1
    page.get_by_label("setback under an example rule — verify").uncheck()
    assert page.locator(".leaflet-container path.on-setbacks").count() == 0
    assert page.locator(".leaflet-container path.on-bank_exposure").count() == 0
    page.get_by_label("wind on the banks").check()
    assert page.locator(".leaflet-container path.on-bank_exposure").count() == 20
    page.get_by_label("aerial photo").uncheck()
    assert not page.locator(".leaflet-photo-pane").is_visible()


def test_blinds_open_by_keyboard_and_tell_why(opened, sample):
    page = opened(sample)
    entry = page.get_by_role("button", name="P002: point")
    entry.focus()
    assert entry.get_attribute("aria-expanded") == "false"
    page.keyboard.press("Enter")
    assert entry.get_attribute("aria-expanded") == "true"
    why = page.locator(f"#{entry.get_attribute('aria-controls')}")
    assert why.is_visible()
    assert "Point with open water in front" in why.inner_text()
    assert "Cold water" in why.inner_text()
    mark = page.locator(".blind.picked")
    assert mark.count() == 1
    assert mark.locator("b").inner_text() == "2"
    page.keyboard.press("Enter")
    assert not why.is_visible()
    page.locator(".blind", has_text="3").click()
    assert "Cove with open water" in page.locator("#why-3").inner_text()


def test_night_lets_through_red_alone(opened, sample):
    page = opened(sample)
    page.get_by_role("button", name="Night").click()
    red, green, blue = pixels(page.screenshot())
    assert green.max() == 0
    assert blue.max() == 0
    assert red.max() > 240
    assert np.median(red) < 40
    page.get_by_role("button", name="Night").click()
    assert pixels(page.screenshot())[1].max() > 200


def luminance(rgb: list[int]) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [c / 255 for c in rgb]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("night", [False, True])
def test_text_keeps_the_contrast_of_wcag_aa(opened, sample, night):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1. At night only red arrives at the eye."""
    page = opened(sample)
    if night:
        page.get_by_role("button", name="Night").click()
    colours = page.evaluate(
        """() => ["body", ".where", ".note", ".headline", "thead th", ".legend .absent"].map((s) =>
            getComputedStyle(document.querySelector(s)).color.match(/\\d+/g).map(Number))
            .concat([getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)])"""
    )
    if night:
        colours = [[c[0], 0, 0] for c in colours]
    *inks, paper = (luminance(c[:3]) for c in colours)
    for ink in inks:
        light, dark = max(ink, paper), min(ink, paper)
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_a_phone_stacks_the_sheet_below_the_chart(opened, sample):
    page = opened(sample, 390, 844)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    chart = page.locator(".chart").bounding_box()
    words = page.locator("#title-block").bounding_box()
    assert words["y"] >= chart["y"] + chart["height"] - 1
    # Fingers need room: WCAG 2.2, success criterion 2.5.8 asks for 24 px, common practice for 44.
    heights = [b.bounding_box()["height"] for b in page.locator(".buttons button").all()]
    assert min(heights) >= 44
    for label in page.locator(".plan-letter > span").all():
        box = label.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390


LETTERS = ".side-left > span, .side-right > span, .pocket-letter > span, .fire-letter > span"


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (390, 844)])
def test_words_on_the_plan_do_not_cover_each_other(opened, sample, width, height):
    page = opened(sample, width, height)
    # Far smaller than the page is opened at, and the same again at the scale it is opened at.
    for zoom in (-0.75, 0.75):
        page.evaluate(f"map_sheet.setZoom(map_sheet.getZoom() + {zoom}, {{animate: false}})")
        boxes = [b.bounding_box() for b in page.locator(LETTERS).all()]
        assert len(boxes) == 6
        for a, b in combinations(boxes, 2):
            across = min(a["x"] + a["width"], b["x"] + b["width"]) - max(a["x"], b["x"])
            down = min(a["y"] + a["height"], b["y"] + b["height"]) - max(a["y"], b["y"])
            assert min(across, down) <= 1


@pytest.mark.parametrize("width", [1280, 390])
def test_the_buttons_stand_in_one_row(opened, sample, width):
    page = opened(sample, width, 844)
    tops = {round(b.bounding_box()["y"]) for b in page.locator(".buttons button").all()}
    assert len(tops) == 1


def test_it_prints_on_two_pages_and_comes_back(opened, sample):
    page = opened(sample)
    before = page.evaluate("[map_sheet.getZoom(), map_sheet.getCenter().lat]")
    for paper in ("Letter", "A4"):
        pdf = page.pdf(format=paper)
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2
    assert page.evaluate("[map_sheet.getZoom(), map_sheet.getCenter().lat]") == before
    page.emulate_media(media="print")
    assert not page.locator(".buttons").is_visible()


HOSTILE = (
    "</script><script>window.hacked = 1</script>",
    "</script ><!--<script ",
    "<img src=x onerror='window.hacked = 2'>",
    "${window.hacked = 3}`+(window.hacked = 4)+`",
    "{{ 7 * 7 }}{% raw %}\u2028]]>-->",
    "\"><svg onload=window.hacked=5>'",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_inert(opened, tmp_path, text):
    plan, blinds, layers = map_sample.features(), map_sample.blinds(), map_sample.layers()
    plan["note"] = text
    plan["name"] = text
    for column in ("kind", "layout", "wind_side", "why", "verdict_words", "cautions"):
        blinds[column] = text
    blinds["id"] = [f"{text}{n}" for n in range(3)]
    layers["public_land"]["name"] = text
    layers["closed_areas"]["reason"] = text
    content = map_sample.content(
        title=text, wind_words=text, blinds=blinds, features=plan, layers=layers, headline=text,
        verdicts=(text,), cautions=(text,), credits=(text,),
    )  # fmt: skip
    path = tmp_path / "map.html"
    path.write_text(render(content), encoding="utf-8")
    page = opened(path)
    page.locator(".blinds button").first.click()
    assert page.evaluate("window.hacked ?? null") is None
    shown = page.evaluate("document.querySelector('h1').textContent")
    assert shown == text
    assert page.evaluate("document.querySelector('.verdicts li').textContent") in (
        text,
        text[:1].upper() + text[1:],
    )
    assert page.locator("#title-block img, #title-block script").count() == 0


def test_a_refused_plan_still_tells_why(opened, tmp_path):
    plan = map_sample.features()
    content = map_sample.content(
        features=plan[plan["role"] == "hide"], headline="No spread here: the water is too narrow."
    )
    path = tmp_path / "map.html"
    path.write_text(render(content), encoding="utf-8")
    page = opened(path)
    assert "the water is too narrow" in page.locator(".headline").inner_text()
    assert page.locator("path.plan-group").count() == 0
    assert page.locator("path.hide-mark").count() == 1


def test_the_place_alone(opened, tmp_path):
    """No blind, no plan, no layer, no photo: the page still opens and says so."""
    content = map_sample.content(
        blinds=map_sample.blinds().iloc[:0],
        features=map_sample.features().iloc[:0],
        layers={},
        photo=None,
        headline="No blind works in this wind.",
    )
    path = tmp_path / "map.html"
    path.write_text(render(content), encoding="utf-8")
    page = opened(path)
    assert "No blind chosen" in page.locator("#title-block").inner_text()
    assert page.locator(".legend").inner_text().count("not checked") == 12
