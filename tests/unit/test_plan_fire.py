"""What a plan says of shots at its birds (caution; the fall of shot is tested in the law's own)."""

from __future__ import annotations

import pytest

from sitegeo.law.shot_range import ClosedArc, ShotFall, read_load
from sitegeo.plans.shot import fire_sentences, shot_words

FACING = 90.0


def fall(*arcs: tuple[float, float], not_checked: tuple[str, ...] = ()) -> ShotFall:
    closed = tuple(ClosedArc(a, b, "roads", "front") for a, b in arcs)
    return ShotFall(read_load("steel 2"), 400.0, closed, (), not_checked)


def said(shot: ShotFall, *, over_hide: bool = False) -> str:
    return shot_words(shot, FACING, 92.0, over_hide=over_hide)


@pytest.mark.parametrize("arc", [(80.0, 100.0), (350.0, 95.0), (0.0, 360.0), (92.0, 92.0)])
def test_a_pocket_in_an_arc_of_no_fire_is_said(arc: tuple[float, float]) -> None:
    assert "No fire over the pocket" in said(fall(arc))


@pytest.mark.parametrize("arc", [(100.0, 80.0), (200.0, 300.0)])
def test_elsewhere_nothing_is_said_of_the_pocket(arc: tuple[float, float]) -> None:
    assert said(fall(arc)) == ""


def test_where_birds_come_over_the_hide_it_is_said_what_may_be_shot() -> None:
    """Never more than the arcs allow: all behind closed, some of it, nothing, not known."""
    for arcs, words in (
        ([(200.0, 340.0)], "Let birds over or behind you go: no fire there."),
        ([(200.0, 250.0)], "Overhead or behind fire only outside the arcs of no fire."),
        ([(10.0, 60.0)], "Overhead or behind fire only outside the arcs of no fire."),
        ([], "Shots may be overhead or behind."),
    ):
        assert said(fall(*arcs), over_hide=True) == words
    assert "not checked" in said(fall(not_checked=("roads",)), over_hide=True)


def test_arcs_are_told_true_and_magnetic_where_the_declination_is_known() -> None:
    """Magnetic is true less the declination, east positive; never a narrower arc by rounding."""
    shot = fall((333.0, 189.0), (200.0, 201.0))
    (undated,) = fire_sentences(shot)
    assert "333° to 189° (roads, front); 200° to 201° (roads, front), true bearings" in undated
    assert "magnetic" not in undated
    (east,) = fire_sentences(shot, declination_deg=2.0)
    assert "333° to 189° true, 331° to 187° magnetic (roads, front)" in east
    (west,) = fire_sentences(shot, declination_deg=-0.4)
    assert "333° to 189° true, 333° to 190° magnetic" in west
    assert "200° to 201° true, 200° to 202° magnetic" in west
    (north,) = fire_sentences(fall((359.0, 1.0)), declination_deg=-2.0)
    assert "359° to 001° true, 001° to 003° magnetic" in north
    (round_about,) = fire_sentences(fall((0.0, 360.0)), declination_deg=2.2)
    assert "000° to 360° true (roads" in round_about
