"""Leaves: when they are off the trees, and where the photo tells of needles."""

from __future__ import annotations


def leaves_are_off(month: int, lat: float) -> bool:
    """Return whether broadleaf trees stand bare: November to April, May to October in the south.

    Not within 25° of the equator. A rule of the calendar, judgement: it does not know conifers,
    which shelter all winter, nor an early or a late year.
    """
    northern_winter = month >= 11 or month <= 4
    return abs(lat) > 25 and northern_winter == (lat > 0)


NOT_TOLD = 255
"""In the `evergreen` layer: nothing tells which trees keep their leaves."""
