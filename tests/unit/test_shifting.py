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
from sitegeo.spreads.shifting import LIVE_WITH, STAY_M, Move, assign, shift
from sitegeo.units import yd

WATER = box(yd(-200), yd(1), yd(200), yd(200))


def worth(now, groups, then, to):
    """Groups touched, decoys moved, metres carried."""
    way = np.hypot(*(now - then[list(to)]).T)
    moved = way > STAY_M
    return len({g for g, m in zip(groups, moved, strict=True) if m}), moved.sum(), way[moved].sum()


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(1, 6))
def test_as_good_as_trying_every_way(seed, n):
    rng = np.random.default_rng(seed)
    now, then = rng.uniform(-20, 20, (2, n, 2))
    groups = [("mass", "second", "tail")[i] for i in rng.integers(0, 3, n)]
    best = min(worth(now, groups, then, to) for to in permutations(range(n)))
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
    assert Move(14, "mass", "hook", "all of", (0.5, yd(28)), 9.0).words() == (
        "14 from all of the mass to the hook, 28 yd out"
    )
