"""The timber layout: the stack in the trees downwind (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from sitegeo.spreads import layouts
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.place import place_spread
from sitegeo.spreads.result import Spread
from sitegeo.units import YARD_M, yd

HIDE = HideFrame(0.0, 0.0, 0.0)
TREES = box(yd(-80), yd(-80), yd(80), yd(80))
ROUND = {
    "26 across": Point(0, yd(16)).buffer(yd(13)),
    "22 across": Point(0, yd(15)).buffer(yd(11)),
    "long": affinity.scale(Point(0, yd(17)).buffer(yd(12)), 1.6, 1.0),
    "crooked": Point(0, yd(16)).buffer(yd(12)).union(Point(yd(12), yd(22)).buffer(yd(8))),
}


def laid(
    phi: float, opening: shapely.Geometry, *, decoys: int = 24, width_yd: float = 24
) -> Spread:
    layout = layouts.draw_layout("timber", phi, decoys=decoys, opening_m=yd(width_yd))
    flooded = TREES.difference(opening)
    return place_spread(layout, HIDE, water=opening, flooded=flooded, decoys=decoys)


def toward(phi: float) -> np.ndarray:
    return np.array([np.sin(np.radians(phi)), np.cos(np.radians(phi))])


@pytest.mark.parametrize("opening", sorted(ROUND))
@pytest.mark.parametrize("hand", [1, -1])
def test_the_stack_lies_downwind_among_the_trees(opening, hand):
    refused = 0
    for theta in range(90, 181, 5):
        phi = hand * theta
        spread = laid(phi, ROUND[opening])
        if spread.refused:
            refused += 1
            continue
        assert 15 <= np.hypot(*spread.pocket_centre) / YARD_M <= 20
        stack = next(g for g in spread.groups if g.kind == "mass").polygon
        away = np.array(stack.centroid.coords[0]) - spread.pocket_centre
        assert away @ toward(phi) < 0
        assert stack.difference(ROUND[opening]).area >= 0.6 * stack.area
        assert np.hypot(*spread.decoys.T).min() >= yd(5)
        inside = shapely.contains_xy(spread.pocket, spread.decoys)
        assert {g for g, i in zip(spread.decoy_groups, inside, strict=True) if i} == {"focus"}
        assert spread.decoy_groups.count("focus") == 2
    assert refused == 0


def test_the_jerk_line_runs_through_the_focus_to_the_upwind_end():
    spread = laid(150, ROUND["26 across"])
    start, end = spread.jerk_line
    run = (end - start) / np.hypot(*(end - start))
    assert run == pytest.approx(toward(150))
    assert ROUND["26 across"].exterior.distance(Point(end)) < 0.5
    off = spread.focus - start
    assert off @ np.array([-run[1], run[0]]) == pytest.approx(0, abs=0.05)
    assert spread.pocket.contains(Point(spread.motion[0])), "in the pocket at first light"
    assert any("trunk" in note for note in spread.notes)


def test_the_pocket_is_no_wider_than_three_tenths_of_the_opening():
    for width in (14.0, 18.0, 24.0):
        pocket = layouts.draw_layout("timber", 150, decoys=24, opening_m=yd(width)).pocket
        radius = np.sqrt(pocket.area / np.pi) / YARD_M
        assert radius == pytest.approx(min(6.0, 0.3 * width), rel=0.01)


def test_refused_with_the_hide_at_the_downwind_end():
    for phi in (0, 10, -20):
        assert "downwind end" in (laid(phi, ROUND["26 across"]).refused or "")


def test_refused_without_flooded_trees_or_with_the_opening_running_on():
    layout = layouts.draw_layout("timber", 150, decoys=24)
    for flooded in (None, Polygon()):
        spread = place_spread(layout, HIDE, water=ROUND["long"], flooded=flooded, decoys=24)
        assert "flooded trees" in (spread.refused or "")
    assert "runs on" in (laid(180, box(yd(-12), yd(3), yd(12), yd(70))).refused or "")


THIN = Point(0, yd(16)).buffer(yd(13), quad_segs=64)
PATCHY = {
    "slanting edge": affinity.rotate(affinity.scale(THIN, 1.0, 2.0), 40, origin=(0, yd(16))),
    "thin belt": THIN,
    **ROUND,
}


@pytest.mark.parametrize("opening", sorted(PATCHY))
def test_whether_trees_stand_there_does_not_hang_on_the_count(opening):
    """Refused for any number of decoys or for none; the surplus stays in the bag."""
    water = PATCHY[opening]
    flooded = water.buffer(yd(4)).difference(water) if opening == "thin belt" else None
    for phi in (80, 100, 120, 150, 180, -95, -140):
        told, placed = set(), []
        for decoys in (4, 6, 8, 12, 18, 24, 36, 48, 60, 120):
            layout = layouts.draw_layout("timber", phi, decoys=decoys, opening_m=yd(24))
            trees = TREES.difference(water) if flooded is None else flooded
            spread = place_spread(layout, HIDE, water=water, flooded=trees, decoys=decoys)
            told.add(spread.refused)
            placed.append(len(spread.decoys))
            assert len(spread.decoys) + spread.left == decoys
            if decoys > 60 and not spread.refused:
                assert 12 < len(spread.decoys) <= 60, "a few dozen at the most"
                assert any("stay in the bag" in note for note in spread.notes)
        assert len(told) == 1, (phi, told)
        assert placed == sorted(placed)


@pytest.mark.parametrize("opening", sorted(PATCHY))
@pytest.mark.parametrize("hand", [1, -1])
def test_no_stack_about_the_guns(opening, hand):
    """The hide sits at the upwind end or on the flank; nothing of the stack within 10 yd of it."""
    for theta in range(0, 181, 5):
        spread = laid(hand * theta, PATCHY[opening])
        if theta < 75:
            assert "downwind end" in (spread.refused or "")
        if not spread.refused:
            stack = next(g for g in spread.groups if g.kind == "mass").polygon
            assert stack.distance(Point(0, 0)) >= yd(10) - 1e-6


@pytest.mark.parametrize("decoys", [6, 24, 60])
def test_a_turning_wind_slides_the_stack_round_the_edge(decoys):
    """No part moves more than 1.5 yd for a degree of wind."""
    before = None
    for phi in range(-180, 181, 2):
        spread = laid(phi, ROUND["26 across"], decoys=decoys)
        if spread.refused:
            before = None
            continue
        now = np.array(spread.groups[0].polygon.centroid.coords[0])
        assert before is None or np.hypot(*(now - before)) <= 1.5 * 2 * YARD_M, phi
        before = now


@settings(max_examples=20, deadline=None)
@given(phi=st.floats(60, 179), turn=st.floats(0, 360))
def test_turning_the_world_turns_the_stack(phi, turn):
    frame = HideFrame(4e5, 4e6, turn)
    opening = ROUND["crooked"]
    layout = layouts.draw_layout("timber", phi, decoys=24, opening_m=yd(24))
    here = laid(phi, opening)
    there = place_spread(
        layout,
        frame,
        water=frame.to_world(opening),
        flooded=frame.to_world(TREES.difference(opening)),
        decoys=24,
    )
    assert (here.refused is None) == (there.refused is None)
    assert frame.to_local(there.jerk_line) == pytest.approx(here.jerk_line, abs=1e-4)
    assert frame.to_local(there.decoys) == pytest.approx(here.decoys, abs=1e-4)
