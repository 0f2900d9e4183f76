"""Scanning a region: two workers against one, what scheduling costs, memory from few to many tiles.

Run on a quiet machine: python benchmarks/bench_scan.py. With the word 'costs', what docs/scale.md
tells instead: seconds and memory a km² at 1 m with 1, 2 and 4 workers, in some ten minutes.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from helpers_region import NW, sized
from mirrored import SIDE_M, county

from sitegeo.places.bundled import bundled_place_file
from sitegeo.scan import cluster, tiling
from sitegeo.scan.judging import ScanQuery
from sitegeo.scan.region import Region, read_region
from sitegeo.scan.scanning import scan


@dataclass(frozen=True)
class Timed:
    """A scan measured after its workers had started; CPU seconds of the workers and of the rest."""

    seconds: float
    workers_s: float
    rest_s: float
    tiles: int
    peak_mb: float
    km2: float

    def __str__(self) -> str:
        """Return it in words."""
        return (
            f"{self.seconds:.1f} s for {self.km2:.0f} km² in {self.tiles} tiles; CPU "
            f"{self.workers_s:.1f} s in workers, {self.rest_s:.1f} s outside; "
            f"{self.workers_s / self.km2:.1f} s a km²; a worker peaks at {self.peak_mb:.0f} MB"
        )


def timed(region: Region, out: Path, *, workers: int, size_m: float) -> Timed:
    """Return what a scan in tiles of a size takes."""
    with cluster.open_client(address=None, workers=workers, memory_bytes=int(4e9)) as client:
        client.wait_for_workers(workers)
        before = sum(client.run(time.process_time).values())
        start, outside = time.perf_counter(), time.process_time()
        found = scan(sized(region, size_m), out, client, asked=ScanQuery(NW))
        seconds, outside = time.perf_counter() - start, time.process_time() - outside
        busy = sum(client.run(time.process_time).values()) - before
    shutil.rmtree(out)
    west, south, east, north = region.grid.bounds
    peak = max(t.peak_bytes for t in found.tiles) / 1e6
    km2 = (east - west) * (north - south) / 1e6
    return Timed(seconds, busy, outside, len(found.tiles), peak, km2)


def corner(region: Region, side_m: float, halo_m: float) -> Region:
    """Return the north-west of a region, of tiles with another halo."""
    side = round(side_m / region.grid.pixel_m)
    grid = replace(region.grid, shape=(side, side))
    tiles = region.file.tiles.model_copy(update={"halo_m": halo_m})
    return replace(region, grid=grid, file=region.file.model_copy(update={"tiles": tiles}))


def ratios(work: Path) -> None:
    """Print the ratios asked for."""
    tiling.PLATE_PX = 1000  # as many plates as workers, and more
    across = 2
    region = read_region(county(work / "county", bundled_place_file(), across=across, pixel_m=2))
    one, two = (timed(region, work / f"out{n}", workers=n, size_m=SIDE_M / 2) for n in (1, 2))
    print(f"one worker:  {one}\ntwo workers: {two}")
    print(f"two workers are {one.seconds / two.seconds:.2f} x one (wanted 1.7)")
    idle = 1 - one.workers_s / one.seconds
    print(f"the one worker idles {idle:.1%} of the time (wanted 5 %; means nothing if busy)")
    print(f"CPU outside the workers: {one.rest_s / one.workers_s:.1%} of that in them")
    for tiles in (2, 8):
        part = corner(region, 500.0 * tiles, 300.0)
        found = timed(part, work / f"m{tiles}", workers=2, size_m=500.0)
        print(f"{found.tiles} tiles: a worker peaks at {found.peak_mb:.0f} MB")


def costs(work: Path) -> None:
    """Print what a km² costs at 1 m."""
    region = read_region(county(work / "county", bundled_place_file(), across=2, pixel_m=1))
    for workers in (1, 2, 4):
        found = timed(region, work / f"out{workers}", workers=workers, size_m=SIDE_M)
        each = found.peak_mb / (SIDE_M / 1000) ** 2
        print(f"{workers} workers: {found}, {each:.0f} MB a km² of its tile", flush=True)


def main() -> None:
    """Measure."""
    work = Path(tempfile.mkdtemp(prefix="sitegeo-scan-"))
    try:
        (costs if "costs" in sys.argv[1:] else ratios)(work)
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    main()
