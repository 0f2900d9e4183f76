"""What many winds cost, and how far they are from `rank`; run on a quiet machine.

    python benchmarks/bench_hours.py [SURVEY]

- 36 directions and every blind of the demo survey: sweeps and tables, seconds, and as a multiple
  of ranking one wind.
- `hours`: 48 h and 200 draws. `season`: the bundled past winds.
- Scores against `rank` for the same winds: median, 95th percentile and share beyond 0.05, and how
  much is lost by taking the blind picked here.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

import sitegeo
from sitegeo.places.bundled import bundled_place_file
from sitegeo.rankings.many_winds import score_tables, upwind_of_blinds
from sitegeo.rankings.ranking import blinds_under_law
from sitegeo.surveys.morning import assumptions_on

WINDS = 40
T = TypeVar("T")


def timed(work: Callable[[], T], repeats: int = 3) -> tuple[float, T]:
    """Best time of some runs, and the last result."""
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - started)
    return min(times), result


def accuracy(survey: sitegeo.Survey, many: sitegeo.rankings.many_winds.ScoreTables) -> None:
    """Print how far the tables are from `rank`."""
    rng = np.random.default_rng(1)
    off, lost = [], []
    for _ in range(WINDS):
        wind = sitegeo.Wind(rng.uniform(0, 360), rng.uniform(1.2, 10), None, rng.uniform(10, 20))
        truth = (
            sitegeo.rank(survey, wind, spreads_tried=0)
            .blinds.set_index("id")
            .loc[many.blinds["id"], "score"]
        )
        values = (np.array([v]) for v in (wind.from_deg, wind.speed_mps, wind.spread_deg))
        told = many.scores(*values).score[0]
        off.append(np.abs(told - truth.to_numpy()))
        lost.append(truth.max() - truth.iloc[told.argmax()])
    away = np.concatenate(off)
    print(f"|score - rank|     median {np.median(away):.4f}, 95 % {np.percentile(away, 95):.4f}")
    print(f"beyond 0.05        {(away > 0.05).mean():.1%} of {away.size}")
    print(f"lost by the pick   median {np.median(lost):.4f}, most {max(lost):.4f}")


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        if len(sys.argv) > 1:
            survey = sitegeo.Survey.open(sys.argv[1])
        else:
            made = sitegeo.survey(sitegeo.read_place(bundled_place_file()))
            survey = sitegeo.Survey.open(made.save(Path(folder) / "survey", atlas=False))
        judged = blinds_under_law(survey)
        assume = assumptions_on(survey, None)
        one, _ = timed(lambda: sitegeo.rank(survey, sitegeo.Wind.parse("NW 12 mph")))
        swept, upwind = timed(lambda: upwind_of_blinds(survey, judged.blinds))
        tables, many = timed(lambda: score_tables(survey, judged.blinds, upwind, assume))
        print(f"blinds             {len(judged.blinds)}")
        print(f"rank, one wind     {one:.2f} s")
        print(f"36 directions      {swept + tables:.2f} s ({swept:.2f} sweeping)")
        print(f"                   {(swept + tables) / one:.1f} x one wind")
        forecast = sitegeo.read_winds(bundled_place_file().parent / "forecast.csv")
        two_days = sitegeo.Forecast(forecast.hours[:48])
        past = sitegeo.read_winds(bundled_place_file().parent / "past_winds.csv")
        by_hour, _ = timed(lambda: sitegeo.hours(survey, two_days), 2)
        by_season, _ = timed(lambda: sitegeo.season(survey, past), 2)
        print(f"hours, 48 h x 200  {by_hour:.2f} s")
        print(f"season, {len(past.hours)} rows  {by_season:.2f} s")
        accuracy(survey, many)


if __name__ == "__main__":
    main()
