"""Make the example outputs in maps/ from the bundled place; `make maps` runs it.

The pictures need a Chromium on the machine and playwright from the test set-up.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

import sitegeo
from sitegeo.cli.commands.demo import DEMO_TIME
from sitegeo.law.daylight import read_when
from sitegeo.places.bundled import bundled_place_file

MAPS = Path(__file__).resolve().parents[1] / "maps"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
KEPT = (
    *("map.html", "card.pdf", "card_night.pdf", "plan.json"),
    *("plan.geojson", "plan.kml", "waypoints.geojson", "waypoints.gpx"),
)
FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync")


def main() -> None:
    """Write the plan's files and three pictures of its map."""
    survey = sitegeo.survey(sitegeo.read_place(bundled_place_file()))
    wind = sitegeo.Wind.parse("NW 12 mph")
    when = read_when(DEMO_TIME, survey.record["zone"])
    with tempfile.TemporaryDirectory() as folder:
        out = sitegeo.plan(survey, wind, when=when).save(Path(folder) / "plan")
        MAPS.mkdir(exist_ok=True)
        for name in KEPT:
            shutil.copyfile(out / name, MAPS / name)
    browser = next((path for b in BROWSERS if (path := shutil.which(b))), None)
    if browser is None:
        sys.exit("No Chromium here: the files are written, the pictures are not.")
    pictures(browser)


def pictures(browser: str) -> None:
    """Photograph the map: the plan, the whole place, and the plan at night on a phone."""
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=browser, args=list(FLAGS))
        desk = chromium.new_page(viewport={"width": 1280, "height": 900}, device_scale_factor=1)
        desk.goto((MAPS / "map.html").as_uri())
        desk.wait_for_timeout(1500)
        desk.screenshot(path=MAPS / "plan.png")
        desk.get_by_role("button", name="Whole place").click()
        desk.wait_for_timeout(1000)
        desk.screenshot(path=MAPS / "whole_place.png")
        phone = chromium.new_page(viewport={"width": 390, "height": 844}, device_scale_factor=2)
        phone.goto((MAPS / "map.html").as_uri())
        phone.get_by_role("button", name="Night").click()
        phone.wait_for_timeout(1500)
        phone.screenshot(path=MAPS / "night_on_a_phone.png")
        chromium.close()


if __name__ == "__main__":
    main()
