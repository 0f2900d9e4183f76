"""The layouts against the trade's own numbers (common practice, no source)."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from sitegeo.spreads import layouts
from sitegeo.spreads.frame import HideFrame, wind_side
from sitegeo.spreads.layouts import Layout
from sitegeo.spreads.place import place_spread
from sitegeo.units import YARD_M, yd

NOMINAL = 48  # four dozen: the number the layouts are drawn for
BANK = box(yd(-200), yd(1), yd(200), yd(200))


def centre_yd(layout: Layout, name: str, nth: int = 0) -> tuple[float, float]:
    middle = layout.named(name)[nth].geometry.centroid
    return middle.x / YARD_M, middle.y / YARD_M


def bounds_yd(layout: Layout, name: str) -> np.ndarray:
    return np.array(layout.named(name)[0].geometry.bounds) / YARD_M


@pytest.mark.parametrize(
    ("facing", "local", "world"),
    [
        (0.0, (3.0, 10.0), (103.0, 210.0)),
        (90.0, (3.0, 10.0), (110.0, 197.0)),
        (180.0, (3.0, 10.0), (97.0, 190.0)),
        (270.0, (3.0, 10.0), (90.0, 203.0)),
    ],
)
def test_frame_looks_out_along_its_bearing(facing, local, world):
    frame = HideFrame(100.0, 200.0, facing)
    assert frame.to_world(np.array([local])) == pytest.approx(np.array([world]))
    assert frame.to_local(np.array([world])) == pytest.approx(np.array([local]))


@pytest.mark.parametrize(
    ("wind", "facing", "phi"), [(90, 0, 90), (270, 0, -90), (10, 350, 20), (180, 0, 180)]
)
def test_wind_from_the_right_is_positive(wind, facing, phi):
    assert HideFrame(0, 0, facing).phi_deg(wind) == pytest.approx(phi)


@pytest.mark.parametrize(
    ("theta", "side"),
    [(0, "onto"), (24, "onto"), (26, "quartering-on"), (64, "quartering-on"), (66, "along"),
     (99, "along"), (101, "quartering-off"), (149, "quartering-off"), (151, "off"), (180, "off")],
)  # fmt: skip
def test_wind_sides(theta, side):
    assert wind_side(theta) == wind_side(-theta) == side


def test_wind_in_the_face():
    layout = layouts.draw_layout("bank-onto", 0.0, decoys=NOMINAL)
    assert centre_yd(layout, "pocket") == pytest.approx((0, 18.5), abs=0.01)
    assert centre_yd(layout, "near") == pytest.approx((0, 10), abs=0.01)
    assert centre_yd(layout, "focus") == pytest.approx((0, 15), abs=0.01)
    reach = np.hypot(*np.array(layout.named("mass")[0].geometry.exterior.coords).T) / YARD_M
    assert reach.max() <= 35
    assert bounds_yd(layout, "mass")[3] == pytest.approx(34, abs=0.3)
    shares = {part.name: part.share for part in layout.parts if part.share}
    assert shares == pytest.approx({"mass": 0.70, "near": 0.25, "focus": 0.05})


@pytest.mark.parametrize("hand", [1, -1])
def test_wind_along_the_bank(hand):
    layout = layouts.draw_layout("bank-along", hand * 90.0, decoys=NOMINAL)
    assert centre_yd(layout, "pocket") == pytest.approx((0, 17), abs=0.01)
    left, low, right, high = bounds_yd(layout, "pocket")
    assert (right - left, high - low) == pytest.approx((18, 12), abs=0.05)
    assert centre_yd(layout, "second") == pytest.approx((-16 * hand, 7), abs=0.01)
    a, y = centre_yd(layout, "mass")
    # The kidney's ends reach back toward the pocket, so its centre sits a little inside 15.5.
    assert 12.5 < a * hand < 15.6
    assert y == pytest.approx(17, abs=0.05)
    # Lane open downwind: nothing between 10 and 26 out on the lee side.
    lee = layout.named("second")[0].geometry
    assert lee.bounds[3] < yd(10)
    assert centre_yd(layout, "motion") == pytest.approx((26 * hand, 4), abs=0.01)


def test_wind_from_behind():
    layout = layouts.draw_layout("bank-off", 180.0, decoys=NOMINAL)
    assert centre_yd(layout, "pocket") == pytest.approx((0, 18), abs=0.01)
    assert centre_yd(layout, "mass") == pytest.approx((12, 6), abs=0.05)
    assert centre_yd(layout, "second") == pytest.approx((-12, 6), abs=0.05)
    for name in ("mass", "second"):
        left, low, right, high = bounds_yd(layout, name)
        assert min(abs(left), abs(right)) >= 5.99, "the lane in front of the muzzles stays clear"
        assert (right - left, high - low) == pytest.approx((12, 8), abs=0.3)
    assert layout.named("mass")[0].share == pytest.approx(layout.named("second")[0].share)


@pytest.mark.parametrize("name", ["bank-off", "open-behind"])
@pytest.mark.parametrize("phi", [150, 165, 180, -170])
def test_the_mouth_is_clear_with_the_wind_behind(name, phi):
    """Sixty degrees either side of downwind of the pocket, out to 45 yd, holds no decoy."""
    layout = layouts.draw_layout(name, phi, decoys=36)
    spread = place_spread(layout, HideFrame(0, 0, 0), water=BANK, decoys=36)
    away = spread.decoys - spread.pocket_centre
    reach = np.hypot(*away.T)
    toward = np.degrees(np.arccos(np.clip(away @ -layout.upwind / reach, -1, 1)))
    other = np.array([group != "focus" for group in spread.decoy_groups])
    assert not (other & (toward < 60) & (np.hypot(*spread.decoys.T) < yd(45))).any()


def test_point():
    layout = layouts.draw_layout("point", 120.0, decoys=NOMINAL)
    assert centre_yd(layout, "pocket") == pytest.approx((-3 * math.sin(math.radians(120)), 17))
    a, y = centre_yd(layout, "front")
    assert abs(a - 2) < 1
    assert y == pytest.approx(27, abs=0.5)
    guard = layout.named("guard")[0]
    assert guard.geometry.centroid.x < yd(-12), "the guard is on the other side from the wind"
    assert guard.geometry.centroid.y < 0
    assert 0.10 <= layouts.draw_layout("point", 105, decoys=48).named("guard")[0].share <= 0.15
    tail = layout.named("tail")[0].geometry
    assert 15 <= tail.length / 2 / YARD_M <= 22
    assert tail.centroid.y > layout.named("front")[0].geometry.centroid.y


@pytest.mark.parametrize("name", sorted(layouts.LAYOUTS))
@pytest.mark.parametrize("phi", [20.0, 75.0, 115.0, 160.0])
def test_other_hand_is_the_mirror(name, phi):
    right = layouts.draw_layout(name, phi, decoys=36)
    left = layouts.draw_layout(name, -phi, decoys=36)
    assert [p.name for p in right.parts] == [p.name for p in left.parts]
    for a, b in zip(right.parts, left.parts, strict=True):
        assert a.share == b.share
        one, two = a.geometry.centroid, b.geometry.centroid
        assert (one.x, one.y) == pytest.approx((-two.x, two.y))


@pytest.mark.parametrize("name", ["bank-along", "open-behind", "point", "pair"])
def test_nothing_jumps_where_the_wind_crosses_from_behind(name):
    """At 180 the spread is its own mirror image, so either hand gives the same ground."""
    parts = layouts.draw_layout(name, 180.0, decoys=36).parts
    centres = {(round(p.geometry.centroid.x, 6), round(p.geometry.centroid.y, 6)) for p in parts}
    mirrored = {(-x + 0.0, y) for x, y in centres}
    for x, y in mirrored:
        assert min(math.hypot(x - p, y - q) for p, q in centres) < 0.01


@pytest.mark.parametrize("name", ["bank-along", "open-cross", "point", "pair"])
@pytest.mark.parametrize("decoys", [12, 36, 60, 96])
def test_parts_move_slowly_with_the_wind(name, decoys):
    """No centre moves more than 1.5 yd for a degree of wind on a straight bank."""
    step = 2.0
    before: dict[str, np.ndarray] = {}
    for theta in np.arange(0.0, 180.1, step):
        layout = layouts.draw_layout(name, theta, decoys=decoys)
        spread = place_spread(layout, HideFrame(0, 0, 0), water=BANK, decoys=decoys)
        assert spread.refused is None
        now = {"pocket": np.array(spread.pocket_centre)}
        for group in spread.groups:
            label = "second" if group.kind == "near" else group.kind  # one part, two names
            now[label] = np.array(group.polygon.centroid.coords[0])
        now["motion"] = spread.motion[0]
        for key in now.keys() & before.keys():
            moved = np.hypot(*(now[key] - before[key])) / YARD_M
            assert moved <= 1.5 * step, (key, theta)
        before = now


@pytest.mark.parametrize("name", ["bank-off", "open-behind", "point", "pair"])
def test_crossing_from_behind_leaves_the_ground_and_the_lone_motion_decoy(name):
    """A hair to either hand of 180 the same water is covered and the motion decoy stays."""
    right, left = (
        place_spread(
            layouts.draw_layout(name, phi, decoys=36), HideFrame(0, 0, 0), water=BANK, decoys=36
        )
        for phi in (179.9, -179.9)
    )
    assert np.hypot(*(right.motion - left.motion).T) < yd(0.5)
    one, two = (shapely.union_all([g.polygon for g in s.groups]) for s in (right, left))
    assert one.symmetric_difference(two).area < 0.05 * one.area


def test_body_grows_with_the_count():
    areas = [
        layouts.draw_layout("bank-along", 80, decoys=n).named("mass")[0].geometry.area
        for n in (12, 24, 36, 48)
    ]
    assert areas == sorted(areas)
    assert areas[-1] > 2 * areas[0]
