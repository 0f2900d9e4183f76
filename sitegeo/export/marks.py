"""The hatchings by which the parts of a plan are told apart, on paper as on the map."""

from __future__ import annotations

import re

HATCHES: dict[str, tuple[float, str]] = {
    "mass": (6, "M-1,7 7,-1 M-1,1 1,-1 M5,7 7,5"),
    "second": (6, "M-1,-1 7,7 M-1,5 1,7 M5,-1 7,1"),
    "tail": (5, "M0,2.5 H5"),
    "hook": (8, "M-1,9 9,-1 M-1,-1 9,9"),
    "near": (5, "M2.5,0 V5"),
    "front": (9, "M4.5,2 V7 M2,4.5 H7"),
    "guard": (7, "M0,3.5 H7 M3.5,0 V7"),
    "holding": (12, "M-1,13 13,-1"),
    "focus": (7, "M3.5,1.7 a1.8,1.8 0 1 0 .01,0"),
    "stack": (7, "M2,1 V4 M5.5,4 V7"),
    "other": (9, "M-1,10 10,-1"),
    "touchdown": (8, "M2,2 h.01 M6,6 h.01"),
    "fire_closed": (9, "M-1,10 10,-1 M-1,-1 10,10"),
    "setbacks": (10, "M-1,-1 11,11 M-1,9 1,11 M9,-1 11,1"),
}
"""Tile size and SVG path of each; the map's own script holds the same."""

FOCUS_RADIUS = 1.8

Segment = tuple[float, float, float, float]
_STEP = re.compile(r"([MHVha]?)\s*(-?[\d.]+(?:[ ,]-?[\d.]+)*)")


def part_of(name: str) -> str:
    """Return the part a group's name stands for: ``TAIL2`` is a tail."""
    stem = re.sub(r"[\s\d_]+$", "", name.lower())
    return stem if stem in HATCHES else "other"


def segments(part: str) -> tuple[float, list[Segment]]:
    """Return the tile size and the straight strokes of a hatching, y downwards.

    A stroke of no length is a dot. `focus` is a circle, drawn by `FOCUS_RADIUS`.
    """
    size, path = HATCHES[part]
    strokes: list[Segment] = []
    x = y = 0.0
    for letter, text in _STEP.findall(path):
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
    return size, strokes
