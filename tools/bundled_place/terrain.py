"""The scene's geometry: shore, woods, fields, roads, houses, boundaries and planted positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring, unary_union

from sitegeo.core.grid import Grid

from . import blueprint as plan
from .fields import field_parcels
from .shapes import Array, blob, curve, jitter, smooth, wobble


@dataclass(frozen=True)
class Scene:
    """The invented place's geometry, in the metres of `grid.crs`.

    Attributes
    ----------
    layers
        What a place file names: water, roads, dwellings, public_land, closed_areas, access.
    truth
        Planted positions: `id`, `kind`, `expect` (must: to be found; may: natural, neither missed
        nor false), `name`, `height_m`, `width_m`, geometry (a run of bank, or a polygon).
    ground
        What the photo shows, by name of surface: one geometry each.
    parcels
        Fields: `crop`, `rows_deg` (grid direction of the rows, anticlockwise from east).
    stands
        Where trees grow: `species`, `height_m`, `spacing_m`.
    """

    seed: int
    grid: Grid
    layers: dict[str, gpd.GeoDataFrame]
    truth: gpd.GeoDataFrame
    ground: dict[str, BaseGeometry]
    parcels: gpd.GeoDataFrame
    stands: gpd.GeoDataFrame


def make_scene(seed: int = 7) -> Scene:
    """Return the geometry of the place made from `seed`."""
    rng = np.random.default_rng([seed, 1])
    shore = _shore(rng)
    reservoir = Polygon(shore)
    ring = LineString(np.vstack([shore, shore[:1]]))
    streams = _streams(rng, reservoir)
    ground, stands, truth = _cover(rng, reservoir, ring, streams)
    roads = _roads()
    buildings = _buildings(rng)
    access, lots, ramp = _access()
    ground |= {"lots": lots, "ramp": ramp}
    land = _public_land(reservoir)
    built = unary_union([roads.buffer(roads["width_m"] / 2 + 6).union_all(), lots.buffer(14)])
    woods = _woods(rng, ground, built, buildings)
    keep_out = unary_union([
        reservoir.buffer(52), ground["marsh"].buffer(25), woods.buffer(5), built,
        buildings.buffer(34).union_all(), streams.buffer(16).union_all(),
        land.geometry.iloc[0].buffer(-4),
    ])  # fmt: skip
    parcels, hedges = field_parcels(rng, keep_out)
    ground["yards"] = buildings.buffer(26).union_all().difference(reservoir.buffer(3))
    ground["docks"] = _docks(buildings, reservoir)
    stands = pd.concat([stands, _stand("woods", woods, 16.0, 6.4), hedges])
    stands = gpd.GeoDataFrame(stands, geometry="geometry").reset_index(drop=True)
    water = gpd.GeoDataFrame(
        {
            "kind": ["reservoir", "stream", "stream", "pond"],
            "name": ["Quennaby Reservoir", "Sorrick Creek", "Sorrick Creek", None],
        },
        geometry=[reservoir, *streams],
    )
    layers = {
        "water": water,
        "roads": roads,
        "dwellings": buildings,
        "public_land": land,
        "closed_areas": _closed_areas(ground, reservoir),
        "access": access,
    }
    place = _Placing(seed)
    return Scene(
        seed=seed,
        grid=place.grid,
        layers={name: place.frame(layer) for name, layer in layers.items()},
        truth=place.frame(gpd.GeoDataFrame(truth, geometry="geometry")),
        ground={name: place.shape(shape) for name, shape in ground.items()},
        parcels=place.frame(parcels),
        stands=place.frame(stands),
    )


class _Placing:
    """Turns (and for some seeds mirrors) the plan about its middle and moves it onto the grid."""

    def __init__(self, seed: int) -> None:
        side = int(plan.SIDE_M)
        self.grid = Grid(
            CRS.from_epsg(plan.EPSG), plan.ORIGIN[0], plan.ORIGIN[1] + side, 1.0, (side, side)
        )
        quarter = (seed - 7) % 4
        mirrored = (seed - 7) // 4 % 2 == 1
        c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarter]
        m = -1 if mirrored else 1
        half = plan.SIDE_M / 2
        x0 = plan.ORIGIN[0] + half - half * (m * c - s)
        y0 = plan.ORIGIN[1] + half - half * (m * s + c)
        self._matrix = [m * c, -s, m * s, c, x0, y0]

    def shape(self, shape: BaseGeometry) -> BaseGeometry:
        moved = affinity.affine_transform(shape, self._matrix)
        return shapely.set_precision(moved, 0.01)

    def frame(self, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        moved = [self.shape(g) for g in frame.geometry]
        return frame.set_geometry(gpd.GeoSeries(moved, index=frame.index)).set_crs(self.grid.crs)


def _shore(rng: np.random.Generator) -> Array:
    knots: list[tuple[float, float]] = []
    for name, points in plan.SHORE.items():
        p = np.asarray(points, float)
        limit = 11.0 if name != "dam" else 1.0  # the track on the dam's crest stays dry
        shift = rng.normal(0.0, 5.0, p.shape if name != "dam" else (1, 2)).clip(-limit, limit)
        knots += [(float(x), float(y)) for x, y in p + shift]
    line = smooth(knots, closed=True, spacing_m=4.0)
    rough = wobble(line, rng, amplitude_m=1.7, wavelengths_m=(28.0, 170.0))
    # an engineered bank is straight: no wobble on the dam
    dam = LineString(plan.SHORE["dam"])
    far = np.asarray(shapely.distance(dam, shapely.points(line)))[:, None]
    return line + (rough - line) * np.clip((far - 12.0) / 40.0, 0.0, 1.0)


def _streams(rng: np.random.Generator, reservoir: Polygon) -> gpd.GeoSeries:
    creek = curve(jitter(plan.CREEK, rng, 3.0)).buffer(4.2)
    outlet = curve(jitter(plan.OUTLET, rng, 3.0)).buffer(2.6)
    pond = blob(plan.POND[0], plan.POND[1], rng)
    dam = LineString(plan.SHORE["dam"]).buffer(22)
    frame = shapely.box(0, 0, plan.SIDE_M, plan.SIDE_M)
    cut = [creek.difference(reservoir), outlet.difference(reservoir.union(dam)), pond]
    return gpd.GeoSeries([_largest(g.intersection(frame)) for g in cut])


def _cover(
    rng: np.random.Generator, reservoir: Polygon, ring: LineString, streams: gpd.GeoSeries
) -> tuple[dict[str, BaseGeometry], gpd.GeoDataFrame, list[dict[str, Any]]]:
    """Return what grows in and along the water, and the positions that this plants."""
    truth: list[dict[str, Any]] = []

    def plant(kind: str, shape: BaseGeometry, *, must: bool = True, **more: object) -> None:
        truth.append({"kind": kind, "expect": "must" if must else "may", **more, "geometry": shape})

    stands, belts = [], []
    for name, start, end, depth, height in plan.TREE_LINES:
        run = bank_run(ring, start, end)
        belt = run.buffer(depth, cap_style="flat").difference(reservoir.buffer(-1.0))
        belt = belt.buffer(-3).buffer(3)
        species = "broadleaf" if name != "low" else "mixed"
        stands.append(_stand(species, belt, height, 5.6))
        belts.append(belt)
        plant("tree line", run, name=name, height_m=height, width_m=depth)
    for name, tip in plan.POINT_TIPS.items():
        plant("point", _around(ring, tip, 70.0), name=name)
    plant("cove", _around(ring, plan.COVE_HEAD, 95.0), name="cove")

    timber = Polygon(smooth(jitter(plan.TIMBER, rng, 6.0), closed=True))
    flooded, bottom = timber.intersection(reservoir), timber.difference(reservoir.buffer(-3))
    spared = len(plan.OPENINGS) - int(rng.integers(0, 2))
    gaps = []
    for centre, half_width, half_length, turn in plan.OPENINGS[:spared]:
        at = (centre[0] + rng.normal(0, 3), centre[1] + rng.normal(0, 3))
        gap = blob(at, (half_length, half_width), rng, roughness=0.07, turn_deg=turn)
        gaps.append(gap)
        plant("timber opening", gap, name="opening", width_m=2 * half_width)
    openings = unary_union(gaps)
    stands.append(_stand("flooded", flooded.buffer(-1).difference(openings), 13.5, 5.2))
    stands.append(_stand("broadleaf", bottom.difference(reservoir), 15.0, 6.0))
    plant("tree line", flooded.boundary.buffer(30), must=False, name="edge of the timber")

    spared = len(plan.CLUMPS) - int(rng.integers(0, 2))
    clumps: dict[str, list[BaseGeometry]] = {"reeds": [], "brush": []}
    for centre, radii, what in plan.CLUMPS[:spared]:
        at = (centre[0] + rng.normal(0, 7), centre[1] + rng.normal(0, 7))
        clump = blob(at, radii, rng, roughness=0.2, turn_deg=float(rng.uniform(0, 180)))
        clumps[what].append(clump)
        plant("cover clump", clump, name=what, width_m=2.0 * min(radii))
    rim = smooth(jitter(plan.FLAT, rng, 4.0), closed=True)
    rim = wobble(rim, rng, amplitude_m=4.0, wavelengths_m=(30.0, 160.0))
    flat = Polygon(rim).buffer(0).intersection(reservoir)
    plant("open flat", flat, name="flat")

    marsh = Polygon(smooth(jitter(plan.MARSH, rng, 6.0), closed=True))
    arm = marsh.union(streams.iloc[0]).buffer(40)
    for kind in ("cove", "cover clump", "open flat", "point"):
        plant(kind, arm, must=False, name="marsh arm")
    for kind in ("cove", "point", "tree line"):
        plant(kind, streams.iloc[2].buffer(30), must=False, name="farm pond")
    for corner in plan.CORNERS:
        plant("point", _around(ring, corner, 60.0), must=False, name="corner")
    for bight in plan.BIGHTS:
        plant("cove", _around(ring, bight, 120.0), must=False, name="bight")
    for i, row in enumerate(truth):
        row["geometry"] = row["geometry"].simplify(0.3 if row["expect"] == "must" else 1.5)
        row["id"] = f"{row['expect']}-{i + 1:02d}"
    ground = {
        "reservoir": reservoir,
        "water": unary_union([reservoir, *streams]),
        "marsh": marsh,
        "flat": flat,
        "timber": flooded,
        "bottom": bottom,
        "openings": openings,
        "reeds": unary_union(clumps["reeds"]),
        "brush": unary_union(clumps["brush"]),
        "belts": unary_union(belts),
        "tips": unary_union(
            [
                ring.interpolate(ring.project(Point(tip))).buffer(45)
                for tip in plan.POINT_TIPS.values()
            ]
        ).difference(reservoir),
        "dam": LineString(plan.SHORE["dam"]),
    }
    return ground, gpd.GeoDataFrame(pd.concat(stands), geometry="geometry"), truth


def bank_run(
    ring: LineString, start: tuple[float, float], end: tuple[float, float]
) -> BaseGeometry:
    """Return the shorter way along a closed ring between the places nearest two points."""
    a, b = sorted((ring.project(Point(start)), ring.project(Point(end))))
    if b - a <= ring.length / 2:
        return substring(ring, a, b)
    return LineString([*substring(ring, b, ring.length).coords, *substring(ring, 0, a).coords[1:]])


def _around(ring: LineString, at: tuple[float, float], half_m: float) -> BaseGeometry:
    s = ring.project(Point(at))
    a, b = (ring.interpolate((s + d) % ring.length) for d in (-half_m, half_m))
    return bank_run(ring, (a.x, a.y), (b.x, b.y))


def _roads() -> gpd.GeoDataFrame:
    rows = [
        {"name": n, "class": c, "surface": s, "width_m": w, "geometry": curve(p, 8.0)}
        for n, c, s, w, p in plan.ROADS
    ]
    frame = gpd.GeoDataFrame(rows, geometry="geometry")
    frame.geometry = frame.intersection(shapely.box(0, 0, plan.SIDE_M, plan.SIDE_M))
    return frame


def _buildings(rng: np.random.Generator) -> gpd.GeoDataFrame:
    rows = []
    for kind, (cx, cy), length, width, turn in plan.BUILDINGS:
        x, y = cx + rng.normal(0, 2), cy + rng.normal(0, 2)
        shape: BaseGeometry = shapely.box(-length / 2, -width / 2, length / 2, width / 2)
        if kind == "dwelling":  # most houses have a wing
            side = float(rng.choice([-1.0, 1.0]))
            wing = shapely.box(0, 0, length * 0.32, width * 0.85)
            at = (side * length * 0.3 - length * 0.16, width * 0.3)
            shape = shape.union(affinity.translate(wing, *at))
        shape = affinity.rotate(shape, turn + rng.normal(0, 3), origin=(0, 0))
        rows.append({"kind": kind, "geometry": affinity.translate(shape, x, y)})
    return gpd.GeoDataFrame(rows, geometry="geometry")


def _access() -> tuple[gpd.GeoDataFrame, BaseGeometry, BaseGeometry]:
    lots = [
        affinity.rotate(shapely.box(x - w / 2, y - d / 2, x + w / 2, y + d / 2), turn)
        for (x, y), w, d, turn, _ in plan.PARKING
    ]
    ramp = LineString(plan.RAMP)
    rows = [{"kind": "ramp", "name": "Launch Lane ramp", "geometry": Point(ramp.coords[1])}]
    rows += [
        {"kind": "parking", "name": p[4], "geometry": lot.centroid}
        for p, lot in zip(plan.PARKING, lots, strict=True)
    ]
    return gpd.GeoDataFrame(rows, geometry="geometry"), unary_union(lots), ramp.buffer(3.6)


def _public_land(reservoir: Polygon) -> gpd.GeoDataFrame:
    park = Polygon(plan.PARK_LAND).difference(reservoir)
    frame = shapely.box(0, 0, plan.SIDE_M, plan.SIDE_M)
    area = Polygon(plan.PUBLIC_LAND).difference(Polygon(plan.INHOLDING)).intersection(frame)
    area = area.union(reservoir).difference(park)
    area = area.buffer(-1.0).buffer(1.0, join_style="mitre")  # no slivers where lines nearly meet
    return gpd.GeoDataFrame(
        {
            "name": [plan.WILDLIFE_AREA, plan.PARK],
            "manager": ["invented state agency", "invented township"],
            "hunting": ["open", "closed"],
        },
        geometry=[area, _largest(park)],
    )


def _closed_areas(ground: dict[str, BaseGeometry], reservoir: Polygon) -> gpd.GeoDataFrame:
    dam = ground["dam"].buffer(110, cap_style="flat").intersection(reservoir)
    rest = Polygon(smooth(plan.REST_AREA, closed=True)).intersection(reservoir)
    return gpd.GeoDataFrame(
        {
            "reason": ["dam safety zone: no entry", "waterfowl rest area: no entry in season"],
            "from": [None, "2026-09-15"],
            "to": [None, "2027-01-31"],
        },
        geometry=[_largest(dam), _largest(rest)],
    )


def _docks(buildings: gpd.GeoDataFrame, reservoir: Polygon) -> BaseGeometry:
    docks = []
    for house in buildings.geometry[:4]:
        s = reservoir.exterior.project(house.centroid)
        a, b = reservoir.exterior.interpolate(s - 1.0), reservoir.exterior.interpolate(s + 1.0)
        out = np.array([-(b.y - a.y), b.x - a.x])
        out /= np.hypot(*out)
        foot = np.array([a.x, a.y])
        line = LineString([foot - 2 * out, foot + 13 * out])
        docks.append(line if reservoir.contains(Point(foot + 6 * out)) else affinity.rotate(
            line, 180, origin=(a.x, a.y)))  # fmt: skip
    return unary_union(docks).buffer(1.1, cap_style="flat")


def _woods(
    rng: np.random.Generator,
    ground: dict[str, BaseGeometry],
    built: BaseGeometry,
    buildings: gpd.GeoDataFrame,
) -> BaseGeometry:
    blobs = [
        blob((c[0] + rng.normal(0, 8), c[1] + rng.normal(0, 8)), r, rng, roughness=0.17, turn_deg=t)
        for c, r, t in plan.FOREST
    ]
    bare = unary_union([
        ground["water"].buffer(46), ground["marsh"].buffer(20), built, ground["dam"].buffer(40),
        buildings.buffer(20).union_all(),
    ])  # fmt: skip
    woods = unary_union(blobs).difference(bare).difference(ground["bottom"])
    return woods.buffer(-4).buffer(4).intersection(shapely.box(0, 0, plan.SIDE_M, plan.SIDE_M))


def _stand(species: str, shape: BaseGeometry, height: float, spacing: float) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"species": [species], "height_m": [height], "spacing_m": [spacing]}, geometry=[shape]
    )


def _largest(shape: BaseGeometry) -> BaseGeometry:
    return max(shapely.get_parts(shape), key=shapely.area)  # type: ignore[no-any-return]


__all__ = ["Scene", "bank_run", "make_scene"]
