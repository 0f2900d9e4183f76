"""One region cut 1, 4, 9 and 16 ways: how far the answers lie apart.

Run: python benchmarks/tilings.py. Plates are made small, so that each region has several; halos
are 300 m, half of the default, so that what a halo cuts off shows.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import pandas as pd
from helpers_region import PIXEL_M, SIDE_M, in_process, make_region, run

from sitegeo.places.bundled import bundled_place_file
from sitegeo.scan import tiling


def compared(whole: pd.DataFrame, cut: pd.DataFrame) -> str:
    """Return how two tables of the same region's blinds differ."""
    a, b = (f.set_index("id").sort_index() for f in (whole, cut))
    both = a.index.intersection(b.index)
    other = len(a.index.symmetric_difference(b.index))
    a, b = a.loc[both], b.loc[both]
    reasons = (a["rejected_by"].fillna("") != b["rejected_by"].fillna("")).sum()
    away = a.geometry.distance(b.geometry).max()
    score, fetch = ((a[n] - b[n]).abs() for n in ("score", "fetch_m"))
    return (
        f"{len(both)} blinds the same, {other} not; {reasons} ruled out otherwise; {away:.3f} m "
        f"apart; scores within {score.max():.3f} ({(score > 0.005).sum()} beyond 0.005), "
        f"fetch within {fetch.max():.0f} m"
    )


def main() -> None:
    """Print the differences."""
    tiling.PLATE_PX, tiling.PLATE_MARGIN_PX = 250, 50
    work = Path(tempfile.mkdtemp(prefix="sitegeo-tilings-"))
    whole = None
    try:
        path = make_region(work / "county", bundled_place_file())
        with in_process() as client:
            for ways in (1, 2, 3, 4):
                size_m = PIXEL_M * -(-SIDE_M // PIXEL_M // ways)
                found = run(path, work / str(ways), client, size_m=float(size_m)).found.blinds
                whole = found if whole is None else whole
                print(f"{ways * ways:2d} tiles: {compared(whole, found)}", flush=True)
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    main()
