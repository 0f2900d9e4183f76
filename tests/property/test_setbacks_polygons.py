"""Drawn setbacks never understate, and ground drawn as huntable is clear, open and not closed."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from sitegeo.law.context import PositionErrors, Terms
from sitegeo.law.ground import closure_reasons, ground_ownership, huntable_ground, hunting_status
from sitegeo.law.rules import DistanceRule, Law
from sitegeo.law.setbacks import setback_polygons, setback_verdicts

GRIDS = {26918: (400e3, 4300e3), 32633: (820e3, 5400e3), 3857: (8e5, 6e6), 3035: (46e5, 28e5)}
checked = settings(max_examples=40, deadline=None, derandomize=True)
metres = st.floats(-500, 500).map(lambda v: round(v, 1))
spots = st.tuples(metres, metres)


def law_of(target, limit_m, measured_from="wall"):
    rule = DistanceRule(id=f"{target} rule", citation="C", target=target, limit=limit_m,
                        unit="m", measured_from=measured_from)  # fmt: skip
    return Law(title="t", place="p", read_on=date(2026, 1, 1), distance=(rule,))


def placed(data, shapes, epsg):
    moved = shapely.transform(np.array(shapes, dtype=object), lambda c: c + GRIDS[epsg])
    return gpd.GeoDataFrame(data, geometry=moved, crs=epsg)


def ring_around(shape, crs, distance_m, step_m=3.0, every_deg=7.0):
    """Grid points at a geodesic distance, every few degrees, from points all along an outline."""
    walked = shapely.get_coordinates(shapely.segmentize(shape, step_m))
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_degrees.transform(*walked.T)
    bearing = np.arange(0.0, 360.0, every_deg)
    lon, lat, bearing = (
        v.ravel() for v in np.broadcast_arrays(lon[:, None], lat[:, None], bearing[None, :])
    )
    ends = crs.get_geod().fwd(lon, lat, bearing, np.full(lon.size, distance_m))[:2]
    return shapely.points(*to_degrees.transform(*ends, direction="INVERSE"))


@checked
@given(
    st.sampled_from(sorted(GRIDS)),
    st.lists(spots, min_size=3, max_size=7, unique=True),
    st.floats(1, 500),
    st.sampled_from(["dwelling", "road", "point"]),
)
def test_every_point_within_the_limit_is_inside_the_polygon(epsg, at, limit_m, what):
    crs = CRS.from_epsg(epsg)
    none = np.array([None], dtype=object)
    dwellings = ways = None
    if what == "road":
        shape, extra_m = shapely.LineString(at), 15.0
        ways = placed({"class": none, "width_m": [30.0], "surface": none}, [shape], epsg)
        law = law_of("road", limit_m, "pavement edge")
    else:
        hull = shapely.MultiPoint(at).convex_hull.buffer(1.0, quad_segs=2)
        shape, extra_m = (shapely.Point(at[0]), 20.0) if what == "point" else (hull, 0.0)
        dwellings = placed({"kind": none}, [shape], epsg)
        law = law_of("dwelling", limit_m)
    drawn = setback_polygons(law, dwellings=dwellings, roads=ways, crs=crs)
    layer = ways if dwellings is None else dwellings
    around = ring_around(layer.geometry.iloc[0], crs, limit_m + extra_m, step_m=25.0)
    assert shapely.covers(drawn.geometry.iloc[0], around).all()


@st.composite
def sprawls(draw):
    """A crooked building, where the buffer's own simplifying could bite."""
    teeth = draw(st.lists(st.floats(0.2, 30), min_size=3, max_size=8))
    x = np.arange(2 * len(teeth)) * draw(st.floats(0.5, 12))
    top = np.repeat(teeth, 2) * np.tile([0.1, 1.0], len(teeth))
    ring = [*zip(x, top, strict=True), (x[-1], -5.0), (x[0], -5.0)]
    return shapely.Polygon(ring)


@checked
@given(st.sampled_from(sorted(GRIDS)), sprawls(), st.floats(1, 400))
def test_a_crooked_building_is_not_understated_either(epsg, shape, limit_m):
    crs = CRS.from_epsg(epsg)
    layer = placed({"kind": np.array([None], dtype=object)}, [shape], epsg)
    drawn = setback_polygons(law_of("dwelling", limit_m), dwellings=layer, roads=None, crs=crs)
    around = ring_around(layer.geometry.iloc[0], crs, limit_m, step_m=5.0, every_deg=3.1)
    assert shapely.covers(drawn.geometry.iloc[0], around).all()
    # Nor is it drawn much larger than asked: within 2 % and the grid's own scale.
    wide = limit_m * 1.02 * (1.52 if epsg == 3857 else 1.002) + 0.1
    assert drawn.within(shapely.box(*layer.total_bounds + (-wide, -wide, wide, wide))).all()


boxes = st.tuples(spots, st.floats(20, 600), st.floats(20, 600)).map(
    lambda b: shapely.box(b[0][0], b[0][1], b[0][0] + b[1], b[0][1] + b[2])
)


@checked
@given(
    st.sampled_from(sorted(GRIDS)),
    st.lists(st.tuples(boxes, st.sampled_from(["open", "open", "closed", "unknown"])), max_size=5),
    st.lists(spots, max_size=4),
    st.lists(boxes, max_size=2),
    st.floats(10, 300),
    st.floats(0, 40),
    st.integers(0, 2**31),
)
def test_huntable_ground_is_clear_open_public_and_not_closed(
    epsg, parcels, homes, shut, limit_m, error_m, seed
):
    crs = CRS.from_epsg(epsg)

    def empty(n):
        return np.array([None] * n, dtype=object)

    land = placed(
        {"name": empty(len(parcels)), "manager": empty(len(parcels)),
         "hunting": np.array([h for _, h in parcels], dtype=object)},
        [p for p, _ in parcels], epsg,
    )  # fmt: skip
    shapes = [shapely.Point(h) if n % 2 else shapely.Point(h).buffer(7) for n, h in
              enumerate(homes)]  # fmt: skip
    dwellings = placed({"kind": empty(len(homes))}, shapes, epsg)
    n = len(shut)
    areas = placed({"reason": empty(n), "from": empty(n), "to": empty(n)}, shut, epsg)
    law = law_of("dwelling", limit_m)
    drawn = setback_polygons(law, dwellings=dwellings, roads=None, crs=crs)
    ground = huntable_ground(land, drawn, areas, error_m=error_m)
    assert ground["area_m2"].sum() <= land[land["hunting"] == "open"].union_all().area + 1e-6
    rng = np.random.default_rng(seed)
    at = rng.uniform(-500, 1100, (400, 2)) + GRIDS[epsg]
    at = at[shapely.contains_xy(ground.union_all(), *at.T)]
    points = gpd.GeoDataFrame(
        {"id": np.array([f"X{k}" for k in range(len(at))], dtype=object)},
        geometry=shapely.points(at),
        crs=crs,
    )
    told = PositionErrors(error_m, error_m, 0, 0, 0, 0, 0)
    table = setback_verdicts(
        points, law, dwellings=dwellings, roads=None, terms=Terms(told, frozenset({"dwellings"}))
    )
    assert set(table.loc[table["target"] == "dwelling", "verdict"]) <= {"clear"}
    # A hair less than the error: the drawn edge itself lies on it.
    hair = max(error_m - 1e-3, 0.0)
    assert set(ground_ownership(points, land, error_m=hair)) <= {"public"}
    assert set(hunting_status(points, land, error_m=hair)) <= {"open"}
    assert closure_reasons(points, areas, error_m=hair).isna().all()


@checked
@given(
    st.lists(st.tuples(boxes, st.sampled_from(["open", "closed"])), min_size=1, max_size=4),
    st.lists(spots, min_size=1, max_size=20),
    st.floats(0, 50),
    st.floats(0, 50),
)
def test_a_larger_error_never_makes_ground_public_open_or_unclosed(parcels, at, error, more):
    epsg = 26918
    none = np.array([None] * len(parcels), dtype=object)
    land = placed(
        {"name": none, "manager": none, "hunting": np.array([h for _, h in parcels], dtype=object)},
        [p for p, _ in parcels],
        epsg,
    )
    shut = placed({"reason": none, "from": none, "to": none}, [p for p, _ in parcels], epsg)
    ids = np.array([f"X{n}" for n in range(len(at))], dtype=object)
    points = placed({"id": ids}, shapely.points(at), epsg)
    fine, coarse = error, error + more
    for answer, good in ((ground_ownership, "public"), (hunting_status, "open")):
        few = answer(points, land, error_m=coarse) == good
        many = answer(points, land, error_m=fine) == good
        assert not (few & ~many).any()
    assert not (
        closure_reasons(points, shut, error_m=coarse).isna()
        & closure_reasons(points, shut, error_m=fine).notna()
    ).any()
