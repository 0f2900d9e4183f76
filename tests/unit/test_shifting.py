"""What to move when the wind turns: optimal against brute force, and said in plain words."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from sitegeo.spreads import layouts
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.moves import (
    BAG,
    HANDFUL,
    LIVE_WITH_SHARE,
    Move,
    assign_spots,
    choose_carried,
    may_stay,
    shift_spread,
)
from sitegeo.spreads.place import place_spread
from sitegeo.units import yd

POCKET = box(-5, 10, 5, 24)
WATER = box(yd(-200), yd(1), yd(200), yd(200))


def worth(now, groups, then, to, stays):
    """Groups touched, decoys moved, metres carried; -1 is the bag, beyond `now` out of it."""
    touched, moved, carried = set(), 0, 0.0
    for i, j in enumerate(to):
        if i >= len(now) or j < 0:
            touched.add(groups[i] if i < len(now) else BAG)
            moved += 1
        elif not stays[i, j]:
            touched.add(groups[i])
            moved += 1
            carried += np.hypot(*(now[i] - then[j]))
    return len(touched), moved, carried


@settings(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    n=st.integers(1, 6),
    m=st.integers(0, 6),
    apart=st.sampled_from([8.0, 20.0]),
    half=st.sampled_from([0.0, 6.0]),
)
def test_as_good_as_trying_every_way(seed, n, m, apart, half):
    """With and without a pocket to be emptied, with many that could stay and with few."""
    rng = np.random.default_rng(seed)
    now, then = rng.uniform(-apart, apart, (n, 2)), rng.uniform(-apart, apart, (m, 2))
    groups = [("mass", "second", "tail")[i] for i in rng.integers(0, 3, n)]
    new = [("mass", "focus")[i] for i in rng.integers(0, 2, m)]
    stays = may_stay(now, then, new, box(-half, -half, half, half))
    spots = [*range(m), *[-1] * (n - m)]
    best = min(worth(now, groups, then, to, stays) for to in permutations(spots))
    mine = worth(now, groups, then, assign_spots(now, groups, then, stays), stays)
    assert mine[:2] == best[:2]
    assert mine[2] == pytest.approx(best[2], abs=1e-6)


def test_who_may_stay():
    """Outside the pocket whoever is near; inside it what serves the focus, near or not."""
    now, then = np.array([(0.0, 12.0), (0.0, 30.0)]), np.array([(0.0, 11.0), (0.0, 20.0), (0, 31)])
    held = may_stay(now, then, ["mass", "focus", "mass"], POCKET)
    assert held.tolist() == [[False, True, False], [False, False, True]]
    open_water = may_stay(now, then, ["mass", "focus", "mass"])
    assert open_water.tolist() == [[True, False, False], [False, False, True]]


def lane(focus: int, others: int) -> tuple[np.ndarray, list[str]]:
    """A spread with its focus in the pocket below and the others well outside it."""
    spots = [(x, 16.0) for x in range(focus)] + [(20.0 + i, 20.0) for i in range(others)]
    return np.array(spots, float), ["focus"] * focus + ["mass"] * others


def test_the_new_pocket_is_emptied_before_it_is_said_to_live_with_it():
    """The pocket is empty but for the focus (common practice, no source)."""
    then, new = lane(2, 18)
    now = then.copy()
    now[2] = (3.0, 20.0)  # one of 20, far from its place: nothing to move but for the pocket
    assert shift_spread(now, new, then, new, turn_deg=30).moves == ()
    found = shift_spread(now, new, then, new, turn_deg=30, pocket=POCKET)
    assert [(m.count, m.source) for m in found.moves] == [(1, "mass")]
    assert "pocket" in found.verdict
    assert "Live with it" not in found.verdict


def test_a_decoy_near_its_new_place_is_carried_all_the_same_out_of_the_pocket():
    then, new = lane(2, 18)
    then[2], now = (6.0, 20.0), then.copy()
    now[2] = (4.0, 20.0)
    found = shift_spread(now, new, then, new, turn_deg=30, pocket=POCKET)
    assert [(m.count, m.source) for m in found.moves] == [(1, "mass")]


def test_the_old_focus_is_not_carried_out_for_others_to_take_its_place():
    """It lies in the new pocket, though not just where it is drawn."""
    then, new = lane(2, 18)
    now = then.copy()
    now[:2] -= (0.0, 5.5)
    now[2:12] += (-19.0, 3.5)  # more of them than can be lived with
    found = shift_spread(now, new, then, new, turn_deg=30, pocket=box(-12, 9, 12, 26))
    assert {m.source for m in found.moves} == {"mass"}


def test_what_serves_the_focus_may_lie_in_the_pocket():
    then, new = lane(2, 18)
    old = ["mass"] * 20
    found = shift_spread(then, old, then + (1.0, 0.0), new, turn_deg=30, pocket=POCKET)
    assert found.moves == ()


def test_a_pocket_emptied_by_a_few_leaves_the_others_as_they_lie():
    """Two of 20 lie in the pocket; one more is far from its place and is lived with."""
    then, new = lane(0, 20)
    now = then.copy()
    now[0], now[1], now[2] = (0.0, 20.0), (1.0, 20.0), (8.0, 30.0)
    found = shift_spread(now, new, then, new, turn_deg=30, pocket=POCKET)
    assert sum(m.count for m in found.moves) == 2
    assert found.served == pytest.approx(0.85)


def test_more_and_fewer_decoys_go_through_the_bag():
    now = np.array([[0.0, 10.0], [2.0, 10.0]])
    assert sorted(assign_spots(now, ["mass"] * 2, now[:1], np.array([[True], [True]]))) == [-1, 0]
    assert len(assign_spots(now[:1], ["mass"], now, np.array([[True, True]]))) == 2


def laid(layout: str, phi: float):
    return place_spread(
        layouts.draw_layout(layout, phi, decoys=36), HideFrame(0, 0, 0), water=WATER, decoys=36
    )


def turned(layout: str, phi: float, turn: float):
    now, then = laid(layout, phi), laid(layout, phi + turn)
    return shift_spread(
        now.decoys, now.decoy_groups, then.decoys, then.decoy_groups, turn_deg=turn,
        pocket=then.pocket, refused=then.refused,
    )  # fmt: skip


@pytest.mark.parametrize("layout", ["bank-along", "bank-off", "open-cross", "pair", "point"])
@pytest.mark.parametrize("turn", [-90, -40, 25, 60, 120])
def test_no_decoy_is_left_in_the_new_pocket(layout, turn):
    now, then = laid(layout, 80), laid(layout, 80 + turn)
    if then.refused:
        pytest.skip("no spread for the new wind")
    inside = shapely.contains_xy(then.pocket, *now.decoys.T)
    stays = may_stay(now.decoys, then.decoys, then.decoy_groups, then.pocket)
    to = assign_spots(now.decoys, now.decoy_groups, then.decoys, stays)
    focus = np.array([name == "focus" for name in then.decoy_groups] + [False])
    stuck = inside & ~focus[to[: len(now.decoys)]]
    found = turned(layout, 80, turn)
    assert sum(m.inside for m in found.moves) == stuck.sum()


@pytest.mark.parametrize("turn", [-19, -5, 0, 12, 19.9])
def test_nothing_moves_for_a_small_turn(turn):
    """Common practice, no source."""
    assert turned("bank-along", 80, turn).moves == ()


def test_a_wind_that_swings_to_the_other_hand_is_worth_moving_for():
    found = turned("bank-along", 80, -160)
    assert found.moves
    assert found.served < LIVE_WITH_SHARE
    assert sum(m.count for m in found.moves) + found.left == round(36 * (1 - found.served))
    assert found.left <= (1 - LIVE_WITH_SHARE) * 36
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
    found = shift_spread(now[:, :], old, then, new, turn_deg=40)
    assert not found.moves  # one of six: live with it
    found = shift_spread(now[2:], old[2:], then[2:], new[2:], turn_deg=40)
    assert [(m.source, m.target) for m in found.moves] == [("mass", "second")]


def test_no_spread_for_the_new_wind_is_said():
    nothing = np.empty((0, 2))
    found = shift_spread(np.ones((3, 2)), ["mass"] * 3, nothing, [], turn_deg=60, refused="no room")
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
        "14 from all of the mass to the hook, 28 yd out, in two handfuls"
    )


def test_more_than_a_dozen_go_in_several_handfuls():
    """A handful is a dozen at most (judgement)."""
    move = Move(38, "mass", "hook", "", (0.5, yd(28)), 9.0)
    assert move.handfuls == 4
    assert move.words() == "38 from the mass to the hook, 28 yd out, in four handfuls"
    assert Move(HANDFUL, "mass", "hook", "", (0.5, yd(28)), 9.0).handfuls == 1


@pytest.mark.parametrize(
    ("y", "said"),
    [(-4, "22 yd right, 4 yd behind you"), (-0.3, "22 yd right, level with the hide")],
)
def test_nothing_lies_a_negative_way_out(y, said):
    assert Move(2, "mass", "hook", "", (yd(22), yd(y)), 9.0).words().endswith(said)


def test_what_lies_in_the_new_pocket_is_told_apart():
    inside = Move(5, "second", "mass", "the outer edge of", (yd(-8), yd(8)), 9.0, inside=5)
    assert inside.words().startswith("five of the second group that lie in the new pocket to the")
    some = Move(5, "second", "hook", "", (yd(-8), yd(8)), 9.0, inside=2)
    assert some.words().startswith("five from the second group, those in the new pocket first, to")


def apart(taken, turn_deg=40):
    """A mass in a row 5 m apart of which `taken` are 40 m from their places, behind the hide."""
    now = np.array([(5.0 * i, 20.0 + (i % 3)) for i in range(20)])
    then = now.copy()
    then[list(taken)] -= (0.0, 40.0)
    (move,) = shift_spread(now, ["mass"] * 20, then, ["mass"] * 20, turn_deg=turn_deg).moves
    return move


@pytest.mark.parametrize(
    ("taken", "said"),
    [
        (range(20), "all of"),
        (range(17), "most of"),
        (range(16), ""),
        (range(6), "the left end of"),
        (range(14, 20), "the right end of"),
        (range(7, 13), "the middle of"),
        ((0, 1, 2, 17, 18, 19), ""),
        ((2, 6, 9, 14, 18), ""),
    ],
)
def test_an_end_is_named_only_where_it_is_one(taken, said):
    assert apart(taken).edge == said


def test_the_spot_named_is_one_of_the_new_spread():
    """The middle of two clumps, one on either side of a spit, is no place for a decoy."""
    now = np.array([(float(i), 20.0) for i in range(12)])
    then = np.array([(-30.0 - i, 20.0) for i in range(7)] + [(30.0 + i, 20.0) for i in range(5)])
    (move,) = shift_spread(now, ["mass"] * 12, then, ["mass"] * 12, turn_deg=90).moves
    assert move.to in {tuple(spot) for spot in then}


def test_one_or_two_are_not_carried_beside_a_larger_move():
    """Judgement: of 20, ten to the left, two out and one to the right."""
    now = np.array([(2.0 * i, 20.0) for i in range(20)])
    old, new = ["mass"] * 20, ["mass"] * 7 + ["hook"] * 10 + ["tail"] * 2 + ["front"]
    then = now.copy()
    then[7:17] -= (60.0, 0.0)
    then[17:19] += (0.0, 60.0)
    then[19] += (60.0, 0.0)
    found = shift_spread(now, old, then, new, turn_deg=40)
    assert [(m.count, m.target) for m in found.moves] == [(10, "hook")]
    assert found.left == 3
    assert "leave three others where they lie" in found.verdict
    corner = box(37, 19, 39, 21)  # the pocket comes to lie about the last
    found = shift_spread(now, old, then, new, turn_deg=40, pocket=corner)
    assert (1, "front") in [(m.count, m.target) for m in found.moves]


@pytest.mark.parametrize(("spare", "left"), [(0, 0), (1, 1), (2, 1), (3, 3), (9, 3)])
def test_what_is_left_lying_never_comes_to_more_than_may_be_lived_with(spare, left):
    lots = [("mass", "hook")] * 5 + [("mass", "tail")] * 2 + [("mass", "front")]
    every = np.ones(8, bool)
    carried = choose_carried(lots, moved=every, stuck=~every, spare=spare)
    assert (~carried).sum() == left
    assert carried[:5].all()


def test_one_or_two_are_carried_where_there_is_no_larger_move():
    lots = [("mass", "hook")] * 2 + [("mass", "tail")]
    every = np.ones(3, bool)
    assert choose_carried(lots, moved=every, stuck=~every, spare=9).all()


@settings(max_examples=80, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_what_is_left_lying_is_in_nobodys_way(seed):
    """An optimal way never carries a decoy to where one that is left lying could have served."""
    rng = np.random.default_rng(seed)
    now, then = rng.uniform(-14, 14, (12, 2)), rng.uniform(-14, 14, (12, 2))
    groups = [("mass", "second", "tail")[i] for i in rng.integers(0, 3, 12)]
    stays = may_stay(now, then, ["mass"] * 12, box(-6, -6, 6, 6))
    to = assign_spots(now, groups, then, stays)
    moved = ~stays[range(12), to]
    assert not stays[np.ix_(moved, to[moved])].any()


NOTHING = np.empty((0, 2))


def motion_turned(now, then, *, decoys=0, pocket=POCKET):
    spots, groups = lane(0, decoys)
    return shift_spread(
        spots, groups, spots, groups, turn_deg=60, pocket=pocket,
        motion=(np.reshape(now, (-1, 2)), np.reshape(then, (-1, 2))),
    )  # fmt: skip


@pytest.mark.parametrize("decoys", [0, 20])
def test_the_motion_decoy_is_moved_with_the_wind(decoys):
    """It runs at the upwind end, beyond the decoys (common practice, no source)."""
    found = motion_turned((yd(-20), yd(12)), (yd(14), yd(9)), decoys=decoys)
    assert [m.words() for m in found.moves] == ["the motion decoy to 14 yd right, 9 yd out"]
    assert "the motion decoy" in found.verdict
    assert "no decoys" not in found.verdict
    assert any("nload" in c for c in found.cautions)


def test_a_motion_decoy_near_its_new_place_stays():
    found = motion_turned((yd(16), yd(12)), (yd(14), yd(9)))
    assert found.moves == ()
    assert "no decoys" not in found.verdict
    assert motion_turned((yd(16), yd(12)), (yd(14), yd(9)), decoys=20).verdict.startswith("Live")


def test_a_motion_decoy_stays_in_the_new_pocket_only_where_the_wind_wants_it():
    assert motion_turned((4.0, 20.0), (6.0, 20.0)).moves
    assert not motion_turned((4.0, 20.0), (4.0, 18.0)).moves


def test_of_two_motion_decoys_the_one_that_stands_ill_is_moved():
    found = motion_turned([(20.0, 9.0), (-20.0, 9.0)], [(20.0, 8.0), (yd(30), yd(9))])
    assert [m.words() for m in found.moves] == ["one motion decoy to 30 yd right, 9 yd out"]


def test_a_motion_decoy_goes_into_the_bag_and_comes_out_of_it():
    """Where the new wind leaves it no fit water, and where the old one did."""
    (taken,) = motion_turned((20.0, 9.0), NOTHING).moves
    assert taken.words() == "the motion decoy to the bag"
    (brought,) = motion_turned(NOTHING, (yd(14), yd(9))).moves
    assert brought.words() == "the motion decoy from the bag to 14 yd right, 9 yd out"


def test_no_decoys_at_all():
    assert motion_turned(NOTHING, NOTHING).verdict == "There are no decoys to move."
