"""Fetching open data for a spot on the earth: the only code that opens the network."""

from __future__ import annotations

from importlib.util import find_spec

from sitegeo.errors import MissingExtraError

NEEDED = ("httpx", "osmium", "pystac", "pystac_client")


def require_extra() -> None:
    """Raise `MissingExtraError` where a package that gathering needs is not installed."""
    absent = [name for name in NEEDED if find_spec(name) is None]
    if absent:
        raise MissingExtraError(
            f"gathering open data needs {', '.join(absent)}",
            remedy="Install the extra: python -m pip install 'sitegeo[gather]', or, in a copy of "
            "the source, python -m pip install -e '.[gather]'",
        )
