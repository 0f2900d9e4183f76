"""The numbers of every layout, one table each.

Yards, as the trade speaks, degrees, and shares of the decoys, for four dozen decoys. Axes as in
`templates`: a along the bank, + on the windward hand; y straight out; both from the guns. The
wind's angle is 0 in the face, 90 abeam, 180 from behind. `along` and `across` are half-axes toward
the wind's source and beside it. Behind a number stands where it is from: practice (common practice
of the trade, no source) or judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

DRAWN_FOR_DECOYS = 48
"""Decoys for which the tables are written; judgement."""

GROWTH_RANGE = (0.5, 1.4)
"""Least and most that a body is drawn smaller or larger than the tables have it; judgement."""

FLANK_GROWTH = 0.2
"""So much larger again where the body lies in two flanks, which have the room; judgement."""

SPACING_YD = 2.0
"""Distance wanted between decoys; practice."""

LINE_SPACING_YD = 3.5
"""The same in tails and in the far group; practice (3 to 4)."""

SQUARE_CORNERS = 2.4
"""How square a group is drawn: exponent of a superellipse, where 2 is an ellipse; judgement."""


class ByWind(NamedTuple):
    """A number with the wind in the face, abeam and from behind; it varies smoothly between."""

    ahead: float
    abeam: float
    behind: float


class Grown(NamedTuple):
    """A length of which a part grows with the body of the spread."""

    fixed: float
    growing: float

    def at(self, growth: float) -> float:
        """Return the length for a body so many times as large as drawn."""
        return self.fixed + self.growing * growth


Turn = tuple[float, float]
"""Wind angles at which a change begins and is complete."""

AheadBehind = tuple[float, float]
"""A number before and after a change: as a rule with the body upwind, and in two flanks."""


@dataclass(frozen=True)
class BankDimensions:
    """The bank family: one shape from a wind in the face to a wind from behind.

    Parameters
    ----------
    flanks_deg
        Over these winds the mass and the second group become two flanks; judgement.
    pocket_further
        The pocket's middle lies so much beyond `POCKET_YD`, wind in the face and from behind;
        judgement.
    pocket_along, pocket_across
        Half-axes of the pocket; judgement.
    mass_gap
        Between the pocket's upwind end and the mass; judgement.
    mass_along, mass_across
        Half-axes of the mass; judgement.
    mass_bend
        How far the mass's ends are drawn back, as a share of `mass_across`; judgement.
    flank_a, flank_y
        Middle of a flank: it leaves a lane 6 to either side of straight out; judgement.
    second_aside
        The second group lies so far on the lee hand, wind abeam; judgement.
    second_y
        And so far out: close to the bank abeam, which leaves the lane open (judgement); ten from
        the trees' edge with the wind in the face, as the near group (practice).
    second_along, second_across
        Half-axes of the second group, before and as a flank; judgement.
    near_below_deg
        Below this angle the second group is the near group: birds pass over it; judgement.
    mass_share, second_share
        Shares of the decoys; the focus has the rest; judgement.
    focus_aside, focus_nearer
        The focus lies so far to windward, wind abeam, and so much nearer than the pocket's middle,
        wind in the face or behind (nearer than usual: practice; the number: judgement).
    motion_a, motion_y
        The motion decoy beyond the mass, near bank cover, wind abeam (practice; the numbers:
        judgement).
    motion_beyond
        Its distance from the pocket's middle, wind in the face; judgement.
    motion_behind_a, motion_behind_y
        Beside a flank, wind from behind; judgement.
    """

    flanks_deg: Turn = (90.0, 150.0)
    pocket_further: AheadBehind = (1.5, 1.0)
    pocket_along: ByWind = ByWind(6.0, 9.0, 10.0)
    pocket_across: ByWind = ByWind(9.0, 6.0, 9.0)
    mass_gap: float = 0.5
    mass_along: ByWind = ByWind(4.5, 6.0, 4.0)
    mass_across: ByWind = ByWind(13.0, 10.0, 6.0)
    mass_bend: float = 0.55
    flank_a: Grown = Grown(6.0, 6.0)
    flank_y: Grown = Grown(2.0, 4.0)
    second_aside: float = 16.0
    second_y: AheadBehind = (10.0, 7.0)
    second_along: AheadBehind = (2.0, 4.0)
    second_across: AheadBehind = (7.0, 6.0)
    near_below_deg: float = 25.0
    mass_share: ByWind = ByWind(0.70, 0.75, 0.48)
    second_share: ByWind = ByWind(0.25, 0.20, 0.48)
    focus_aside: float = 2.0
    focus_nearer: float = 2.0
    motion_a: Grown = Grown(14.0, 12.0)
    motion_y: float = 4.0
    motion_beyond: Grown = Grown(7.5, 9.0)
    motion_behind_a: Grown = Grown(8.0, 12.0)
    motion_behind_y: float = 3.0


@dataclass(frozen=True)
class MotionPathDimensions:
    """The way of a lone motion decoy round a flank, in before the guns, as the wind swings behind.

    Parameters
    ----------
    swing_deg
        It goes its way over these winds; before them a pair has one side alone; judgement.
    outward
        How far beyond its starting spot the way swings; judgement.
    over_y, over_share
        It passes so far out, and that share of the starting spot's `a` more, to clear the flank,
        which grows with that; judgement.
    inner_a
        Where it turns in toward the guns; judgement.
    end_y
        Its end, straight out before the guns; judgement.
    """

    swing_deg: Turn = (130.0, 180.0)
    outward: float = 7.0
    over_y: float = 2.0
    over_share: float = 0.75
    inner_a: float = 8.0
    end_y: float = 6.0


@dataclass(frozen=True)
class PointDimensions:
    """The tip of a point, wind over one shoulder.

    Parameters
    ----------
    winds_deg
        Winds it is chosen for: from abeam to a little behind (practice; the bounds: judgement).
    own_deg
        It is all its own between these; toward the ends of `winds_deg` it becomes the bank's;
        judgement.
    flanks_deg
        Over these winds the mass becomes a flank; judgement.
    guard_flank_deg
        Over these the guard becomes the other: its water is the quiet one until the wind is
        behind; judgement.
    pocket_aside
        The pocket lies so far to lee, wind abeam; judgement.
    pocket_along, pocket_across
        Half-axes of the pocket; judgement.
    mass_beyond, mass_nearer_ahead
        The mass's middle lies so far upwind of the pocket's; so much nearer with the wind in the
        face; judgement.
    mass_along, mass_across, mass_bend
        Half-axes of the mass, and how far its ends are drawn back as a share of the second;
        judgement.
    flank_a, flank_y
        Middle of a flank; judgement.
    front_a, front_y, front_further_ahead
        The front group, straight out (practice); so much further with the wind in the face, where
        the mass merges with it; judgement.
    front_aside, front_aside_deg
        It yields so far to windward, over these winds; judgement.
    front_along, front_across
        Half-axes of the front group (practice; the numbers: judgement).
    front_gone_deg
        Over these winds its decoys go to the flanks; judgement.
    guard_at
        Middle of the guard, in the quiet water of the other side (practice; the spot: judgement).
    guard_along, guard_across
        Half-axes of the guard, the second as a flank and before; judgement.
    tail_grows_deg, tail_goes_deg, tail_decoys
        Winds over which the tail grows and goes, and the fewest decoys it is laid with; judgement.
    tail_gap, tail_length, tail_outward_deg, tail_half_width
        It starts so far from the front's lee end and runs downwind, turned outward, to turn birds
        in (practice; the numbers: judgement).
    mass_share, front_share, guard_share, tail_share, focus_share
        Weights of the shares, the guard's in the quiet water and as a flank; judgement.
    focus_upwind
        The focus lies so far upwind of the pocket's middle; judgement.
    motion_beyond, motion_inshore
        The motion decoy lies so far beyond the mass, and so far in toward bank cover, wind abeam;
        judgement.
    """

    winds_deg: Turn = (60.0, 165.0)
    own_deg: Turn = (100.0, 120.0)
    flanks_deg: Turn = (100.0, 165.0)
    guard_flank_deg: Turn = (125.0, 180.0)
    pocket_aside: float = 3.0
    pocket_along: float = 9.0
    pocket_across: float = 7.0
    mass_beyond: Grown = Grown(10.0, 5.0)
    mass_nearer_ahead: float = 1.5
    mass_along: ByWind = ByWind(2.5, 5.0, 5.0)
    mass_across: ByWind = ByWind(10.0, 9.0, 7.0)
    mass_bend: float = 0.5
    flank_a: Grown = Grown(6.0, 7.0)
    flank_y: float = 2.0
    front_a: float = 2.0
    front_y: float = 27.0
    front_further_ahead: float = 3.5
    front_aside: float = 5.0
    front_aside_deg: Turn = (110.0, 160.0)
    front_along: float = 3.0
    front_across: float = 5.0
    front_gone_deg: Turn = (125.0, 155.0)
    guard_at: tuple[float, float] = (-16.0, -10.0)
    guard_along: float = 5.0
    guard_across: AheadBehind = (6.0, 7.0)
    tail_grows_deg: Turn = (40.0, 80.0)
    tail_goes_deg: Turn = (120.0, 145.0)
    tail_decoys: int = 24
    tail_gap: float = 2.0
    tail_length: float = 18.0
    tail_outward_deg: float = 30.0
    tail_half_width: float = 1.0
    mass_share: float = 0.48
    front_share: float = 0.20
    guard_share: AheadBehind = (0.13, 0.48)
    tail_share: float = 0.13
    focus_share: float = 0.05
    focus_upwind: float = 2.0
    motion_beyond: float = 3.0
    motion_inshore: float = 8.0


@dataclass(frozen=True)
class OpenWaterDimensions:
    """Open water: a tail close past the hide, a hook round the far side, the mouth downwind.

    Parameters
    ----------
    winds_deg
        Winds with the body across; beyond them it is for wind from behind (judgement).
    own_from_deg
        It is all its own from here on; toward the start of `winds_deg` it becomes the bank's;
        judgement.
    flanks_deg
        Over these winds the mass and the second group become two flanks; judgement.
    pocket_grows_deg, pocket_further
        Over these the pocket grows larger, for wind from behind (practice), and its middle moves so
        much beyond `POCKET_YD`; the numbers: judgement.
    pocket_along, pocket_across
        Half-axes of the pocket, before it grows and grown; judgement.
    mass_beyond
        The mass's middle lies so far upwind of the pocket's; judgement.
    mass_along, mass_across, mass_bend
        Half-axes of the mass, upwind and as a flank, and how far its ends are drawn back as a share
        of the second; judgement.
    flank_a, flank_y
        Middle of a flank: a lane 6 to either side of straight out stays open; judgement.
    second_y, second_in_deg
        The second group lies so far out, outside the tail, until over these winds the tail has
        drawn back past it; judgement.
    second_along, second_across
        Half-axes of the second group, as it begins and as a flank; judgement.
    tail_grows_deg, tail_goes_deg, least_tail
        Winds over which the tail grows and goes, so that it is gone before the second group comes
        to lie where it ran, and the least share of its length worth drawing; judgement.
    hook_grows_deg, hook_goes_deg
        Winds over which the hook grows and goes; judgement.
    line_decoys
        With fewer decoys there is no tail and no hook; judgement.
    tail_corner, tail_back
        The tail starts at the mass's near corner: shares of `mass_across` toward the bank and
        downwind; judgement.
    tail_open_a, tail_joins_deg, tail_leaves_deg
        It starts here instead, level with the hide, while anything lies between it and the mass;
        winds over which it comes to join the mass and leaves it again; judgement.
    tail_y, tail_past_a
        It passes the hide so far out, very close (practice), from the first of these to the other;
        judgement.
    tail_end_a, tail_end_y
        Its end, with few decoys and with many; judgement.
    tail_half_width
        Half its width; judgement.
    hook_from_deg, hook_over_deg, hook_radius, hook_half_width
        The hook: an arc about the pocket, from that far off upwind over so many degrees (practice
        has it 40 to 80; the mass's horn takes the first of that); the rest: judgement.
    mass_share, second_share, hook_share, tail_share, focus_share
        Weights of the shares, the mass's upwind and as a flank; judgement.
    focus_upwind
        The focus lies so far upwind of the pocket's middle, before and with the wind from behind
        (deeper then: practice; the numbers: judgement).
    motion_beyond, motion_inshore, motion_behind_a, motion_behind_y
        The motion decoy lies so far beyond the mass and in toward the hide's bank, wind abeam; and
        beside a flank, wind from behind; judgement.
    """

    winds_deg: Turn = (45.0, 110.0)
    own_from_deg: float = 75.0
    flanks_deg: Turn = (100.0, 150.0)
    pocket_grows_deg: Turn = (110.0, 180.0)
    pocket_further: float = 1.5
    pocket_along: AheadBehind = (9.0, 11.0)
    pocket_across: AheadBehind = (6.0, 9.0)
    mass_beyond: Grown = Grown(9.5, 6.0)
    mass_along: AheadBehind = (6.0, 4.0)
    mass_across: AheadBehind = (10.0, 6.0)
    mass_bend: float = 0.45
    flank_a: Grown = Grown(6.0, 6.0)
    flank_y: Grown = Grown(2.0, 4.0)
    second_y: float = 13.0
    second_in_deg: Turn = (115.0, 155.0)
    second_along: AheadBehind = (2.0, 4.0)
    second_across: AheadBehind = (3.0, 6.0)
    tail_grows_deg: Turn = (42.0, 78.0)
    tail_goes_deg: Turn = (95.0, 135.0)
    least_tail: float = 0.15
    hook_grows_deg: Turn = (20.0, 60.0)
    hook_goes_deg: Turn = (105.0, 130.0)
    line_decoys: int = 12
    tail_corner: float = 0.85
    tail_back: float = 0.4
    tail_open_a: float = 2.0
    tail_joins_deg: Turn = (55.0, 80.0)
    tail_leaves_deg: Turn = (88.0, 112.0)
    tail_y: float = 6.5
    tail_past_a: tuple[float, float] = (8.0, -12.0)
    tail_end_a: tuple[float, float] = (26.0, 40.0)
    tail_end_y: float = 8.0
    tail_half_width: float = 1.2
    hook_from_deg: float = 42.0
    hook_over_deg: float = 48.0
    hook_radius: float = 13.0
    hook_half_width: float = 1.5
    mass_share: AheadBehind = (0.55, 0.475)
    second_share: float = 0.475
    hook_share: float = 0.15
    tail_share: float = 0.25
    focus_share: float = 0.05
    focus_upwind: AheadBehind = (1.5, 3.0)
    motion_beyond: float = 3.0
    motion_inshore: float = 8.0
    motion_behind_a: Grown = Grown(8.0, 12.0)
    motion_behind_y: float = 3.0


@dataclass(frozen=True)
class PairDimensions:
    """The small spread: an end group upwind, and a line level with the hide.

    Parameters
    ----------
    winds_deg, own_deg
        Winds it is chosen for, best near 60, and those between which it is all its own; judgement.
    decoys
        Fewest and most it is chosen for (practice).
    drawn_for, growth_range
        Decoys for which this table is written, and how much smaller or larger groups are drawn for
        others; judgement.
    flanks_deg
        Over these winds the two groups become flanks, well before the 140 of common practice, so
        that the end group never lies before the muzzles; judgement.
    pocket_y, pocket_along, pocket_across
        Middle and half-axes of the pocket; judgement.
    end_beyond, end_along, end_across, end_bend
        The end group's middle lies so far upwind of the pocket's; its half-axes, upwind and as a
        flank; how far its ends are drawn back as a share of the second; judgement.
    flank_a, flank_y
        Middle of a flank; judgement.
    line_aside, line_y, line_along, line_across
        The line lies so far to lee, wind abeam, and so far out, level with the hide (practice); its
        half-axes (10 to 12 long, one deep: practice; the numbers: judgement).
    line_share, focus_share
        The line's share, before and as a flank, and the focus's; the end group has the rest;
        judgement.
    focus_upwind
        The focus lies so far upwind of the pocket's middle; judgement.
    motion_beyond, motion_inshore
        The motion decoy lies so far beyond the end group, and beside a flank so much nearer than
        its middle; judgement.
    """

    winds_deg: Turn = (30.0, 130.0)
    own_deg: Turn = (55.0, 100.0)
    decoys: tuple[int, int] = (8, 24)
    drawn_for: int = 16
    growth_range: tuple[float, float] = (0.7, 1.6)
    flanks_deg: Turn = (100.0, 150.0)
    pocket_y: float = 16.0
    pocket_along: float = 8.0
    pocket_across: float = 6.0
    end_beyond: Grown = Grown(9.0, 3.0)
    end_along: AheadBehind = (3.0, 2.0)
    end_across: AheadBehind = (6.0, 5.0)
    end_bend: float = 0.4
    flank_a: Grown = Grown(6.0, 6.0)
    flank_y: float = 6.0
    line_aside: float = 10.0
    line_y: float = 6.5
    line_along: float = 0.9
    line_across: float = 5.5
    line_share: AheadBehind = (0.33, 0.45)
    focus_share: float = 0.10
    focus_upwind: float = 1.5
    motion_beyond: float = 2.0
    motion_inshore: float = 1.0


@dataclass(frozen=True)
class TimberDimensions:
    """An opening in timber: of one size, whatever is carried.

    Where trees stand in water does not hang on the bag.

    Parameters
    ----------
    opening
        Width of the opening where none is told; judgement.
    pocket_y
        Middle of the pocket; judgement.
    pocket_radius, pocket_share
        Its radius: at most the first, or that share of the opening's width; judgement.
    stack_in
        The middle of the stack lies so far beyond the edge, among the trees; judgement.
    stack_along, stack_across
        Half-axes of the stack; judgement.
    focus_share
        Two of two dozen decoys, on the jerk line; judgement.
    motion_upwind
        The motion decoy lies in the pocket (practice), that share of its radius upwind; judgement.
    """

    opening: float = 26.0
    pocket_y: float = 16.5
    pocket_radius: float = 6.0
    pocket_share: float = 0.3
    stack_in: float = 4.0
    stack_along: float = 3.0
    stack_across: float = 8.0
    focus_share: float = 2 / 24
    motion_upwind: float = 0.6


@dataclass(frozen=True)
class FarGroupDimensions:
    """The far group: an option that holds distant birds and means long shots.

    Parameters
    ----------
    begins
        Its innermost decoys (practice).
    off_deg
        Off straight out: clear of the mass with the wind in the face, of the way in with it behind;
        judgement.
    along, across
        Half-axes, from the guns outward and beside that; judgement.
    share
        Of all decoys; judgement.
    one_hand_deg, both_hands_deg
        Over the first winds it comes to lie on the windward hand alone, over the second on both
        again; judgement.
    """

    begins: float = 30.0
    off_deg: float = 49.0
    along: float = 4.0
    across: float = 7.0
    share: float = 0.25
    one_hand_deg: Turn = (0.0, 50.0)
    both_hands_deg: Turn = (130.0, 180.0)


BANK_LAYOUT = BankDimensions()
MOTION_PATH = MotionPathDimensions()
POINT_LAYOUT = PointDimensions()
OPEN_WATER_LAYOUT = OpenWaterDimensions()
PAIR_LAYOUT = PairDimensions()
TIMBER_LAYOUT = TimberDimensions()
FAR_LAYOUT = FarGroupDimensions()
