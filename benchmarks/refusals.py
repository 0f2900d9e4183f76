"""How often a spread is refused where it should not be, in every wind.

    python benchmarks/refusals.py [SURVEY ...]

For 36 winds of 12 mph every blind of a survey that no hard reason rules out is laid:
- *listed*: blinds that `rank` would list after its quick look; how many are refused all the same;
- *named*: the ten best places of each wind, which `rank` lays before it names them;
- *left out*: blinds without room at a quick look; how many could be laid after all.
With no survey given it surveys the bundled place.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

import sitegeo
from sitegeo.places.bundled import bundled_place_file
from sitegeo.rankings.ranking import SPREADS_TRIED, without_room
from sitegeo.rankings.spread_site import spread_site, why_refused
from sitegeo.rankings.turning_wind import rank_all_round
from sitegeo.surveys.morning import gear_carried

MPS = 5.36


def told(survey: sitegeo.Survey) -> None:
    """Print the figures of one survey."""
    ranked = sitegeo.rank(survey, sitegeo.Wind(0.0, MPS), spreads_tried=0)
    gear = gear_carried(survey)
    counts: Counter[str] = Counter()
    by_layout: Counter[tuple[str, bool]] = Counter()
    for one in rank_all_round(survey, ranked):
        blinds = one.blinds
        without = without_room(blinds)
        refused = np.array(
            [
                why_refused(survey, row, spread_site(survey, row, gear)) is not None
                for _, row in blinds.iterrows()
            ]
        )
        best = (
            blinds[~without & blinds["same_place_as"].isna().to_numpy()].head(SPREADS_TRIED).index
        )
        counts["listed"] += int((~without).sum())
        counts["listed, refused"] += int(refused[~without].sum())
        counts["named"] += len(best)
        counts["named, refused"] += int(refused[blinds.index.get_indexer(best)].sum())
        counts["left out"] += int(without.sum())
        counts["left out, could be laid"] += int((~refused[without]).sum())
        for layout, no in zip(blinds["layout"][~without], refused[~without], strict=True):
            by_layout[layout, bool(no)] += 1
    print(survey.title)
    for first, second in (
        ("listed", "listed, refused"),
        ("named", "named, refused"),
        ("left out", "left out, could be laid"),
    ):
        share = counts[second] / max(counts[first], 1)
        print(f"  {first:10} {counts[first]:6}   {second:26} {counts[second]:5}   {share:.2%}")
    for layout in sorted({name for name, _ in by_layout}):
        no, yes = by_layout[layout, True], by_layout[layout, False]
        print(f"    {layout:12} {no:4} of {no + yes:5} listed   {no / (no + yes):.2%}")


def main() -> None:
    """Measure each survey named, or the bundled place."""
    if len(sys.argv) > 1:
        for folder in sys.argv[1:]:
            told(sitegeo.Survey.open(folder))
        return
    with tempfile.TemporaryDirectory() as folder:
        sitegeo.survey(sitegeo.read_place(bundled_place_file())).save(Path(folder) / "survey")
        told(sitegeo.Survey.open(Path(folder) / "survey"))


if __name__ == "__main__":
    main()
