"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from filelock import FileLock
from helpers_cli import maps_of_one_wind
from helpers_packages import environment, install
from helpers_places import open_data
from hypothesis import settings

# No deadline: a first call compiles. In CI the examples are fixed: a red run is the change's.
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")

REPO = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def places() -> Path:
    """Folder of real open data, beside the repository or named by SITEGEO_PLACES."""
    folder = open_data()
    if not folder.is_dir():
        pytest.skip("no folder of real open data here")
    return folder


@pytest.fixture
def quick_maps() -> Iterator[None]:
    """Maps that do not turn with the wind, where a test does not look at them."""
    with maps_of_one_wind():
        yield


@pytest.fixture(scope="session")
def extra_package(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Environment of a process in which tests/packages/extra_step is installed."""
    target = tmp_path_factory.mktemp("extra") / "site"
    return environment(install("extra_step", target))


@pytest.fixture(scope="session")
def demo_place() -> Path:
    """The PLACE.toml of the bundled place."""
    return next((REPO / "data").glob("*/place.toml"))


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], Path]], Path]:
    """Make a folder in the first test process that asks for it; the others wait for it."""
    root = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent

    def made(name: str, make: Callable[[Path], Path]) -> Path:
        folder = root / name
        with FileLock(folder.with_suffix(".lock")):
            return folder if folder.exists() else make(folder)

    return made


@pytest.fixture(scope="session")
def demo_survey(demo_place: Path, once: Callable[..., Path]) -> Path:
    """A saved survey of the bundled place, for reading only."""
    import sitegeo

    return once("survey", lambda out: sitegeo.survey(sitegeo.read_place(demo_place)).save(out))


@pytest.fixture(scope="session")
def demo_plan(demo_survey: Path, once: Callable[..., Path]) -> Path:
    """A saved plan of the bundled place for a dated north-westerly, for reading only."""
    import sitegeo
    from sitegeo.law.daylight import read_when

    survey, wind = sitegeo.Survey.open(demo_survey), sitegeo.Wind.parse("NW 12 mph")
    when = read_when("2026-12-05T06:40", survey.record["zone"])
    return once("plan", lambda out: sitegeo.plan(survey, wind, when=when).save(out))


@pytest.fixture(scope="session")
def local_services(
    demo_place: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Path]]:
    """Address and folder of services on this machine that serve a part of the bundled place."""
    from helpers_gather import serve_demo, served

    root = tmp_path_factory.mktemp("services")
    serve_demo(root, demo_place)
    with served(root) as base:
        yield base, root
