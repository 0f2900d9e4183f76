"""The fall of shot: Journée's rule, and arcs of no fire about a hide."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from sitegeo.angles import signed_diff_deg
from sitegeo.errors import UsageError
from sitegeo.law.shotfall import ClosedArc, Load, fall_range_m, read_load, sectors, shot_fall

UTM = CRS.from_epsg(32617)
HIDE = shapely.Point(690_000.0, 4_200_000.0)


def houses(*shapes) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"kind": ["house"] * len(shapes)}, geometry=list(shapes), crs=UTM)


def away(distance_m: float, bearing_true: float) -> shapely.Point:
    """A point by geodesic distance and true bearing from the hide."""
    to_degrees = Transformer.from_crs(UTM, 4326, always_xy=True)
    lon, lat = to_degrees.transform(HIDE.x, HIDE.y)
    lon, lat, _ = Geod(ellps="WGS84").fwd(lon, lat, bearing_true, distance_m)
    return shapely.Point(to_degrees.transform(lon, lat, direction="INVERSE"))


def fall(layers, *, load: Load | None = None, gust: float = 0.0, wind: float = 0.0, **more):
    return shot_fall(
        HIDE,
        more.pop("facing", 0.0),
        crs=UTM,
        load=load or read_load("steel 2"),
        wind_from_deg=wind,
        gust_mps=gust,
        guns_error_m=more.pop("error", 0.0),
        layers=layers,
        **more,
    )


def within(arc: ClosedArc, bearing: float) -> bool:
    return (bearing - arc.from_deg) % 360 <= (arc.to_deg - arc.from_deg) % 360 or arc.to_deg == 360


# Journée, 2200 yd per inch; values computed in a reprint's terms for lead of the same size.
@pytest.mark.parametrize(
    ("load", "metres"),
    [
        ("steel 8", 181.1),
        ("steel 6", 221.3),
        ("steel 4", 261.5),
        ("steel 2", 301.8),
        ("steel BB", 362.1),
    ],
)
def test_journee(load: str, metres: float) -> None:
    assert read_load(load).range_m == pytest.approx(metres, abs=0.06)


def test_denser_shot_is_raised_and_lighter_never_lowered() -> None:
    steel, bismuth, tungsten = (
        read_load(f"{m} 4").range_m for m in ("steel", "bismuth", "tungsten")
    )
    assert steel == bismuth
    assert tungsten / steel == pytest.approx(18.2 / 11.34)


@pytest.mark.parametrize("text", ["lead 4", "steel", "steel 12", "4 steel", "steel 00"])
def test_other_loads_are_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_load(text)


def test_no_load_written_takes_a_large_one() -> None:
    assert read_load(None).name == "steel BB"


def test_tail_wind_lengthens_and_head_wind_never_shortens() -> None:
    load = read_load("steel 2")
    ranges = fall_range_m(load, np.array([180.0, 0.0, 90.0]), wind_from_deg=0.0, gust_mps=16 / 3.6)
    np.testing.assert_allclose(ranges / load.range_m, [1.15, 1.0, 1.0])


def test_a_house_closes_its_bearing_and_not_the_far_side() -> None:
    found = fall({"dwellings": houses(away(250, 120).buffer(6)), "roads": houses(away(2000, 0))})
    assert len(found.closed) == 1
    arc = found.closed[0]
    assert within(arc, 120)
    assert not within(arc, 300)
    assert arc.reason == "dwellings"
    assert arc.side == "side, rear"
    assert found.open_arcs == ((arc.to_deg, arc.from_deg),)


def test_a_house_known_as_a_point_has_a_size() -> None:
    reach = read_load("steel 2").range_m
    assert fall({"dwellings": houses(away(reach + 12, 90))}).closed
    assert not fall({"dwellings": houses(away(reach + 40, 90))}).closed


def test_a_road_has_a_width() -> None:
    at = away(330, 90)
    road = gpd.GeoDataFrame(
        {"class": ["primary"], "width_m": [60.0]},
        geometry=[shapely.LineString([(at.x, at.y - 300), (at.x, at.y + 300)])],
        crs=UTM,
    )
    found = fall({"roads": road})
    assert any(within(arc, 90) for arc in found.closed)
    assert fall({"roads": road.assign(width_m=4.0)}).closed == ()


def test_beyond_the_fall_nothing_is_closed() -> None:
    found = fall({"dwellings": houses(away(700, 120)), "roads": houses(away(800, 10))})
    assert found.closed == ()
    assert found.open_arcs == ((0.0, 360.0),)


def test_missing_layer_leaves_nothing_open() -> None:
    for layer in (None, houses()):
        found = fall({"dwellings": layer, "roads": houses(away(2000, 0))})
        assert found.not_checked == ("dwellings",)
        assert found.open_arcs == ()


def test_empty_layer_known_to_be_complete_is_checked() -> None:
    found = fall({"dwellings": houses()}, complete=frozenset({"dwellings"}))
    assert found.not_checked == ()
    assert found.open_arcs == ((0.0, 360.0),)


def test_arc_across_north() -> None:
    found = fall({"dwellings": houses(away(100, 0).buffer(5))})
    arc = found.closed[0]
    assert arc.from_deg > 300
    assert arc.to_deg < 60
    assert arc.side == "front"


def test_house_at_the_hide_closes_the_circle() -> None:
    found = fall({"dwellings": houses(HIDE.buffer(3))})
    assert found.closed[0].side == "all round"
    assert found.open_arcs == ()


@settings(max_examples=60, deadline=None)
@given(
    distance=st.floats(5, 420),
    bearing=st.floats(0, 359.9),
    gust=st.floats(0, 20),
    wind=st.floats(0, 359.9),
    error=st.floats(0, 40),
)
def test_never_open_toward_what_the_load_can_reach(distance, bearing, gust, wind, error) -> None:
    load = read_load("steel BB")
    found = fall(
        {"dwellings": houses(away(distance, bearing))}, load=load, gust=gust, wind=wind, error=error
    )
    reach = float(fall_range_m(load, np.array([bearing]), wind_from_deg=wind, gust_mps=gust)[0])
    if distance <= reach:
        assert any(within(arc, bearing) for arc in found.closed)
    for start, stop in found.open_arcs:
        middle = (start + ((stop - start) % 360 or 360) / 2) % 360
        if distance <= reach:
            assert abs(signed_diff_deg(middle, bearing)) > 0.5


@settings(max_examples=30, deadline=None)
@given(distance=st.floats(50, 400), bearing=st.floats(0, 359.9))
def test_more_error_never_opens(distance, bearing) -> None:
    layer = {"dwellings": houses(away(distance, bearing))}
    few, many = fall(layer, error=2.0), fall(layer, error=25.0)
    widths = [sum((a.to_deg - a.from_deg) % 360 for a in f.closed) for f in (few, many)]
    assert widths[1] >= widths[0]


def test_sectors_point_the_right_way() -> None:
    found = fall({"dwellings": houses(away(200, 75).buffer(5))})
    from sitegeo.grid import convergence_deg

    ((_, shape),) = sectors(found, HIDE, convergence_deg(UTM, HIDE.x, HIDE.y))
    assert shape.contains(away(150, 75))
    assert not shape.contains(away(150, 255))
