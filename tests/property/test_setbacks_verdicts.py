"""What must hold of setback verdicts whatever the map: they never err in the permissive way."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from sitegeo.law import features
from sitegeo.law.context import PositionErrors, Terms
from sitegeo.law.examples import example_laws, strictest_law
from sitegeo.law.geodesic import nearest_features
from sitegeo.law.rules import RULE_TARGETS, DistanceRule, Law
from sitegeo.law.setbacks import setback_verdicts

# The middle and the edge of a UTM zone, two grids that are not conformal, one in the south.
GRIDS = {26918: (400e3, 4300e3), 32633: (790e3, 5400e3), 3857: (8e5, 6e6), 3035: (46e5, 28e5),
         2193: (16e5, 54e5)}  # fmt: skip
ORDER = {"inside": 0, "close": 1, "not checked": 1, "clear": 2}
SHIPPED = example_laws()

checked = settings(max_examples=40, deadline=None, derandomize=True)

metres = st.floats(-600, 600).map(lambda v: round(v, 2))
spots = st.tuples(metres, metres)
limits = st.floats(0, 400).map(lambda v: round(v, 2))
errors_m = st.floats(0, 60).map(lambda v: round(v, 2))
kinds = st.sampled_from([None, "yes", "house", "barn", "garage", "school", "chapel", "shed;house"])
classes = st.sampled_from([None, "residential", "motorway", "track", "path", "odd"])
surfaces = st.sampled_from([None, "asphalt", "gravel"])
widths = st.sampled_from([np.nan, 3.0, 7.5, 40.0])


@st.composite
def houses(draw, epsg, least=0):
    shapes, kind = [], []
    for _ in range(draw(st.integers(least, 6))):
        spot = shapely.Point(draw(spots))
        size = draw(st.sampled_from([0.0, 4.0, 9.0]))
        shapes.append(shapely.box(*spot.buffer(size).bounds) if size else spot)
        kind.append(draw(kinds))
    return placed({"kind": np.array(kind, dtype=object)}, shapes, epsg)


@st.composite
def roads(draw, epsg, least=0):
    number = draw(st.integers(least, 4))
    shapes = [
        shapely.LineString(draw(st.lists(spots, min_size=2, max_size=4, unique=True)))
        for _ in range(number)
    ]
    columns = {"class": classes, "surface": surfaces}
    data = {
        name: np.array([draw(values) for _ in range(number)], dtype=object)
        for name, values in columns.items()
    }
    data["width_m"] = np.array([draw(widths) for _ in range(number)], dtype=float)
    return placed(data, shapes, epsg)


@st.composite
def laws(draw):
    rules = []
    for n in range(draw(st.integers(1, 4))):
        target = draw(st.sampled_from(RULE_TARGETS))
        road = target == "road"
        lines = ["centreline", "pavement edge", "right-of-way"] if road else ["wall", "grounds"]
        ground = ["any", "private land", "paved road"][: 3 if road else 2]
        given_ = {
            "id": f"r{n}", "citation": "Code", "target": target, "limit": draw(limits),
            "unit": "m", "measured_from": draw(st.sampled_from(lines)),
            "applies_on": draw(st.sampled_from(ground)),
            "geometry": draw(st.sampled_from(["disc", "sector"])),
            "weapon": draw(st.sampled_from(["firearm", "bow"])),
        }  # fmt: skip
        rules.append(DistanceRule.model_validate(given_))
    return Law(title="t", place="p", read_on=date(2026, 1, 1), distance=tuple(rules))


@st.composite
def scenes(draw, least=0):
    epsg = draw(st.sampled_from(sorted(GRIDS)))
    at = draw(st.lists(spots, min_size=1, max_size=5))
    ids = np.array([f"X{n}" for n in range(len(at))], dtype=object)
    points = placed({"id": ids}, shapely.points(at), epsg)
    return points, draw(houses(epsg, least)), draw(roads(epsg, least))


def placed(data, shapes, epsg):
    moved = shapely.transform(np.array(shapes, dtype=object), lambda c: c + GRIDS[epsg])
    return gpd.GeoDataFrame(data, geometry=moved, crs=epsg)


def judge(scene, law, error=None, complete=()):
    points, dwellings, ways = scene
    told = PositionErrors() if error is None else PositionErrors(error, error, 0, 0, 0, 0, 0)
    return setback_verdicts(
        points, law, dwellings=dwellings, roads=ways, terms=Terms(told, frozenset(complete))
    )


def ranks(table):
    return table["verdict"].map(ORDER).to_numpy()


def scaled(law, more_m):
    rules = [r.model_copy(update={"limit": r.limit + more_m}) for r in law.distance]
    return law.model_copy(update={"distance": tuple(rules)})


def brute_force_m(point, shape, crs, step_m):
    """Least geodesic from a point to a shape's outline walked in short steps."""
    if shapely.covers(shape, point):
        return 0.0
    outline = shape.boundary if shape.geom_type == "Polygon" else shape
    walked = shapely.get_coordinates(shapely.segmentize(outline, step_m))
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_degrees.transform(*walked.T)
    here = to_degrees.transform(point.x, point.y)
    there = np.full_like(lon, here[0]), np.full_like(lat, here[1])
    return crs.get_geod().inv(*there, lon, lat)[2].min()


@checked
@given(scenes(), laws(), limits)
def test_a_larger_setback_never_clears_more(scene, law, more_m):
    assert (ranks(judge(scene, scaled(law, more_m))) <= ranks(judge(scene, law))).all()


@checked
@given(scenes(), laws(), errors_m, errors_m)
def test_a_coarser_layer_never_clears_more(scene, law, error, more):
    fine, coarse = judge(scene, law, error), judge(scene, law, error + more)
    assert (ranks(coarse) <= ranks(fine)).all()
    assert ((coarse["verdict"] == "inside") == (fine["verdict"] == "inside")).all()


@checked
@given(scenes(), laws(), st.sampled_from([(), ("dwellings", "roads")]))
def test_a_missing_layer_never_clears_anything(scene, law, complete):
    points, dwellings, ways = scene
    for gone in ((points, None, ways), (points, dwellings, None)):
        table = judge(gone, law, complete=complete)
        absent = "dwelling" if gone[1] is None else "road"
        assert set(table.loc[table["target"] == absent, "verdict"]) == {"not checked"}
        there = table[table["target"] != absent].reset_index(drop=True)
        full = judge(scene, law, complete=complete)
        assert there.equals(full[full["target"] != absent].reset_index(drop=True))


@checked
@given(scenes(least=1), laws(), st.data())
def test_another_feature_never_clears_more(scene, law, data):
    points, dwellings, ways = scene
    fewer = points, dwellings.iloc[1:], ways.iloc[1:]
    more, less = judge(scene, law), judge(fewer, law)
    # From a layer with nothing in it to one with something, not checked may become clear.
    held = (less["verdict"] != "not checked").to_numpy()
    assert (ranks(more)[held] <= ranks(less)[held]).all()


@checked
@given(scenes(), laws(), laws())
def test_another_rule_never_clears_more(scene, law, other):
    more = [r.model_copy(update={"id": f"other {r.id}"}) for r in other.distance]
    both = law.model_copy(update={"distance": (*law.distance, *more)})
    before, after = judge(scene, law), judge(scene, both)
    held = (before["verdict"] != "not checked").to_numpy()
    assert (ranks(after)[held] <= ranks(before)[held]).all()


@checked
@given(scenes(), st.integers(0, len(SHIPPED) - 1))
def test_the_strictest_law_is_at_least_as_strict_as_any(scene, which):
    one, all_ = judge(scene, SHIPPED[which]), judge(scene, strictest_law(SHIPPED))
    held = (one["verdict"] != "not checked").to_numpy()
    assert (ranks(all_)[held] <= ranks(one)[held]).all()


@checked
@given(
    st.sampled_from(sorted(GRIDS)),
    st.lists(spots, min_size=1, max_size=5),
    spots,
    st.floats(4, 31.5),
    st.floats(4, 23.5),
    st.floats(0, 180),
    st.sampled_from([None, "yes", "house", "shed;house"]),
    limits,
)
def test_a_point_for_a_house_never_clears_more_than_its_footprint(
    epsg, at, spot, length, width, turn, kind, limit
):
    """Houses up to a large one of 32 m by 24 m, the point in their middle."""
    box = shapely.affinity.rotate(shapely.box(0, 0, length, width), turn)
    box = shapely.affinity.translate(box, *spot)
    shapes = [box, box.centroid]
    points = placed({"id": np.array([f"X{n}" for n in range(len(at))], dtype=object)},
                    shapely.points(at), epsg)  # fmt: skip
    frames = [placed({"kind": np.array([kind], dtype=object)}, [s], epsg) for s in shapes]
    rule = DistanceRule(id="r", citation="C", target="dwelling", limit=limit, unit="m",
                        measured_from="wall")  # fmt: skip
    law = Law(title="t", place="p", read_on=date(2026, 1, 1), distance=(rule,))
    footprint, point = (judge((points, f, None), law) for f in frames)
    assert (ranks(point) <= ranks(footprint)).all()


@checked
@given(scenes(least=1))
def test_no_distance_is_longer_than_one_found_by_walking_every_outline(scene):
    points, dwellings, ways = scene
    for layer in (dwellings, ways):
        shapes, crs = layer.geometry.to_numpy(), CRS(layer.crs)
        found = nearest_features(points.geometry.to_numpy(), shapes, np.zeros(len(shapes)), crs=crs)
        for point, distance in zip(points.geometry, found.distance_m, strict=True):
            walked = min(brute_force_m(point, shape, crs, 2.0) for shape in shapes)
            assert distance <= walked + 1e-6
            # Shortened by no more than the grid's own distortion, 0.7 % at worst here.
            assert distance >= 0.993 * walked - 2.0


@checked
@given(scenes(least=1), laws())
def test_offsets_are_taken_off_the_feature_that_is_then_nearest(scene, law):
    points, dwellings, ways = scene
    for layer, rules in ((dwellings, law.rules_for(features.BUILDING_TARGETS)),
                         (ways, law.rules_for(["road"]))):  # fmt: skip
        for rule in rules:
            shapes, offset = layer.geometry.to_numpy(), features.offset_m(layer, rule)
            got = nearest_features(points.geometry.to_numpy(), shapes, offset, crs=CRS(layer.crs))
            alone = [
                nearest_features(points.geometry.to_numpy(), shapes[n : n + 1], offset[n : n + 1],
                        crs=CRS(layer.crs)).distance_m
                for n in range(len(shapes))
            ]  # fmt: skip
            # One feature's grid is sampled over a smaller extent, which may distort less.
            assert got.distance_m == pytest.approx(np.min(alone, axis=0), rel=2e-5, abs=1e-3)


@checked
@given(scenes(), laws())
def test_the_same_input_gives_the_same_table_and_inputs_are_left_alone(scene, law):
    before = [f.copy() for f in scene]
    assert judge(scene, law).equals(judge(scene, law))
    for frame, copy in zip(scene, before, strict=True):
        assert frame.equals(copy)
