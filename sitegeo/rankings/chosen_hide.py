"""Hides a person chose, as blinds to score: a spot, or the waypoints of a daylight visit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from pyproj import Transformer

from sitegeo.core.grid import WGS84
from sitegeo.core.models import from_record
from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.errors import SurveyError
from sitegeo.places.config import Assume, GearKeys
from sitegeo.siting.candidates import candidates
from sitegeo.surveys.record import GIVE_WATER
from sitegeo.surveys.survey import Survey

ChosenHide = tuple[float, float] | Path
"""Latitude and longitude, or a GPX file of waypoints."""

_MOST = 999
"""Waypoints of a file; their ids have three digits."""

_LARGEST_BYTES = 5_000_000
"""A larger file holds tracks, or is no file of waypoints; judgement."""


@dataclass(frozen=True)
class _Spot:
    name: str
    lat: float
    lon: float


def chosen_hides(survey: Survey, hide: ChosenHide) -> gpd.GeoDataFrame:
    """Return chosen hides as candidates X001, X002, …, in the order they were given.

    Each looks the way the nearest shore does; `name` is the waypoint's own. Of several, those off
    the survey are left out (`hides_off_survey`), and the others keep their numbers.

    Raises
    ------
    SurveyError
        If the file cannot be read as GPX, holds no waypoint, every spot lies off the survey, or the
        survey found no shore.
    """
    if survey.layers["stations"].empty:
        raise SurveyError(
            "no hide can be judged where the survey found no shore",
            where=survey.folder or survey.title,
            remedy=GIVE_WATER.capitalize(),
        )
    spots = _spots_of(hide)
    x, y, inside = _placed(survey, spots)
    if not inside.any():
        swapped = [_Spot(s.name, s.lon, s.lat) for s in spots]
        if _placed(survey, swapped)[2].any():
            remedy = f"Write the latitude first: {swapped[0].lat},{swapped[0].lon}"
        else:
            remedy = "Write latitude, then longitude, in degrees; or survey a larger area"
        raise SurveyError(
            "this hide lies off the survey" if len(spots) == 1 else "hides lie off the survey",
            where=hide if isinstance(hide, Path) else None,
            value="; ".join(f"{s.name} {s.lat}, {s.lon}".strip() for s in spots[:5]),
            remedy=remedy,
        )
    kept = np.flatnonzero(inside).tolist()
    spots, x, y = [spots[n] for n in kept], x[kept], y[kept]
    ids = [_id(n) for n in kept]
    positions = gpd.GeoDataFrame(
        {"id": ids, "kind": "chosen", "facing_deg": np.nan},
        geometry=gpd.points_from_xy(x, y),
        crs=survey.crs,
    )
    layers = survey.layers
    optional = ("depth", "public_land", "closed_areas", "access")
    found = candidates(
        positions=positions,
        stations=layers["stations"],
        cover=layers["cover"],
        assume=from_record(survey.record["assume"], Assume),
        wade_m=from_record(survey.record["gear"], GearKeys).wade_m,
        **{name: layers[name] for name in optional if name in layers},
    )
    names: list[Any] = [s.name or None for s in spots]
    return found.assign(name=np.array(names, dtype=object))


def hides_off_survey(survey: Survey, hide: ChosenHide) -> tuple[str, ...]:
    """Return a sentence for each spot that `chosen_hides` leaves out, as it lies off the survey."""
    spots = _spots_of(hide)
    return tuple(
        f"{' '.join(filter(None, (_id(n), s.name)))} lies off the survey and is left out: "
        f"{s.lat}, {s.lon}"
        for n, (s, on) in enumerate(zip(spots, _placed(survey, spots)[2], strict=True))
        if not on
    )


def _spots_of(hide: ChosenHide) -> list[_Spot]:
    return read_waypoints(hide) if isinstance(hide, Path) else [_Spot("", *hide)]


def _id(number: int) -> str:
    return f"X{number + 1:03d}"


def _placed(survey: Survey, spots: list[_Spot]) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return spots in the survey's CRS, and which of them lie on it."""
    lat, lon = (np.array([getattr(s, n) for s in spots]) for n in ("lat", "lon"))
    x, y = Transformer.from_crs(WGS84, survey.crs, always_xy=True).transform(lon, lat)
    near = np.isfinite(x) & np.isfinite(y)
    row, col = survey.grid.rowcol(np.where(near, x, 0.0), np.where(near, y, 0.0))
    return x, y, near & survey.grid.contains(row, col)


def read_waypoints(path: Path) -> list[_Spot]:
    """Return the waypoints of a GPX file; tracks and routes are left out.

    Raises
    ------
    SurveyError
        If it cannot be read, is not GPX, or holds no waypoint or too many.
    """
    import gpxpy  # noqa: PLC0415 (only where a file is given)
    from gpxpy.gpx import GPXException  # noqa: PLC0415

    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise SurveyError("is too large for a file of waypoints", where=path)
        # A mark at the start of the file would not be XML.
        document = gpxpy.parse(path.read_text(encoding="utf-8-sig"))
        spots = [_Spot((w.name or "").strip(), w.latitude, w.longitude) for w in document.waypoints]
    except OSError as error:
        raise SurveyError(f"cannot be read: {error.strerror}", where=path) from None
    except (GPXException, UnicodeDecodeError, ValueError) as error:
        raise SurveyError(
            f"is not GPX: {str(error).splitlines()[0]}",
            where=path,
            remedy="Export the waypoints as GPX 1.1",
        ) from None
    if not 1 <= len(spots) <= _MOST:
        raise SurveyError(
            "holds no waypoint" if not spots else "holds too many waypoints",
            where=path,
            value=len(spots),
            remedy="Mark each hide as a waypoint; tracks and routes are not read as hides"
            if not spots
            else f"Keep at most {_MOST}",
        )
    for spot in spots:
        if not (-90 <= spot.lat <= 90 and -180 <= spot.lon <= 180):
            raise SurveyError(
                "a waypoint is not on the earth",
                where=path,
                value=f"{spot.name} {spot.lat}, {spot.lon}".strip(),
                remedy="Latitude lies in -90 to 90, longitude in -180 to 180 degrees",
            )
    return spots
