"""What a plan draws and carries, as rows: hide, pocket, groups, decoys, motion, way in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Geod, Transformer
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import wrap360
from sitegeo.core.grid import WGS84, Raster
from sitegeo.core.typing import FloatArray, IntArray
from sitegeo.law.shot_range import ShotFall, closed_sectors
from sitegeo.spreads.result import Group, Spread
from sitegeo.surveys.survey import Survey
from sitegeo.units import depth_text, to_yd

WAYPOINT_ROLES = ("access", "hide", "pocket", "group", "motion")
"""Roles that become waypoints; a phone cannot place a single decoy."""

SETBACKS_DRAWN_M = 400.0
"""Setbacks drawn are those that come this close to the hide, out to twice as far; judgement."""

ROUND_HIDE_DEG = 45.0
"""With the wind nearer to the face than this an unbent way in leads over or round the hide;
judgement."""

WMM_YEARS = (2025.0, 2030.0)
"""For which the World Magnetic Model 2025 holds; published (NOAA NCEI)."""

DAYS_A_YEAR = 365.25
"""On the average; standard."""

_SMOOTH_M = 0.05
"""A drawn way in is simplified to within this."""

_GEOD = Geod(ellps="WGS84")


@cache
def declination_deg(lon: float, lat: float, when: datetime | None) -> float | None:
    """Return the magnetic declination, or None without a date it is known for.

    Parameters
    ----------
    lon, lat
        Degrees, WGS84.
    when
        A moment from 2025 to 2030.

    Returns
    -------
    float
        Degrees, east positive.

    References
    ----------
    World Magnetic Model 2025 (NOAA NCEI), good from 2025 to 2030, by pygeomag.

    Examples
    --------
    >>> from datetime import datetime
    >>> round(declination_deg(-90.55, 44.13, datetime(2026, 12, 5)), 1)
    -2.2
    """
    if when is None:
        return None
    from pygeomag import GeoMag  # noqa: PLC0415 (reads its coefficients on import)

    moment = when.astimezone(UTC) if when.tzinfo else when
    year = moment.year + (moment.timetuple().tm_yday - 1) / DAYS_A_YEAR
    if not WMM_YEARS[0] <= year < WMM_YEARS[1]:
        return None
    return float(GeoMag().calculate(glat=lat, glon=lon, alt=0, time=year).d)


def plan_features(
    survey: Survey,
    row: pd.Series[Any],
    spread: Spread,
    *,
    landing: gpd.GeoDataFrame,
    fall: ShotFall,
    when: datetime | None,
) -> gpd.GeoDataFrame:
    """Return everything drawn, by the columns of plan.geojson.

    Ranges and bearings are geodesic, from the hide; a magnetic bearing needs a date.

    Parameters
    ----------
    survey
        Of the place.
    row
        The blind, scored.
    spread
        Its spread.
    landing
        Where birds are likely to touch down, of `touchdown_areas`.
    fall
        The circle of fire about the hide.
    when
        For the magnetic declination.

    Returns
    -------
    GeoDataFrame
        In the place's CRS. `order` is the set-up order: the way in, the hide, the pocket, then
        groups by least walking.
    """
    hide: shapely.Point = row.geometry
    rows = [_row("access", name, at, note=note) for name, at, note in _ways_in(survey, hide)]
    rows += _spread_rows(row, spread)
    for _, patch in landing.iterrows():
        rows.append(_row("touchdown", f"likely {patch['probability']:.2f}", patch.geometry))
    for arc, sector in closed_sectors(fall, hide, survey.grid.convergence_deg):
        words = f"no fire {arc.from_deg:03.0f}-{arc.to_deg:03.0f}"
        note = f"{arc.reason}, {arc.side}; true bearings"
        rows.append(_row("fire_closed", words, sector, note=note))
    setbacks = survey.layers["setbacks"]
    for _, near in setbacks[setbacks.dwithin(hide, SETBACKS_DRAWN_M)].iterrows():
        shape = near.geometry.intersection(hide.buffer(2 * SETBACKS_DRAWN_M))
        note = "; ".join(filter(None, (str(near["rule"]), near.get("note"))))
        rows.append(_row("setback", str(near["target"]), shape, note=note))
    order = np.arange(1, len(rows) + 1)
    return _framed(rows, survey, np.array([[hide.x, hide.y]]), when, order=order)


def spread_features(
    survey: Survey, laid: Sequence[tuple[pd.Series[Any], Spread]], *, when: datetime | None
) -> list[gpd.GeoDataFrame]:
    """Return hides and their spreads alone, as `plan_features`, worked out at once.

    Parameters
    ----------
    survey
        Of the place.
    laid
        Blinds, each with its spread.
    when
        For the magnetic declination.

    Returns
    -------
    list of GeoDataFrame
        One a blind.
    """
    if not laid:
        return []
    each = [_spread_rows(row, spread) for row, spread in laid]
    lengths = [len(rows) for rows in each]
    hides = np.repeat([(row.geometry.x, row.geometry.y) for row, _ in laid], lengths, axis=0)
    order = np.concatenate([np.arange(1, n + 1) for n in lengths])
    frame = _framed([row for rows in each for row in rows], survey, hides, when, order=order)
    stops = np.cumsum(lengths)
    return [
        frame.iloc[stop - n : stop].reset_index(drop=True)
        for stop, n in zip(stops, lengths, strict=True)
    ]


def _spread_rows(row: pd.Series[Any], spread: Spread) -> list[dict[str, Any]]:
    """Return hide, pocket, groups, motion, jerk line, the way birds come in, and decoys."""
    facing = f"blind {row['id']}, facing {row['facing_deg']:.0f}° true"
    if spread.refused:
        return [_row("hide", "HIDE", row.geometry, note=f"{facing}; no spread: {spread.refused}")]
    rows = [_row("hide", "HIDE", row.geometry, note=facing)]
    rows.append(_row("pocket", "POCKET", spread.pocket, note="leave open: birds land here"))
    for group in spread.groups:
        name, note = group.name.upper(), _group_note(group)
        rows.append(_row("group", name, group.polygon, note=note, count=group.count))
    for number, spot in enumerate(spread.motion, 1):
        name = "MOTION" if len(spread.motion) == 1 else f"MOTION{number}"
        rows.append(_row("motion", name, shapely.Point(spot), note="motion decoy", count=1))
    if len(spread.jerk_line):
        line = shapely.LineString(spread.jerk_line)
        note = "to a trunk at the upwind end: pull it for ripple"
        rows.append(_row("jerk_line", "JERK LINE", line, note=note))
    if len(spread.approach):
        way = shapely.LineString(spread.approach).simplify(_SMOOTH_M)
        rows.append(_row("approach", "BIRDS IN", way, note=_way_in(row, spread)))
    decoys = zip(spread.decoys, spread.decoy_groups, spread.decoy_kinds, strict=True)
    rows += [
        _row("decoy", name, shapely.Point(xy), note=kind, count=1) for xy, name, kind in decoys
    ]
    return rows


def _row(
    role: str, name: str, shape: BaseGeometry, *, note: str = "", count: int | None = None
) -> dict[str, Any]:
    return {"role": role, "name": name, "geometry": shape, "note": note, "count": count}


def _framed(
    rows: list[dict[str, Any]],
    survey: Survey,
    hides: FloatArray,
    when: datetime | None,
    *,
    order: IntArray,
) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=survey.crs)
    frame.insert(2, "order", order)
    return _with_bearings(frame, hides, when)


def _ways_in(survey: Survey, hide: shapely.Point) -> list[tuple[str, shapely.Point, str]]:
    """Return the two nearest ways in, the farther first."""
    access = survey.layers.get("access")
    if access is None or access.empty:
        return []
    near = access.assign(distance=access.distance(hide)).nsmallest(2, "distance")[::-1]
    return [
        (str(a["kind"] or "access").upper()[:10], a.geometry, str(a["name"] or ""))
        for _, a in near.iterrows()
    ]


def _way_in(row: pd.Series[Any], spread: Spread) -> str:
    """Return how birds come in, as a person says it (common practice, no source)."""
    if spread.layout == "timber":
        return "birds circle, come over the stack and drop into the pocket"
    if row["bend_deg"]:
        return "birds come along the bank over the water and turn into the wind"
    if spread.theta_deg < ROUND_HIDE_DEG:
        return "birds come over or round the hide and settle going away"
    return "birds come in this way, into the wind"


def _group_note(group: Group) -> str:
    kinds = {"dark": group.dark, "white": group.white, "geese": group.geese, "small": group.small}
    text = ", ".join(f"{count} {kind}" for kind, count in kinds.items() if count)
    if group.line_m is not None:
        text += f"; line {depth_text(group.line_m)}"
    return f"{text}; {group.note}" if group.note else text


def _with_bearings(
    frame: gpd.GeoDataFrame, hides: FloatArray, when: datetime | None
) -> gpd.GeoDataFrame:
    to_wgs84 = Transformer.from_crs(frame.crs, WGS84, always_xy=True)
    from_hide = np.broadcast_to(np.column_stack(to_wgs84.transform(*hides.T)), (len(frame), 2))
    middle = shapely.get_coordinates(shapely.centroid(frame.geometry.to_numpy()))
    lon, lat = to_wgs84.transform(middle[:, 0], middle[:, 1])
    azimuth, _, distance = _GEOD.inv(from_hide[:, 0], from_hide[:, 1], lon, lat)
    known = [declination_deg(lon0, lat0, when) for lon0, lat0 in from_hide.tolist()]
    declination = np.array([np.nan if d is None else d for d in known])
    there = ~frame["role"].isin(["hide", "setback", "fire_closed"]).to_numpy()
    true = np.where(there, wrap360(np.round(azimuth, 1)), np.nan)
    magnetic = wrap360(np.round(azimuth - declination, 1))
    return frame.assign(
        count=frame["count"].astype("Int64"),
        range_yd=np.where(there, np.round(to_yd(distance), 1), np.nan),
        bearing_true=true,
        bearing_magnetic=np.where(there, magnetic, np.nan),
        magnetic_variation_deg=np.round(declination, 2),
    )


def waypoints_to_carry(features: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the points to carry, in set-up order, names at most 10 characters of ASCII."""
    carried = features[features["role"].isin(WAYPOINT_ROLES)]
    points = carried.set_geometry(carried.geometry.centroid)
    return points.reset_index(drop=True).assign(order=np.arange(1, len(points) + 1))


def deepest_water_m(
    depth: Raster | None, features: pd.DataFrame, item: pd.Series[Any]
) -> float | None:
    """Return the deepest water under an item's decoys, or at its middle.

    Parameters
    ----------
    depth
        The `depth` layer.
    features
        Everything drawn.
    item
        One row of it: a group or a motion decoy.

    Returns
    -------
    float
        Metres; None where it is not known.
    """
    if depth is None:
        return None
    own = features[(features["role"] == "decoy") & (features["name"].str.upper() == item["name"])]
    points = list(own.geometry) or [item.geometry.centroid]
    found = depth.sample(np.array([p.x for p in points]), np.array([p.y for p in points]))
    known = found[np.isfinite(found)]
    return float(known.max()) if known.size else None
