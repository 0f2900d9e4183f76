"""What a verdict rests on beside the law and the map, and the form that all verdicts share.

Position errors, the day hunted, written permissions, arcs of no fire, and where each layer of the
map has anything to say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from types import MappingProxyType
from typing import Any, Self

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Transformer
from shapely.geometry.base import BaseGeometry

from sitegeo.core import contracts
from sitegeo.core.models import from_record
from sitegeo.core.typing import BoolArray
from sitegeo.errors import UsageError
from sitegeo.law.geodesic import ellipsoid_of
from sitegeo.law.rules import DistanceRule, MeasuredFrom
from sitegeo.places.config import VECTOR_REACH_M, Assume, LawKeys, Permission

VERDICT_POINTS = contracts.Contract(
    "points", contracts.POINT, {"id": contracts.Column("text")}, has_id=False
)
"""What verdicts are given on."""

VERDICT_COLUMNS = (
    "id", "target", "verdict", "distance_m", "limit_m", "margin_m", "error_m",
    "bearing_deg", "feature", "rule", "measured_from", "note",
)  # fmt: skip
"""Columns of a table of verdicts, lengths in metres and a true bearing."""

PERMISSION_MATCH_M = 15.0
"""A permission is for the building it was written on, or the only one this close; judgement."""


@dataclass(frozen=True)
class PositionErrors:
    """How far off things may be, in metres; a verdict takes the plain sum.

    Layer errors are those of features traced from aerial photos, the phone's that of one under
    trees, the hide's how far people shift it on the day, the datum's NAD 83 against WGS 84
    (1–2 m in North America). All judgement, from memory; a place file overrides the layers'.
    """

    dwellings_m: float = 5.0
    roads_m: float = 5.0
    public_land_m: float = 10.0
    closed_areas_m: float = 10.0
    phone_m: float = 10.0
    hide_m: float = 5.0
    datum_m: float = 2.0

    def __post_init__(self) -> None:
        for each in fields(self):
            value = getattr(self, each.name)
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(
                    f"position error '{each.name}' must be a length in metres, 0 or more",
                    value=value,
                )

    @classmethod
    def from_layers(cls, position_error_m: Mapping[Any, float]) -> Self:
        """Return the defaults with a place's own figures, by layer name, put in."""
        known = {f.name for f in fields(cls)}
        given = {f"{name}_m": value for name, value in position_error_m.items()}
        return cls(**{name: value for name, value in given.items() if name in known})

    def total_m(self, layer: str) -> float:
        """Return the plain sum that goes with a layer."""
        own: float = getattr(self, f"{layer}_m")
        return own + self.phone_m + self.hide_m + self.datum_m


@dataclass(frozen=True)
class Terms:
    """What a verdict rests on beside the law and the map.

    Parameters
    ----------
    errors
        How far off things may be.
    complete
        Names of layers in which everything has been mapped, all over or within `covered`.
    covered
        Where each layer has anything to say, in the layers' CRS; a layer without an entry
        everywhere.
    outline
        What the outlines of the dwellings layer follow.
    on
        The day hunted; None where it is not known.
    permissions
        What people wrote down.
    no_fire
        Arcs in which nobody will shoot, true degrees clockwise.
    other_hides
        Latitude and longitude of hides that others may sit in.
    """

    errors: PositionErrors = field(default_factory=PositionErrors)
    complete: frozenset[str] = frozenset()
    covered: Mapping[str, BaseGeometry] = field(default_factory=lambda: MappingProxyType({}))
    outline: MeasuredFrom = "wall"
    on: date | None = None
    permissions: tuple[Permission, ...] = ()
    no_fire: tuple[tuple[float, float], ...] = ()
    other_hides: tuple[tuple[float, float], ...] = ()


def terms_from_record(record: Mapping[str, Any], *, crs: CRS, on: date | None = None) -> Terms:
    """Return the terms recorded with a survey or a plan, for a day.

    A layer covers the area declared complete; roads and dwellings of which nothing is declared
    cover the extent of their file, since what lies beyond may simply not have been mapped. None
    covers what lies farther from the photo than features were read.

    Parameters
    ----------
    record
        Of a survey or a plan: `assume`, `terms`, `inputs` and `grid` are read, where it has them.
    crs
        Of the place.
    on
        The day hunted; None where it is not known.

    Returns
    -------
    Terms

    Raises
    ------
    SurveyError
        If the record cannot be read.
    """
    assume = from_record(record.get("assume", {}), Assume)
    keys = from_record(record.get("terms", {}), LawKeys)
    extents = {i["role"]: (i["crs"], i["extent"]) for i in record.get("inputs", ())}
    read = _read_area(record["grid"]) if "grid" in record else None
    covered = {}
    for name in ("dwellings", "roads", "public_land", "closed_areas"):
        declared = assume.complete.get(name)
        if isinstance(declared, tuple):
            covered[name] = _box(declared, "EPSG:4326", crs)
        elif not declared and name in extents and name in ("dwellings", "roads"):
            covered[name] = _box(extents[name][1], extents[name][0], crs)
        if read is not None:
            covered[name] = shapely.intersection(covered.get(name, read), read).buffer(0)
    return Terms(
        errors=PositionErrors.from_layers(assume.position_error_m),
        complete=frozenset(str(name) for name, said in assume.complete.items() if said),
        covered=MappingProxyType(covered),
        outline=assume.dwelling_outline,
        on=on,
        permissions=keys.permissions,
        no_fire=keys.no_fire,
        other_hides=keys.other_hides,
    )


def _read_area(grid: Mapping[str, float]) -> BaseGeometry:
    """Return the ground from which a place's vectors were read, from its recorded grid."""
    west, north, pixel = grid["west_m"], grid["north_m"], grid["pixel_m"]
    east, south = west + grid["columns"] * pixel, north - grid["rows"] * pixel
    return shapely.box(
        west - VECTOR_REACH_M, south - VECTOR_REACH_M, east + VECTOR_REACH_M, north + VECTOR_REACH_M
    )


def _box(bounds: Any, own: str, crs: CRS) -> BaseGeometry:
    """Return a box of another CRS in the place's; empty where it has no shape there."""
    west, south, east, north = bounds
    if not (west < east and south < north):
        return shapely.Polygon()
    to_place = Transformer.from_crs(own, crs, always_xy=True)
    plain = shapely.box(west, south, east, north)
    ring = shapely.segmentize(plain, plain.length / 100)
    box: BaseGeometry = shapely.transform(
        ring, lambda xy: np.column_stack(to_place.transform(*xy.T))
    )
    return box if box.is_valid else shapely.Polygon()


def permissions_lifting(rule: DistanceRule, terms: Terms) -> tuple[Permission, ...]:
    """Return the written permissions that lift a rule on the day."""
    return tuple(
        p
        for p in terms.permissions
        if p.by in rule.permission_by
        and (p.written or not rule.permission_written)
        and (not p.rules or rule.id in p.rules)
        and p.holds_on(terms.on)
    )


def permitted_building(permission: Permission, layer: gpd.GeoDataFrame) -> int | None:
    """Return the position of the one building a permission can be for; None where in doubt.

    Several shapes under one row may be a whole village: none of them is lifted.
    """
    at = _place(permission, CRS(layer.crs))
    distance = shapely.distance(layer.geometry.to_numpy(), at)
    on, near = np.flatnonzero(distance == 0), np.flatnonzero(distance <= PERMISSION_MATCH_M)
    sure = on if on.size else near
    alone = sure.size == 1 and shapely.get_num_geometries(layer.geometry.iloc[sure[0]]) == 1
    return int(sure[0]) if alone else None


def on_permitted_ground(
    permission: Permission, points: gpd.GeoDataFrame, *, error_m: float
) -> BoolArray:
    """Return which points a landowner's permission covers, surely.

    Parameters
    ----------
    permission
        By a landowner, so with `within_m`.
    points
        In a projected CRS.
    error_m
        How far off points and ground may be; a point nearer to the edge is not covered.

    Returns
    -------
    BoolArray
        Shape (points,).
    """
    crs = CRS(points.crs)
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_degrees.transform(points.geometry.x.to_numpy(), points.geometry.y.to_numpy())
    own = np.full_like(lon, permission.longitude), np.full_like(lat, permission.latitude)
    _, _, distance = ellipsoid_of(crs).inv(*own, lon, lat)
    assert permission.within_m is not None  # a landowner's always says how far
    return np.asarray(distance + error_m < permission.within_m)


def _place(permission: Permission, crs: CRS) -> shapely.Point:
    to_place = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    return shapely.Point(to_place.transform(permission.longitude, permission.latitude))
