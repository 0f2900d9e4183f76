"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers_packages import environment, install
from hypothesis import settings

# No deadline: a first call compiles. In CI the examples are fixed: a red run is the change's.
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")

REPO = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def places() -> Path:
    """Folder of real open data, beside the repository or named by SITEGEO_PLACES."""
    folder = Path(os.environ.get("SITEGEO_PLACES", REPO.parent / "shared" / "places"))
    if not folder.is_dir():
        pytest.skip("no folder of real open data here")
    return folder


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
def demo_survey(demo_place: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A saved survey of the bundled place, made once for each test process."""
    import sitegeo

    folder = tmp_path_factory.mktemp("demo") / "survey"
    return sitegeo.survey(sitegeo.read_place(demo_place)).save(folder)


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
