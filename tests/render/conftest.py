"""A real browser for the tests of the map page."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def missing(what: str) -> None:
    """Skip so that it is seen; where CI is set, fail."""
    words = f"THE MAP PAGE WAS NOT TRIED IN A BROWSER: {what}"
    if os.environ.get("CI"):
        pytest.fail(words)
    pytest.skip(words)


@pytest.fixture(scope="package")
def browser():
    if not CHROMIUM.exists():
        missing(f"no {CHROMIUM}")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright is not installed")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser):
    """Open a page offline; at the end it must have said nothing and asked for nothing."""
    contexts, said, asked = [], [], []

    def open_page(path: Path, width: int = 1280, height: int = 900):
        context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda m: said.append(m.text))
        page.on("pageerror", lambda e: said.append(str(e)))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(path.as_uri())
        page.wait_for_selector("html.ready")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert said == []
    assert [u for u in asked if not u.startswith(("file:", "data:"))] == []
    assert len([u for u in asked if u.startswith("file:")]) == len(contexts)
