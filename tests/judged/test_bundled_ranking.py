"""The answer is pinned: which places are named on the bundled place, and by what."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_pinned import LISTED, PINNED, WINDS, table

import sitegeo

HUNDREDTHS = 0.6
"""Rounding, and the last bits of other machines."""


def test_the_bundled_place_is_ranked_as_it_was(demo_survey: Path) -> None:
    """Where this breaks on purpose: look at what changed, then `make pin`."""
    now = [line.split() for line in table(sitegeo.Survey.open(demo_survey)).splitlines()]
    was = [line.split() for line in PINNED.read_text(encoding="utf-8").splitlines()]
    assert len(was) == 1 + len(WINDS) * (2 + LISTED)
    assert len(now) == len(was)
    for new, old in zip(now[1:], was[1:], strict=True):
        if not old or old[0] in {text.split()[0] for text in WINDS}:
            assert new == old
            continue
        assert new[:2] == old[:2]
        assert [float(v) for v in new[2:]] == pytest.approx(
            [float(v) for v in old[2:]], abs=HUNDREDTHS
        )


def test_rank_and_plan_name_the_same_best_blind(demo_survey: Path) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    for text in ("SE 16 mph", "NW 12 mph"):
        wind = sitegeo.Wind.parse(text)
        best = sitegeo.rank(survey, wind).places.iloc[0]
        assert sitegeo.plan(survey, wind).blind["id"] == best["id"]
