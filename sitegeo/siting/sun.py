"""The sun at the hour hunted: in the shooters' eyes, and in the birds'."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.siting.curves import GlareParams, glare_score

SUN_HOURS = 2.0
"""The sun is looked at over this long from the hour given; judgement."""

_EVERY_MIN = 15  # the sun moves about 4° in that time


@dataclass(frozen=True)
class BirdsSunParams:
    """What the sun does to birds that come in; judgement.

    Parameters
    ----------
    neither
        Score where the sun neither blinds birds nor lights up the hide.
    most
        What full glare in their eyes adds, and full light on the hide takes.
    glare
        When a low sun blinds.
    """

    neither: float = 0.85
    most: float = 0.15
    glare: GlareParams = field(default_factory=GlareParams)


def sun_path(lon: float, lat: float, when: datetime) -> tuple[FloatArray, FloatArray]:
    """Return where the sun stands every quarter of an hour, over `SUN_HOURS` from a moment.

    Parameters
    ----------
    lon, lat
        WGS 84, degrees.
    when
        With its time zone.

    Returns
    -------
    azimuth_deg, altitude_deg
        (moments,) each: true azimuth, and altitude with refraction counted.

    References
    ----------
    The almanac formulas of the astral package.
    """
    from astral import Observer  # noqa: PLC0415 (only where a date is given)
    from astral.sun import azimuth, elevation  # noqa: PLC0415

    at = Observer(latitude=lat, longitude=lon, elevation=0.0)
    count = int(SUN_HOURS * 60 / _EVERY_MIN) + 1
    moments = [when.astimezone(UTC) + timedelta(minutes=_EVERY_MIN * n) for n in range(count)]
    return (
        np.array([azimuth(at, m) for m in moments]),
        np.array([elevation(at, m) for m in moments]),
    )


def shooters_sun_score(
    facing_deg: FloatArray, azimuth_deg: FloatArray, altitude_deg: FloatArray
) -> FloatArray:
    """Return how free of glare guns are that look out on a bearing, on average over the hours.

    Parameters
    ----------
    facing_deg
        (blinds,) true bearings.
    azimuth_deg, altitude_deg
        From `sun_path`.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1.

    Examples
    --------
    >>> low = np.array([130.0]), np.array([5.0])
    >>> shooters_sun_score(np.array([130.0, 310.0]), *low).tolist()
    [0.35, 1.0]
    """
    off = azimuth_deg[None, :] - np.atleast_1d(facing_deg)[:, None]
    return np.asarray(glare_score(off, altitude_deg[None, :]).mean(axis=1), float)


def birds_sun_score(
    facing_deg: FloatArray,
    heading_deg: FloatArray,
    azimuth_deg: FloatArray,
    altitude_deg: FloatArray,
    *,
    claimed: BoolArray,
    params: BirdsSunParams = BirdsSunParams(),
) -> FloatArray:
    """Return how much the sun helps to hide the guns from birds on their approach.

    A low sun ahead of the birds blinds them to what is before them, and a low sun behind them
    lights up the faces in the hide (common practice, no source).

    Parameters
    ----------
    facing_deg
        (blinds,) true bearings that the hides look out on.
    heading_deg
        (blinds,) the way birds fly in, into the wind.
    azimuth_deg, altitude_deg
        From `sun_path`.
    claimed
        (blinds,) whether a way in is claimed; where none is, only the light on the hide counts.
    params
        What either is worth.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1: least with the sun full on the hide, 1 with it in the birds' eyes.
    """
    to_birds = azimuth_deg[None, :] - np.atleast_1d(heading_deg)[:, None]
    on_faces = azimuth_deg[None, :] - np.atleast_1d(facing_deg)[:, None]
    altitude = np.broadcast_to(altitude_deg[None, :], to_birds.shape)
    glare, full = params.glare, params.glare.most
    dazzled = (1.0 - glare_score(to_birds, altitude, params=glare)) / full
    dazzled = dazzled * np.atleast_1d(claimed)[:, None]
    lit = (1.0 - glare_score(on_faces, altitude, params=glare)) / full
    score = params.neither + params.most * dazzled - params.most * lit
    return np.asarray(np.clip(score, 0.0, 1.0).mean(axis=1), float)
