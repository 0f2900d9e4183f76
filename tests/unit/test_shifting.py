"""What to move when the wind turns: optimal against brute force, and said in plain words."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from sitegeo.spreads import layouts
from sitegeo.spreads.frame import Frame
from sitegeo.spreads.placing import place
from sitegeo.spreads.shifting import BAG, LIVE_WITH, STAY_M, Move, assign, shift
from sitegeo.units import yd

WATER = box(yd(-200), yd(1), yd(200), yd(200))


def worth(now, groups, then, to):
    """Groups touched, decoys moved, metres carried; -1 is the bag, beyond `now` out of it."""
    touched, moved, carried = set(), 0, 0.0
    for i, j in enumerate(to):
        if i >= len(now) or j < 0:
            touched.add(groups[i] if i < len(now) else BAG)
            moved += 1
        elif (way := np.hypot(*(now[i] - then[j]))) > STAY_M:
            touched.add(groups[i])
            moved += 1
            carried += way
    return len(touched), moved, carried


@settings(max_examples=80, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(1, 6), m=st.integers(0, 6))
def test_as_good_as_trying_every_way(seed, n, m):
    rng = np.random.default_rng(seed)
    now, then = rng.uniform(-20, 20, (n, 2)), rng.uniform(-20, 20, (m, 2))
    groups = [("mass", "second", "tail")[i] for i in rng.integers(0, 3, n)]
    spots = [*range(m), *[-1] * (n - m)]
    best = min(worth(now, groups, then, to) for to in permutations(spots))
    mine = worth(now, groups, then, assign(now, groups, then))
    assert mine[:2] == best[:2]
    assert mine[2] == pytest.approx(best[2], abs=1e-6)


def test_more_and_fewer_decoys_go_through_the_bag():
    now = np.array([[0.0, 10.0], [2.0, 10.0]])
    assert sorted(assign(now, ["mass"] * 2, now[:1])) == [-1, 0]
    assert len(assign(now[:1], ["mass"], now)) == 2


def turned(layout: str, phi: float, turn: float):
    spreads = [
        place(layouts.shape(layout, p, decoys=36), Frame(0, 0, 0), water=WATER, decoys=36)
        for p in (phi, phi + turn)
    ]
    now, then = spreads
    return shift(
        now.decoys, now.decoy_groups, then.decoys, then.decoy_groups, turn_deg=turn,
        refused=then.refused,
    )  # fmt: skip


@pytest.mark.parametrize("turn", [-19, -5, 0, 12, 19.9])
def test_nothing_moves_for_a_small_turn(turn):
    """Common practice, no source."""
    assert turned("bank-along", 80, turn).moves == ()


def test_a_wind_that_swings_to_the_other_hand_is_worth_moving_for():
    found = turned("bank-along", 80, -160)
    assert found.moves
    assert found.served < LIVE_WITH
    assert sum(m.count for m in found.moves) == round(36 * (1 - found.served))
    assert any("nload" in c for c in found.cautions)
    assert any("depth" in c for c in found.cautions)


def test_little_to_gain_is_said():
    found = turned("bank-off", 165, 30)
    assert "Live with it" in found.verdict
    assert found.moves == ()


@pytest.mark.parametrize("layout", ["bank-off", "open-behind", "pair"])
@pytest.mark.parametrize("phi", [150, 165, 170])
def test_where_the_wind_crosses_from_behind_only_names_change(layout, phi):
    """Mass and second stand for each other there: no decoy is carried for a name."""
    found = turned(layout, phi, 2 * (180 - phi))
    assert found.moves == ()
    assert found.served > 0.9


def test_a_group_is_called_what_it_is_on_the_card():
    """The new mass grows where the second group lies, and is spoken of as the second group."""
    now = np.array([[-12.0, 6], [-10, 6], [-8, 6], [12, 6], [10, 6], [8, 20]])
    then = np.array([[-12.0, 6], [-10, 6], [-8, 6], [12, 6], [10, 6], [-9, 14]])
    old, new = ["second"] * 3 + ["mass"] * 3, ["mass"] * 3 + ["second"] * 2 + ["mass"]
    found = shift(now[:, :], old, then, new, turn_deg=40)
    assert not found.moves  # one of six: live with it
    found = shift(now[2:], old[2:], then[2:], new[2:], turn_deg=40)
    assert [(m.source, m.target) for m in found.moves] == [("mass", "second")]


def test_no_spread_for_the_new_wind_is_said():
    nothing = np.empty((0, 2))
    found = shift(np.ones((3, 2)), ["mass"] * 3, nothing, [], turn_deg=60, refused="no room")
    assert "no room" in found.verdict
    assert found.moves == ()


def test_words():
    move = Move(8, "mass", "second", "the outer edge of", (yd(-13), yd(6)), 100.0)
    assert (
        move.words()
        == "eight from the outer edge of the mass to the left flank, 13 yd left, 6 yd out"
    )
    assert Move(3, "near", "near", "the left end of", (yd(4), yd(10)), 9.0).words() == (
        "three from the left end of the near group to its new place, 4 yd right, 10 yd out"
    )
    assert Move(14, "mass", "hook", "all of", (0.5, yd(28)), 9.0).words() == (
        "14 from all of the mass to the hook, 28 yd out"
    )
