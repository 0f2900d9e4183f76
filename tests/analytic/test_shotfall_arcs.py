"""The circle of fire to the degree and the metre: which directions close, how far, and why."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from sitegeo.law.shot_range import (
    _DIRECTIONS,
    TAIL_WIND_SHARE,
    ClosedArc,
    ShotFall,
    _arcs,
    _between,
    closed_sectors,
    fall_range_m,
    read_load,
    shot_fall,
    side_words,
)
from sitegeo.units import yd

UTM, MERCATOR = CRS.from_epsg(32617), CRS.from_epsg(3857)
FAR = CRS.from_proj4("+proj=tmerc +lon_0=-86 +ellps=WGS84 +units=m")
HOME = {UTM: (-78.83, 37.93), MERCATOR: (24.0, 60.0)}
LOAD = read_load("steel 2")
GEOD = Geod(ellps="WGS84")


def away(crs, distance_m, bearing_deg, home=None):
    lon, lat, _ = GEOD.fwd(*(home or HOME[crs]), bearing_deg, distance_m)
    return shapely.Point(Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat))


def fall(shapes, *, crs=UTM, facing=0.0, error=0.0, gust=0.0, wind=0.0, **columns):
    columns = columns or {"kind": ["house"] * len(shapes)}
    layer = gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)
    return shot_fall(
        away(crs, 0.0, 0.0),
        facing,
        crs=crs,
        load=LOAD,
        wind_from_deg=wind,
        gust_mps=gust,
        guns_error_m=error,
        layers={"dwellings": layer},
    )


def small(point):
    return point.buffer(0.001)


# Convergence is 1.3° here and 19.9° in the grid far off: a true bearing is not a grid bearing.
@pytest.mark.parametrize(("crs", "home"), [(UTM, (-78.83, 37.93)), (FAR, (-65.0, 71.0))])
@pytest.mark.parametrize("bearing", [90, 358])
def test_a_spot_closes_the_scatter_about_it_widened_by_a_degree(crs, home, bearing) -> None:
    """Half a degree and 6° of scatter: six whole directions on each hand, and one more."""
    layer = gpd.GeoDataFrame({"kind": ["house"]}, geometry=[small(away(crs, 200.0, bearing, home))],
                             crs=crs)  # fmt: skip
    found = shot_fall(away(crs, 0.0, 0.0, home), 0.0, crs=crs, load=LOAD, wind_from_deg=0.0,
                      gust_mps=0.0, guns_error_m=0.0, layers={"dwellings": layer})  # fmt: skip
    (arc,) = found.closed
    assert (arc.from_deg, arc.to_deg) == ((bearing - 7) % 360, (bearing + 7) % 360)
    assert found.open_arcs == ((arc.to_deg, arc.from_deg),)


# Grid metres are half the true ones' size in Web Mercator at 60° north: 1 m there is 2 m drawn.
@pytest.mark.parametrize("crs", [UTM, MERCATOR], ids=["utm", "mercator"])
@pytest.mark.parametrize("error", [0.0, 100.0])
def test_the_reach_is_true_metres_in_any_grid(crs, error) -> None:
    reach = LOAD.range_m + error
    assert fall([small(away(crs, reach - 2.0, 90))], crs=crs, error=error).closed
    assert not fall([small(away(crs, reach + 8.0, 90))], crs=crs, error=error).closed


@pytest.mark.parametrize("bearing", [0, 70, 180, 290])
def test_a_tail_wind_lengthens_the_longest_shot_alone(bearing) -> None:
    """Journée's range and 15 % for a gust of 16 km/h, straight down the wind."""
    shots = np.array([bearing, bearing + 60, bearing + 90, bearing + 180], float)
    ranges = fall_range_m(LOAD, shots, wind_from_deg=bearing - 180.0, gust_mps=16 / 3.6)
    assert ranges / LOAD.range_m == pytest.approx([1.15, 1.075, 1.0, 1.0])
    gust = 16 / 3.6
    at = small(away(UTM, 1.14 * LOAD.range_m, bearing))
    found = fall([at], gust=gust, wind=(bearing + 180) % 360)
    assert found.longest_m == pytest.approx(1.15 * LOAD.range_m)
    assert found.closed
    assert not fall([at], gust=gust, wind=bearing).closed
    assert pytest.approx(0.15) == TAIL_WIND_SHARE * gust


@pytest.mark.parametrize("tail_deg", [0.0, 100.0, 350.0])
def test_the_gust_may_come_from_anywhere_in_the_winds_spread(tail_deg) -> None:
    """Two standard deviations of 15°: the whole tail wind to 30° off, and the cosine beyond."""
    shots = tail_deg + np.array([0.0, 29.9, -30.0, 90.0, -90.0, 119.0, 121.0, 180.0])
    ranges = fall_range_m(
        LOAD, shots, wind_from_deg=(tail_deg + 180) % 360, gust_mps=16 / 3.6, spread_deg=15.0
    )
    more = [0.15, 0.15, 0.15, 0.075, 0.075, 0.15 * np.cos(np.deg2rad(89)), 0.0, 0.0]
    assert ranges / LOAD.range_m - 1 == pytest.approx(more, abs=1e-9)
    at = [small(away(UTM, 1.11 * LOAD.range_m, tail_deg + 60))]
    layer = gpd.GeoDataFrame({"kind": ["house"]}, geometry=at, crs=UTM)
    told = {"crs": UTM, "load": LOAD, "wind_from_deg": (tail_deg + 180) % 360}
    told |= {"gust_mps": 16 / 3.6, "guns_error_m": 0.0, "layers": {"dwellings": layer}}
    hide = away(UTM, 0.0, 0.0)
    assert not shot_fall(hide, 0.0, **told).closed
    assert shot_fall(hide, 0.0, **told, spread_deg=15.0).closed


def test_a_very_wide_road_is_not_passed_over_for_its_line_being_far() -> None:
    at = away(UTM, LOAD.range_m + 290.0, 90)
    line = shapely.LineString([(at.x, at.y - 5), (at.x, at.y + 5)])
    for width_m, shut in ((600.0, True), (560.0, False)):
        found = fall([line], **{"class": ["primary"], "width_m": [width_m]})
        assert bool(found.closed) == shut


def closed_toward(bearings, reason="roads", facing=0.0):
    return _arcs({b % _DIRECTIONS: {reason} for b in bearings}, facing)


def test_directions_join_into_arcs_each_a_degree_wider() -> None:
    reasons = {350: {"roads"}, 351: {"dwellings"}, 10: {"roads"}, 359: {"roads"}, 0: {"way in"}}
    assert _arcs(reasons, 350.0) == (
        ClosedArc(9.0, 11.0, "roads", "front"),
        ClosedArc(349.0, 352.0, "dwellings, roads", "front"),
        ClosedArc(358.0, 1.0, "roads, way in", "front"),
    )
    assert _arcs({}, 0.0) == ()


@pytest.mark.parametrize(
    ("missing", "arcs"),
    [
        ((), [(0.0, 360.0)]),
        ((10,), [(0.0, 360.0)]),  # one direction left, which the widening takes
        ((10, 11), [(11.0, 10.0)]),
        ((0, 1, 2), [(2.0, 0.0)]),
        ((0, 180), [(180.0, 0.0), (0.0, 180.0)]),
    ],
)
def test_what_is_left_when_nearly_all_is_closed(missing, arcs) -> None:
    closed = closed_toward(set(range(_DIRECTIONS)) - set(missing))
    assert sorted((a.from_deg, a.to_deg) for a in closed) == sorted(arcs)
    left = _between(closed)
    assert left == {(10, 11): ((10.0, 11.0),), (0, 1, 2): ((0.0, 2.0),)}.get(missing, ())


# The limits themselves are front and rear.
@pytest.mark.parametrize(
    ("bearings", "side"),
    [
        ((60,), "front"),
        ((61,), "side"),
        ((119,), "side"),
        ((120,), "rear"),
        ((240,), "rear"),
        ((300,), "front"),
        ((60, 61), "front, side"),
        ((359, 0, 1), "front"),
        (range(55, 126), "front, side, rear"),
    ],
)
def test_which_side_a_direction_is_on(bearings, side) -> None:
    assert closed_toward(bearings)[0].side == side
    turned = closed_toward([b + 77 for b in bearings], facing=77.0)
    assert turned[0].side == side


def told(*closed, not_checked=()):
    fall = ShotFall(LOAD, LOAD.range_m, closed, _between(closed), not_checked)
    return tuple(side_words(fall, 0.0).values())


def test_how_much_is_closed_in_words() -> None:
    """121 of the 360 directions are to the front, 121 to the rear, counting both ends."""
    nothing = "nothing mapped in reach"
    assert told() == (nothing,) * 3
    assert told(ClosedArc(60.0, 60.0, "roads", "front")) == (
        *("no fire in 1% of it", "no fire in 0% of it", nothing),
    )
    assert told(ClosedArc(120.0, 120.0, "roads", "rear"))[0::2] == (nothing, "no fire in 1% of it")
    assert told(ClosedArc(350.0, 25.0, "roads", "front")) == (
        *("no fire in 30% of it", "no fire in 10% of it", nothing),
    )
    assert told(ClosedArc(300.0, 60.0, "roads", "front"))[0::2] == ("no fire", nothing)
    assert told(ClosedArc(0.0, 360.0, "roads", "all round")) == ("no fire",) * 3
    assert told(not_checked=("roads",)) == ("not checked",) * 3


def test_sectors_are_drawn_from_the_hide_to_the_longest_shot() -> None:
    hide = shapely.Point(1000.0, 2000.0)
    arcs = (
        *(ClosedArc(75.0, 95.0, "roads", "side"), ClosedArc(350.0, 351.0, "roads", "front")),
        ClosedArc(0.0, 360.0, "roads", "all round"),
    )
    fall = ShotFall(LOAD, 300.0, arcs, (), ())
    for (arc, shape), count in zip(closed_sectors(fall, hide, 5.0), (23, 5, 362), strict=True):
        xy = shapely.get_coordinates(shape)
        east, north = (xy - (hide.x, hide.y)).T
        far = np.hypot(east, north) > 1.0
        assert len(xy) == count
        assert np.hypot(east, north)[far] == pytest.approx(300.0)
        assert (~far).sum() == (0 if count == 362 else 2)
        # Grid bearing is true bearing less the convergence.
        bearing = np.rad2deg(np.arctan2(east[far], north[far])) % 360
        assert bearing[0] == pytest.approx((arc.from_deg - 5.0) % 360)
        assert bearing[-1] == pytest.approx((arc.to_deg - 5.0) % 360)


# 2200 yards per inch, D = (17 - size) / 100 inch; values of the rule for lead, in yards.
@pytest.mark.parametrize(
    ("size", "yards"),
    [
        *(("9", 176), ("8", 198), ("6", 242), ("5", 264), ("4", 286), ("3", 308), ("2", 330)),
        *(("1", 352), ("BB", 396), ("bbb", 418)),
    ],
)
def test_journee_by_size(size, yards) -> None:
    assert read_load(f"steel {size}").range_m == pytest.approx(yd(yards))
    assert read_load(f"tungsten #{size}").range_m == pytest.approx(yd(yards) * 18.2 / 11.34)


# A magazine's answer, at sea level: number 2 some 305 m, BB 360 m (weak); lead of the same size.
@pytest.mark.parametrize(("size", "metres"), [("2", 305.0), ("BB", 360.0)])
def test_journee_agrees_with_another_source(size, metres) -> None:
    assert read_load(f"steel {size}").range_m == pytest.approx(metres, rel=0.015)
