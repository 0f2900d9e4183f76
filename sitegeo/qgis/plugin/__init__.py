"""A plugin for QGIS; written by `sitegeo qgis --into`."""

from __future__ import annotations

from typing import Any


def classFactory(_iface: Any) -> Any:  # noqa: N802 (QGIS calls it so)
    """Return the plugin."""
    from .provider import Plugin  # noqa: PLC0415

    return Plugin()
