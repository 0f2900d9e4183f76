"""Counts, kinds, depth and words of a spread."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.distance import pdist
from shapely.geometry import Point, box

from sitegeo.errors import UsageError
from sitegeo.siting.explain import side_words
from sitegeo.spreads import layouts
from sitegeo.spreads.decoys import Gear, apportion, fill_parts
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.layouts import choose_layout, layout_reason
from sitegeo.spreads.place import place_spread, season_phase
from sitegeo.units import yd

HIDE = HideFrame(500_000.0, 4_000_000.0, 0.0)
WATER = HIDE.to_world(box(yd(-200), yd(1), yd(200), yd(200)))


def spread_at(phi, *, decoys=36, water=WATER, name=None, **more):
    name = name or choose_layout("tree line", phi, decoys=decoys)
    return place_spread(
        layouts.draw_layout(name, phi, decoys=decoys), HIDE, water=water, decoys=decoys, **more
    )


def test_apportion_is_largest_remainder():
    # Worked by hand: quotas 7.5, 4.5, 2.4, 0.6 of 15 -> floors 7, 4, 2, 0, then 0.6 and the
    # first of the two halves.
    assert apportion(15, [50, 30, 16, 4]) == [8, 4, 2, 1]
    assert apportion(0, [1, 2]) == [0, 0]
    assert apportion(5, [0, 0]) == [0, 0]


@given(st.integers(0, 120), st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_apportion_adds_up_within_one_of_the_quota(total, weights):
    counts = apportion(total, weights)
    whole = sum(weights)
    if whole > 1e-6:
        assert sum(counts) == total
        quotas = [total * w / whole for w in weights]
        assert all(abs(n - q) < 1 + 1e-6 for n, q in zip(counts, quotas, strict=True))


def test_fill_passes_the_overflow_on():
    assert fill_parts(20, [3.0, 1.0], [6, 50]) == [6, 14]
    assert fill_parts(20, [1.0, 1.0], [3, 4]) == [3, 4]


def test_geese_and_white_lie_in_the_mass_and_small_in_the_focus():
    """Common practice, no source."""
    spread = spread_at(80)
    mass = next(g for g in spread.groups if g.kind == "mass")
    focus = next(g for g in spread.groups if g.kind == "focus")
    assert (mass.white, mass.geese) == (8, 4)
    assert focus.small == focus.count == 2
    assert sum(g.dark for g in spread.groups) == 22
    assert {g for g, k in zip(spread.decoy_groups, spread.decoy_kinds, strict=True)
            if k == "goose"} == {"mass"}  # fmt: skip


def test_gear_keeps_its_proportions():
    assert Gear().kinds(36) == (22, 8, 4, 2)
    assert sum(Gear().kinds(91)) == 91
    assert Gear(dark=0, white=0, geese=0, small=0).kinds(7) == (7, 0, 0, 0)


def test_both_flanks_share_the_white_with_the_wind_behind():
    spread = spread_at(180, decoys=48)
    white = {g.kind: g.white + g.geese for g in spread.groups}
    assert abs(white["mass"] - white["second"]) <= 2


@pytest.mark.parametrize("phi", [0, 80, 120, 180])
def test_decoys_stand_apart_but_not_in_rows(phi):
    """About two yards apart (common practice, no source); irregular, as people set them."""
    spread = spread_at(phi)
    mass = spread.decoys[[g == "mass" for g in spread.decoy_groups]]
    apart = pdist(mass)
    assert apart.min() > yd(1.0)
    nearest = np.sort(np.hypot(*(mass[:, None] - mass[None]).T), axis=1)[:, 1]
    assert yd(1.3) < np.median(nearest) < yd(3.0)
    assert nearest.std() > 0.05 * nearest.mean()


def test_deep_water_draws_the_groups_in():
    limit = yd(15)

    def depth(xy):
        return np.where(xy[:, 0] - HIDE.x > limit, 2.0, 0.5)

    spread = spread_at(90, depth=depth, max_depth_m=0.9)
    assert spread.refused is None
    assert (depth(spread.decoys) <= 0.9).all()
    mass = next(g for g in spread.groups if g.kind == "mass")
    assert "deep" in mass.note
    assert mass.depth_m == pytest.approx(0.5)
    assert mass.line_m is not None
    assert mass.line_m >= mass.depth_m
    assert "deep" in " ".join(spread.notes)


def test_refused_where_the_mass_would_stand_too_deep():
    spread = spread_at(90, depth=lambda xy: np.where(xy[:, 0] > HIDE.x + 5, 3.0, 0.5),
                       max_depth_m=0.9)  # fmt: skip
    assert "mass" in (spread.refused or "")


def test_unknown_depth_is_said():
    spread = spread_at(90, depth=lambda xy: np.full(len(xy), np.nan), max_depth_m=0.9)
    assert spread.refused is None
    assert all("depth not known" in g.note for g in spread.groups)
    assert all(g.depth_m is None and g.line_m is None for g in spread.groups)
    assert all(g.depth_m is None for g in spread_at(90).groups)


def test_no_decoys_is_a_pocket_alone():
    spread = spread_at(90, decoys=0)
    assert spread.refused is None
    assert spread.groups == ()
    assert not spread.pocket.is_empty


@pytest.mark.parametrize("decoys", [-1, 121])
def test_impossible_numbers(decoys):
    with pytest.raises(UsageError, match="0 to 120"):
        layouts.draw_layout("bank-along", 0, decoys=decoys)


def test_unknown_layout_names_the_known():
    with pytest.raises(UsageError, match="bank-along"):
        layouts.draw_layout("circle", 0, decoys=12)


def test_what_has_no_room_stays_in_the_bag():
    spread = spread_at(60, decoys=96, name="pair")  # a layout for two dozen at most
    assert spread.refused is None
    assert spread.left > 0
    assert any("bag" in note for note in spread.notes)
    assert len(spread.decoys) + spread.left == 96


def test_motion_follows_the_gear():
    assert len(spread_at(80, gear=Gear(motion=0)).motion) == 0
    assert len(spread_at(80).motion) == 1
    assert len(spread_at(180, gear=Gear(motion=2)).motion) == 2


@pytest.mark.parametrize("phi", [0, 45, -80, 130, 180])
def test_motion_by_the_season(phi):
    """In the pocket early, beyond the upwind end later, off late (common practice, no source)."""
    early, late = spread_at(phi, season="early"), spread_at(phi, season="late")
    assert early.pocket.contains(Point(early.motion[0]))
    assert min(np.hypot(*(early.focus - early.motion[0]).T)) > 0.5
    assert not late.pocket.contains(Point(late.motion[0]))
    assert any("leave it off" in note for note in late.notes)
    assert len(spread_at(phi, season="early", gear=Gear(motion=2)).motion) == 2


@pytest.mark.parametrize(
    ("month", "lat", "season"),
    [(9, 44, "early"), (10, 44, "early"), (11, 44, "middle"), (12, 44, "late"), (1, 31, "late"),
     (11, 54, "early"), (4, -38, "early"), (6, -38, "late")],
)  # fmt: skip
def test_the_season_by_month_and_latitude(month, lat, season):
    assert season_phase(month, lat) == season


def test_the_guard_is_left_out_where_there_is_no_water_for_it():
    spread = spread_at(110, name="point")
    assert "guard" not in {g.kind for g in spread.groups}
    assert any("guard is left out" in note for note in spread.notes)


@pytest.mark.parametrize(
    ("kind", "phi", "name"),
    [
        ("tree line", 10, "bank-onto"),
        ("T", -80, "bank-along"),
        ("cove", 170, "bank-off"),
        ("point", -120, "point"),
        ("P", 30, "bank-onto"),
        ("point", 170, "bank-off"),
    ],
)
def test_choose(kind, phi, name):
    assert choose_layout(kind, phi, decoys=36) == name


@pytest.mark.parametrize(
    ("kind", "phi", "decoys", "name"),
    [
        ("timber opening", 150, 36, "timber"),
        ("H", 20, 12, "timber"),
        ("cover clump", 80, 60, "open-cross"),
        ("cover clump", -140, 60, "open-behind"),
        ("F", 95, 36, "open-cross"),
        ("open flat", 10, 36, "bank-onto"),
        ("tree line", 60, 18, "pair"),
        ("cover clump", -60, 24, "pair"),
        ("tree line", 60, 25, "bank-along"),
        ("tree line", 60, 4, "bank-along"),
        ("tree line", 175, 18, "bank-off"),
        ("point", 110, 18, "point"),
    ],
)
def test_choose_by_position_wind_and_count(kind, phi, decoys, name):
    """Common practice, no source."""
    assert choose_layout(kind, phi, decoys=decoys) == name


@pytest.mark.parametrize("name", sorted(layouts.LAYOUTS))
@pytest.mark.parametrize("phi", [0, 40, -80, 120, 180])
def test_reason_is_one_sentence(name, phi):
    words = layout_reason(layouts.draw_layout(name, phi, decoys=24))
    assert words.endswith(".")
    assert words.count(". ") == 0
    assert "{" not in words


def test_reason_names_the_hand():
    assert "from the left" in layout_reason(layouts.draw_layout("bank-along", -80, decoys=24))
    assert "from the right" in layout_reason(layouts.draw_layout("bank-along", 80, decoys=24))


PARTS = {
    "mass": ("mass", "body", "end group", "stack"),
    "second": ("row", "both flanks"),
    "tail": ("tail",),
    "hook": ("hook",),
    "front": ("front leads",),
    "guard": ("guard",),
}
"""What a sentence calls a part."""


@pytest.mark.parametrize("decoys", [0, 1, 2, 6, 14, 36])
@pytest.mark.parametrize("phi", [0, 40, -75, 100, 128, 150, 180])
@pytest.mark.parametrize("name", sorted(set(layouts.LAYOUTS) - {"timber"}))
def test_reason_speaks_of_no_part_that_is_not_laid(name, phi, decoys):
    spread = spread_at(phi, decoys=decoys, name=name)
    laid = {group.name for group in spread.groups}
    for part, words in PARTS.items():
        if part not in laid:
            assert not any(word in spread.reason for word in words), spread.reason
    assert spread.reason.endswith(".")
    assert not set(spread.reason) & set("{}")
    assert not any(odd in spread.reason for odd in (" ,", "  ", ", .", "and ."))
    assert spread.reason.startswith("No decoys: ") == (not laid)


def test_reason_of_a_part_left_out_on_the_water_or_never_drawn():
    few = layouts.draw_layout("open-cross", 70, decoys=6)
    assert layout_reason(few) == (
        "Wind across from the right over open water: birds come up from the left and settle into "
        "the pocket short of the mass."
    )
    whole = layouts.draw_layout("point", 90, decoys=36)
    assert "the front leads birds past the tip, the guard fills" in layout_reason(whole)
    parts = {part.name for part in whole.parts}
    assert layout_reason(whole, without=parts) == (
        "No decoys: wind over the right shoulder at a point; birds come past the tip from the left."
    )
    assert layout_reason(whole, without={"front", "guard"}).endswith(
        "birds come past the tip from the left, and the mass closes the right."
    )


@pytest.mark.parametrize("name", ["bank-off", "open-behind"])
@pytest.mark.parametrize("phi", [112, -115, 128, 139])
def test_birds_that_come_aside_of_the_muzzle_are_not_said_to_come_straight_in(name, phi):
    """They arrive from downwind, at 115 degrees 65 aside of straight out: plain geometry."""
    drawn = layouts.draw_layout(name, phi, decoys=36)
    words = layout_reason(drawn)
    lee = "left" if phi > 0 else "right"
    assert f"come in across the front from the {lee}, quartering toward the hide" in words
    assert "straight" not in words
    assert "lane" not in words
    from_downwind = -drawn.upwind
    assert (from_downwind[0] < 0) == (lee == "left")
    assert from_downwind[1] > 0  # from out over the water


@pytest.mark.parametrize("phi", [0, 30, -44])
def test_the_wind_in_the_face_asks_for_cover_and_speaks_of_no_bank(phi):
    """Clumps and flats in open water have this sentence too; what may be shot is said elsewhere."""
    words = layout_reason(layouts.draw_layout(choose_layout("F", phi, decoys=36), phi, decoys=36))
    assert words.startswith("Wind in your face")
    assert "over or round the hide" in words
    assert "needs cover overhead" in words
    assert "bank" not in words
    assert "shots" not in words


@pytest.mark.parametrize("side", ["onto", "quartering-on", "along", "quartering-off", "off"])
def test_no_bank_is_spoken_of_where_there_is_none(side):
    for kind in ("cover clump", "open flat", "timber opening"):
        assert "bank" not in side_words({"kind": kind, "wind_side": side, "phi_deg": -60.0})
    assert side_words({"kind": "cove", "wind_side": "along", "phi_deg": -60.0}) == (
        "wind along the bank from the left"
    )


def test_birds_come_straight_in_with_the_wind_well_behind():
    for name in ("bank-off", "open-behind"):
        words = layout_reason(layouts.draw_layout(name, 165, decoys=36))
        assert "straight" in words
        assert words.endswith("both flanks.")


def test_a_refused_spread_opens_with_its_refusal():
    refused = spread_at(80, water=box(0, 0, 1, 1))
    assert refused.headline == f"No spread here: {refused.refused}."
    laid = spread_at(80)
    assert laid.headline == laid.reason
