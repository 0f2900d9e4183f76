"""The hatchings of `hatches.toml`, by which shapes are told apart on the map and on paper."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from typing import NamedTuple


class Hatch(NamedTuple):
    """A hatching: the side of a square tile that repeats, and the SVG path drawn in it."""

    tile: float
    path: str


def _read() -> tuple[dict[str, Hatch], dict[str, Hatch]]:
    text = (resources.files("sitegeo.export") / "hatches.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    spread, areas = (
        {name: Hatch(**held) for name, held in tables[table].items()}
        for table in ("spread", "areas")
    )
    return spread, areas


SPREAD_HATCHES, _AREA_HATCHES = _read()
"""Of the parts of a spread, by part; `other` is any part without one of its own."""

HATCHES = SPREAD_HATCHES | _AREA_HATCHES
"""All of them, those of areas too."""

FOCUS_RADIUS = float(SPREAD_HATCHES["focus"].path.partition(" a")[2].partition(",")[0])
"""Radius of the circle that the hatching of `focus` is, in units of its tile."""

Stroke = tuple[float, float, float, float]
"""From x, y to x, y, in units of the tile, y downwards."""

_COMMAND = re.compile(r"([MHVha]?)\s*(-?[\d.]+(?:[ ,]-?[\d.]+)*)")


def spread_part(name: str) -> str:
    """Return the part that a group's name stands for: ``TAIL2`` is a tail.

    Examples
    --------
    >>> spread_part("TAIL2"), spread_part("ODD")
    ('tail', 'other')
    """
    stem = re.sub(r"[\s\d_]+$", "", name.lower())
    return stem if stem in SPREAD_HATCHES else "other"


def hatch_strokes(name: str) -> tuple[float, list[Stroke]]:
    """Return the side of a hatching's tile and the straight strokes in it.

    A stroke of no length is a dot. `focus` has none: it is a circle of `FOCUS_RADIUS`.

    Raises
    ------
    ValueError
        If its path has a curve, which only the map draws.

    Examples
    --------
    >>> hatch_strokes("tail")
    (5, [(0.0, 2.5, 5.0, 2.5)])
    """
    tile, path = HATCHES[name]
    if not set(re.findall("[A-Za-z]", path)) <= set("MHVha"):
        raise ValueError(f"the hatching of '{name}' has a curve")
    strokes: list[Stroke] = []
    x = y = 0.0
    for letter, text in _COMMAND.findall(path):
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", text)]
        if letter == "a":
            break
        start = (x, y)
        if letter == "M":
            x, y = numbers[:2]
            start, numbers = (x, y), numbers[2:]
            if not numbers:
                continue
        if letter == "H":
            x = numbers[0]
        elif letter == "V":
            y = numbers[0]
        elif letter != "h":
            x, y = numbers[:2]
        strokes.append((*start, x, y))
    return tile, strokes
