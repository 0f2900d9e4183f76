"""Writes the plugin into the folder where QGIS looks for its plugins."""

from __future__ import annotations

import sys
from importlib import resources
from pathlib import Path

from sitegeo._version import __version__
from sitegeo.core import output, store

PLUGIN = "sitegeo_provider"
"""Name of the plugin's folder."""

PLUGIN_MARKER = "metadata.txt"
"""The file by which a folder is known for a plugin, which may be replaced."""

_ENVIRONMENT = "environment.json"


def install_plugin(into: Path, *, overwrite: bool = True) -> Path:
    """Write the plugin with the way back to this environment, and return its folder.

    Parameters
    ----------
    into
        The plugin folder of a QGIS profile, made where it does not exist.
    overwrite
        Replace a plugin that is there.

    Returns
    -------
    Path
        The plugin's own folder in `into`.

    Raises
    ------
    OutputError
        If a folder of that name holds something else.
    """
    out = into / PLUGIN
    source = resources.files("sitegeo.qgis") / "plugin"
    with output.replacing(out, PLUGIN_MARKER, overwrite=overwrite) as new:
        for file in sorted(source.iterdir(), key=lambda f: f.name):
            if file.is_file():
                text = file.read_text(encoding="utf-8").replace("@version@", __version__)
                (new / file.name).write_text(text, encoding="utf-8")
        # Where sitegeo lives: QGIS runs another Python with other libraries.
        store.write_json(new / _ENVIRONMENT, {"command": [sys.executable, "-m", "sitegeo"]})
    return out
