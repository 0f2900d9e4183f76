"""Where one layout hands over to another the decoys lie much as they did (judgement, no source)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.optimize import linear_sum_assignment
from shapely.geometry import Polygon, box

from sitegeo.spreads import layouts
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.place import place_spread
from sitegeo.spreads.result import Spread
from sitegeo.units import YARD_M, yd

ROUND_ABOUT = box(yd(-200), yd(-200), yd(200), yd(200))
BANK = box(yd(-200), yd(1), yd(200), yd(200))


def tip() -> shapely.Geometry:
    """Return the water round a blunt point of land whose tip is at the hide."""
    down = np.linspace(0, 1, 60)
    half = yd(34) * down**0.55
    y = yd(1.5) - yd(120) * down**1.3
    edge = [np.column_stack([-half[::-1], y[::-1]]), np.column_stack([half, y])]
    return ROUND_ABOUT.difference(Polygon(np.concatenate(edge)).buffer(0))


SHORES = {"point": tip(), "tree line": BANK, "cover clump": BANK}


def laid(kind: str, phi: float, decoys: int) -> Spread:
    layout = layouts.choose_layout(kind, phi, decoys=decoys)
    drawn = layouts.draw_layout(layout, phi, decoys=decoys)
    return place_spread(drawn, HideFrame(0.0, 0.0, 0.0), water=SHORES[kind], decoys=decoys)


@pytest.mark.parametrize("kind", sorted(SHORES))
@pytest.mark.parametrize("decoys", [16, 36, 60])
def test_a_small_turn_moves_decoys_little_whatever_the_layout_is_called(kind, decoys):
    """Five degrees: 5 yd on average at the most, 3.5 yd where the name of the layout changes."""
    before = laid(kind, 0, decoys)
    for theta in range(5, 181, 5):
        now = laid(kind, theta, decoys)
        way = np.hypot(*(before.decoys[:, None] - now.decoys).transpose(2, 0, 1)) / YARD_M
        moved = way[linear_sum_assignment(way)].mean()
        assert moved <= 5.0, (theta, before.layout, now.layout)
        if now.layout != before.layout:
            assert moved <= 3.5, (theta, before.layout, now.layout)
        before = now


@pytest.mark.parametrize("decoys", [36, 60, 120])
def test_no_tail_far_out_at_a_point_with_the_wind_nearly_behind(decoys):
    """Downwind decoys go aside, so that birds do not come down short (common practice)."""
    for phi in (140, 145, 150, 160, 170, 180, -140, -150):
        spread = laid("point", phi, decoys)
        away = spread.decoys - spread.pocket_centre
        downwind = -away @ (np.sin(np.radians(phi)), np.cos(np.radians(phi)))
        far = (np.hypot(*spread.decoys.T) > yd(33)) & (downwind > yd(12))
        assert not far.any(), (phi, far.sum())


def test_no_guard_is_told_of_while_the_lesser_group_is_still_the_second():
    for phi in range(60, 121, 5):
        spread = laid("point", phi, 36)
        assert ("guard" in spread.reason) == ("guard" in {g.name for g in spread.groups}), phi
