"""When broadleaf trees stand bare: the little that a ranking asks too, and light to import."""

from __future__ import annotations

NOT_TOLD = 255
"""In the `evergreen` layer: nothing tells which trees keep their leaves."""

BARE_MONTHS = (11, 12, 1, 2, 3, 4)
"""Months in which broadleaf trees of the northern half stand bare (judgement)."""

ALWAYS_GREEN_DEG = 25.0
"""Nearer the equator than this latitude trees are taken to keep their leaves (judgement)."""


def leaves_are_off(month: int, lat: float) -> bool:
    """Return whether broadleaf trees stand bare: November to April, May to October in the south.

    A rule of the calendar: it does not know conifers, which shelter all winter, nor an early or a
    late year.

    Examples
    --------
    >>> leaves_are_off(12, 45.0), leaves_are_off(12, -45.0), leaves_are_off(12, 10.0)
    (True, False, False)
    """
    return abs(lat) > ALWAYS_GREEN_DEG and (month in BARE_MONTHS) == (lat > 0)
