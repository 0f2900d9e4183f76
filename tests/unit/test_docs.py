"""The docs name what there is: every key of a place file, and pages that exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from sitegeo.places.config import PlaceFile

REPO = Path(__file__).resolve().parents[2]
PAGES = sorted([*REPO.glob("*.md"), *REPO.glob("docs/*.md")])


def keys(model: type[BaseModel]) -> set[str]:
    """The keys of a table and of the tables in it."""
    found: set[str] = set()
    for name, field in model.model_fields.items():
        found.add(name)
        kinds = [field.annotation, *getattr(field.annotation, "__args__", ())]
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel) and kind is not model:
                found |= keys(kind)
    return found


def test_every_key_of_a_place_file_is_told() -> None:
    told = set(re.findall(r"\w+", (REPO / "docs" / "place.md").read_text(encoding="utf-8")))
    asked = keys(PlaceFile)
    assert len(asked) > 40
    # A layer's own keys stand in its example; a permission's in the page on law.
    told |= set(re.findall(r"\w+", (REPO / "docs" / "law.md").read_text(encoding="utf-8")))
    assert asked - told == set()


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(REPO)))
def test_links_lead_to_files(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#\s]+)(?:#[\w-]+)?\)", text)
    gone = [link for link in links if "://" not in link and not (page.parent / link).exists()]
    assert gone == []


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(REPO)))
def test_code_named_in_the_docs_is_there(page: Path) -> None:
    """A path in backticks, such as `core/grid.py` or `siting/curves`, is a file of the project."""
    if page.name == "CHANGELOG.md":
        return
    text = page.read_text(encoding="utf-8")
    packages = {p.name for p in (REPO / "sitegeo").iterdir() if p.is_dir()}
    named = {
        path
        for path in re.findall(r"`(?:sitegeo/)?((?:\w+/)+\w+)(?:\.\w+)?`", text)
        if path.partition("/")[0] in packages
    }
    gone = {
        path
        for path in named
        if not (REPO / "sitegeo" / path).is_dir()
        and not list((REPO / "sitegeo" / path).parent.glob(f"{Path(path).name}.*"))
    }
    assert gone == set()
