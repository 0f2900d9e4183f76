"""Scanning a region: two workers against one, what scheduling costs, memory from few to many tiles.

Run on a quiet machine: python benchmarks/bench_scan.py
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from helpers_region import NW, make_region, sized

from sitegeo.bundled import place_file
from sitegeo.scan import cluster
from sitegeo.scan.region import read_region
from sitegeo.scan.scanning import Scan, scan
from sitegeo.scan.tiles import Asked

SIDE_M = 1200.0


def _ready() -> None:
    """Import what a worker needs, outside the time measured."""
    import sitegeo.scan.tiles  # noqa: F401, PLC0415


def timed(path: Path, out: Path, *, workers: int, size_m: float) -> tuple[float, Scan]:
    """Return the seconds of a scan after its workers have started, and what it found."""
    region = sized(read_region(path), size_m)
    with cluster.client_of(address=None, workers=workers, memory_bytes=int(4e9)) as client:
        client.run(_ready)
        start = time.perf_counter()
        found = scan(region, out, client, asked=Asked(NW))
        return time.perf_counter() - start, found


def main() -> None:
    """Print the ratios."""
    work = Path(tempfile.mkdtemp(prefix="sitegeo-scan-"))
    try:
        path = make_region(work / "county", place_file())
        one, found = timed(path, work / "one", workers=1, size_m=SIDE_M / 4)
        two, _ = timed(path, work / "two", workers=2, size_m=SIDE_M / 4)
        busy = sum(t.seconds for t in found.tiles)
        print(f"two workers: {one / two:.2f} x one (wanted 1.7)")
        print(f"one worker: {one:.1f} s, of which {busy:.1f} s in its tiles")
        for tiles in (2, 5):
            _, cut = timed(path, work / f"m{tiles}", workers=1, size_m=SIDE_M / tiles)
            peak = max(t.peak_bytes for t in cut.tiles) / 1e6
            print(f"{len(cut.tiles)} tiles: a worker peaks at {peak:.0f} MB")
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    main()
