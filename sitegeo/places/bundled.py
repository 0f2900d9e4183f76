"""The place that travels with sitegeo."""

from __future__ import annotations

from pathlib import Path

from sitegeo.errors import PlaceError


def bundled_place_file() -> Path:
    """Return the PLACE.toml of the bundled, invented place.

    In a wheel the data lie inside the package, in a checkout beside it.
    """
    package = Path(__file__).resolve().parents[1]
    for root in (package / "data", package.parent / "data"):
        found = sorted(root.glob("*/place.toml"))
        if found:
            return found[0]
    raise PlaceError("the bundled place is missing", where=package, remedy="Install sitegeo again")
