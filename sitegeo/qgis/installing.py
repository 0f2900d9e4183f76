"""Writing the plugin into the folder where a desktop GIS looks for its plugins."""

from __future__ import annotations

import sys
from importlib import resources
from pathlib import Path

from sitegeo._version import __version__
from sitegeo.core import output, store

NAME = "sitegeo_provider"
MARKER = "metadata.txt"
ENVIRONMENT = "environment.json"


def install(into: Path, *, overwrite: bool = True) -> Path:
    """Write the plugin and the way back to this environment; return its folder.

    Parameters
    ----------
    into
        The plugin folder of a QGIS profile, made where it does not exist.

    Raises
    ------
    OutputError
        If a folder of that name holds something else.
    """
    out = into / NAME
    source = resources.files("sitegeo.qgis") / "plugin"
    with output.replacing(out, MARKER, overwrite=overwrite) as new:
        for file in sorted(source.iterdir(), key=lambda f: f.name):
            if file.is_file():
                text = file.read_text(encoding="utf-8").replace("@version@", __version__)
                (new / file.name).write_text(text, encoding="utf-8")
        # Where sitegeo lives: the desktop runs another Python with other libraries.
        store.write_json(new / ENVIRONMENT, {"command": [sys.executable, "-m", "sitegeo"]})
    return out
