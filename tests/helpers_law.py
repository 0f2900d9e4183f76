"""Laws, houses, roads and ground for tests of the law, laid out by geodesics from one spot."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer

from sitegeo.law.context import PositionErrors, Terms
from sitegeo.law.rules import DistanceRule, Law
from sitegeo.law.setbacks import setback_verdicts

UTM = CRS.from_epsg(26918)
GEOD = Geod(ellps="GRS80")
TO_GRID = Transformer.from_crs(UTM.geodetic_crs, UTM, always_xy=True)
HOME = (-76.3, 38.9)
EXACT = PositionErrors(**dict.fromkeys(PositionErrors.__dataclass_fields__, 0.0))
USUAL = PositionErrors()


def rule(name, target, limit, unit="m", **more):
    usual = {"measured_from": "centreline" if target == "road" else "wall", "citation": "Code"}
    return DistanceRule.model_validate(
        {"id": name, "target": target, "limit": limit, "unit": unit, **usual, **more}
    )


def law_of(*rules):
    return Law(title="Test law", place="Here", read_on=date(2026, 1, 1), distance=rules)


def off(distance_m, bearing_deg=90.0, start=HOME):
    """Grid coordinates of the end of a geodesic."""
    lon, lat, _ = GEOD.fwd(*start, bearing_deg, distance_m)
    return TO_GRID.transform(lon, lat)


def points(*xy, crs=UTM):
    ids = [f"X{n:03d}" for n in range(1, len(xy) + 1)]
    shapes = shapely.points(np.reshape(xy, (-1, 2)))
    return gpd.GeoDataFrame({"id": np.array(ids, dtype=object)}, geometry=shapes, crs=crs)


def houses(shapes, kinds="house", crs=UTM, **more):
    kinds = [kinds] * len(shapes) if isinstance(kinds, str | None) else kinds
    data = {"kind": np.array(kinds, dtype=object), **more}
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=crs)


def roads(shapes, classes="residential", width_m=np.nan, surface=None, crs=UTM):
    data = {
        "class": np.array([classes] * len(shapes), dtype=object),
        "width_m": np.full(len(shapes), width_m, dtype=float),
        "surface": np.array([surface] * len(shapes), dtype=object),
    }
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=crs)


def box_east(distance_m, size_m=10.0):
    """A house whose western wall's nearest point is that far due east of HOME."""
    x, y = off(distance_m)
    along = np.deg2rad(grid_bearing())
    shape = shapely.box(0, -size_m / 2, size_m, size_m / 2)
    turned = shapely.transform(
        shape,
        lambda c: c @ np.array([[np.sin(along), np.cos(along)], [np.cos(along), -np.sin(along)]]),
    )
    return shapely.transform(turned, lambda c: c + (x, y))


def grid_bearing():
    (x0, y0), (x1, y1) = off(0.0), off(100.0)
    return float(np.rad2deg(np.arctan2(x1 - x0, y1 - y0)))


def one(table, target="dwelling"):
    rows = table[table["target"] == target]
    assert len(rows) == 1
    return rows.iloc[0]


def judge(law, *, at=None, dwellings=None, ways=None, public_land=None, errors=EXACT, **terms):
    terms["complete"] = frozenset(terms.get("complete", ()))
    return setback_verdicts(
        points(off(0.0) if at is None else at),
        law,
        dwellings=dwellings,
        roads=ways,
        public_land=public_land,
        terms=Terms(errors=errors, **terms),
    )


def land(shapes, hunting, crs=UTM):
    none = np.array([None] * len(shapes), dtype=object)
    data = {"name": none, "manager": none, "hunting": np.array(hunting, dtype=object)}
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=crs)


def areas(shapes, reasons, since=None, until=None):
    data = {
        "reason": np.array(reasons, dtype=object),
        "from": np.array([since] * len(shapes), dtype=object),
        "to": np.array([until] * len(shapes), dtype=object),
    }
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=UTM)


X, Y = off(0.0)
WEST = shapely.box(X - 500, Y - 500, X, Y + 500)
EAST = shapely.box(X, Y - 500, X + 500, Y + 500)
