"""An invented pond with a plan on it, for the tests of the map page."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
from shapely.affinity import rotate, scale
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import bearing_of
from sitegeo.core.grid import Grid, Raster
from sitegeo.webmap import MapContent
from sitegeo.webmap.content import TurningWind, WindView

CRS = pyproj.CRS("EPSG:26915")
HIDE = (420_310.0, 5_100_205.0)
YARD = 0.9144


def ellipse(x: float, y: float, half_x: float, half_y: float, turn: float = 0.0) -> Polygon:
    return rotate(scale(Point(x, y).buffer(1.0), half_x, half_y), turn)


def at_hide(x_yd: float, y_yd: float) -> tuple[float, float]:
    """A point of the frame whose y axis looks north over the water, in metres."""
    return HIDE[0] + x_yd * YARD, HIDE[1] + y_yd * YARD


def feature(role: str, name: str, shape: BaseGeometry, order: int, **more: Any) -> dict[str, Any]:
    dx, dy = shape.centroid.x - HIDE[0], shape.centroid.y - HIDE[1]
    far = float(np.hypot(dx, dy)) / YARD
    bearing = float(bearing_of(dx, dy)) if far > 0.1 else np.nan
    row = {
        "role": role,
        "name": name,
        "order": order,
        "count": None,
        "range_yd": far,
        "bearing_true": bearing,
        "bearing_magnetic": (bearing - 2.1) % 360,
        "note": "",
        "geometry": shape,
    }
    return row | more


def features() -> gpd.GeoDataFrame:
    rng = np.random.default_rng(7)
    mass = ellipse(*at_hide(14, 17), 5.5 * YARD, 10 * YARD)
    second = ellipse(*at_hide(-16, 9), 7 * YARD, 2.4 * YARD)
    east = [at_hide(90 * np.sin(a), 90 * np.cos(a)) for a in np.radians([60, 75, 90, 105])]
    walk = LineString([(420_180, 5_100_080), (420_250, 5_100_170), HIDE])
    rows = [
        feature("access", "RAMP", Point(420_180, 5_100_080), 1),
        feature("route", "walk in", walk, 2),
        feature("hide", "HIDE", Point(HIDE), 3),
        feature("pocket", "POCKET", ellipse(*at_hide(0, 17), 8 * YARD, 6.5 * YARD), 4),
        feature("group", "MASS", mass, 5, count=27, note="whites at the upwind end"),
        feature("group", "SECOND", second, 6, count=8),
        feature("motion", "MOTION", Point(at_hide(24, 9)), 7, count=1),
        feature("touchdown", "likely 0.50", ellipse(*at_hide(-12, 19), 16, 9), 8),
        feature("fire_closed", "east", Polygon([HIDE, *east]), 9, note="house"),
        feature("approach", "BIRDS IN", LineString([at_hide(-45, 19), at_hide(-9, 17)]), 10),
    ]
    for group, count in ((mass, 27), (second, 8)):
        west, south, right, north = group.bounds
        spots = [Point(rng.uniform(west, right), rng.uniform(south, north)) for _ in range(400)]
        inside = [s for s in spots if group.buffer(-0.6).contains(s)][:count]
        rows += [feature("decoy", "mass", s, len(rows), note="dark") for s in inside]
    return gpd.GeoDataFrame(rows, crs=CRS)


def blinds() -> gpd.GeoDataFrame:
    places = [
        ("T001a", "tree line", HIDE),
        ("P002", "point", (420_420, 5_100_310)),
        ("V003", "cove", (420_240, 5_100_420)),
    ]
    rows = [
        {
            "id": name,
            "rank": rank,
            "kind": kind,
            "score": 1.0 - rank / 10,
            "layout": "bank-along",
            "wind_side": "along",
            "why": f"{kind} with open water in front",
            "verdict_words": "dwellings: clear of the mapped ones by 212 yd",
            "cautions": "depth not checked\ncold water",
            "chosen": rank == 1,
            "facing_deg": 0.0,
            "geometry": Point(at),
        }
        for rank, (name, kind, at) in enumerate(places, start=1)
    ]
    return gpd.GeoDataFrame(rows, crs=CRS)


def frame(shapes: list[BaseGeometry], **columns: list[Any]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def layers() -> dict[str, gpd.GeoDataFrame]:
    """Every layer but dwellings, which nobody gave, and huntable, which came out empty."""
    pond = ellipse(420_330, 5_100_330, 150, 125)
    house = box(420_560, 5_100_180, 420_572, 5_100_190)
    shore = [Point(c) for c in pond.exterior.coords[:20]]
    public = box(420_120, 5_100_100, 420_540, 5_100_500)
    refuge = box(420_400, 5_100_420, 420_520, 5_100_490)
    return {
        "water": frame([pond], id=["w1"]),
        "setbacks": frame([house.buffer(140)], target=["dwelling"], rule=["x"], verify=[True]),
        "roads": frame([LineString([(420_100, 5_100_040), (420_600, 5_100_060)])]),
        "positions": frame([LineString(pond.exterior.coords[30:50])], kind=["tree line"]),
        "public_land": frame([public], name=["Reed Marsh"], hunting=["open"]),
        "closed_areas": frame([refuge], reason=["refuge"]),
        "stations": frame(shore, id=[str(i) for i in range(20)]),
        "bank_exposure": frame(shore, wind_side=["onto"] * 20),
        "huntable": frame([], area_m2=[]),
    }


def turn(text: str = "") -> TurningWind:
    """Four winds; each puts another blind first, and turns the spread about the hide."""
    pond = layers()["water"].geometry.iloc[0].exterior
    at = [pond.interpolate(n / 24, normalized=True) for n in range(25)]
    pieces = [LineString([a, ((a.x + b.x) / 2, (a.y + b.y) / 2), b]) for a, b in pairwise(at)]
    facing = [float(bearing_of(420_330 - p.centroid.x, 5_100_330 - p.centroid.y)) for p in pieces]
    names = blinds()["id"].tolist()
    spread = features()
    spread = spread[spread["role"].isin(["hide", "pocket", "group", "motion", "approach", "decoy"])]
    winds = tuple(
        WindView(
            from_deg=(90.0 + 90 * n) % 360,
            words=f"{text}wind {n} (from {(90 + 90 * n) % 360}°)",
            order=tuple(names[(n + i) % 3] for i in range(3)),
            layout=(f"{text}bank-along",) * 3,
            side=("along", "onto", "off"),
            why=tuple(f"{text}reason {n}; place {i}" for i in range(3)),
            grades=("gfp", "ggg", "ppp"),
            banks=np.full(24, n, np.uint8),
            calm_strip_m=np.full(24, 10.0 * n),
            lee=(np.array(ellipse(420_330, 5_100_330, 40 + n, 30).exterior.coords),),
            drawn={}
            if n == 0
            else {"T001a": spread.set_geometry(spread.rotate(-90 * n, origin=Point(HIDE)))},
        )
        for n in range(4)
    )
    return TurningWind(
        ("wind", "ripple", "room"),
        gpd.GeoDataFrame({"facing_deg": facing}, geometry=pieces, crs=CRS),
        winds,
    )


def photo(size: int = 300, pixel_m: float = 2.0) -> Raster:
    values = np.random.default_rng(3).integers(60, 120, (3, size, size)).astype(np.uint8)
    grid = Grid(CRS, 420_080.0, 5_100_560.0, pixel_m, (size, size))
    return Raster(values, grid, bands=("red", "green", "blue"))


def content(**changes: Any) -> MapContent:
    values: dict[str, Any] = {
        "title": "Reed Pond (invented)",
        "wind_from_deg": 90.0,
        "wind_words": "E 12 mph (from 90°)",
        "blinds": blinds(),
        "features": features(),
        "layers": layers(),
        "photo": photo(),
        "headline": "The wind blows along the bank from the right: mass upwind, pocket in front.",
        "verdicts": ("clear of the mapped dwellings by 212 yd under an example rule",),
        "cautions": ("Water depth was not checked.",),
        "credits": ("Photo: invented.",),
    }
    return MapContent(**(values | changes))
