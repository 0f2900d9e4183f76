"""The sun at the hour hunted: in the shooters' eyes, and in the birds'."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.siting.curves import glare_score

HOURS = 2.0
"""The sun is looked at over this long from the hour given; judgement."""


def sun_path(lon: float, lat: float, when: datetime) -> tuple[FloatArray, FloatArray]:
    """Return the sun's true azimuth and its altitude, degrees, every quarter of an hour.

    Over `HOURS` from `when`, which carries its zone. Source: the almanac formulas of the astral
    package, refraction counted.
    """
    from astral import Observer  # noqa: PLC0415 (only where a date is given)
    from astral.sun import azimuth, elevation  # noqa: PLC0415

    at = Observer(latitude=lat, longitude=lon, elevation=0.0)
    moments = [when.astimezone(UTC) + timedelta(minutes=15 * n) for n in range(int(4 * HOURS) + 1)]
    return (
        np.array([azimuth(at, m) for m in moments]),
        np.array([elevation(at, m) for m in moments]),
    )


def shooters_sun(
    facing_deg: FloatArray, azimuth_deg: FloatArray, altitude_deg: FloatArray
) -> FloatArray:
    """Return how free of glare guns are that look out on a bearing, on average over the hours."""
    off = azimuth_deg[None, :] - np.atleast_1d(facing_deg)[:, None]
    return np.asarray(glare_score(off, altitude_deg[None, :]).mean(axis=1), float)


def birds_sun(
    facing_deg: FloatArray,
    heading_deg: FloatArray,
    azimuth_deg: FloatArray,
    altitude_deg: FloatArray,
    *,
    claimed: BoolArray,
) -> FloatArray:
    """Return how much the sun helps to hide the guns from birds on their way in.

    A low sun ahead of the birds blinds them to what is before them, and a low sun behind them
    lights up the faces in the hide (common practice, no source): 0.7 with it full on the hide,
    1 with it in their eyes, between where it is neither or not up. `heading_deg` is the way birds
    fly in, into the wind; where none is `claimed` only the light on the hide counts.
    """
    to_birds = azimuth_deg[None, :] - np.atleast_1d(heading_deg)[:, None]
    on_faces = azimuth_deg[None, :] - np.atleast_1d(facing_deg)[:, None]
    altitude = np.broadcast_to(altitude_deg[None, :], to_birds.shape)
    blinded = (1.0 - glare_score(to_birds, altitude)) / 0.65 * np.atleast_1d(claimed)[:, None]
    lit = (1.0 - glare_score(on_faces, altitude)) / 0.65
    return np.asarray(np.clip(0.85 + 0.15 * blinded - 0.15 * lit, 0.0, 1.0).mean(axis=1), float)
