"""A worker killed at ten random moments costs nothing but time.

Run: python benchmarks/kill_scan.py [SEED]. Two local workers scan a small region; ten times, at
moments drawn from the seed, one of them is killed without warning. What comes out is compared
with an undisturbed run, file by file.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from helpers_region import SIDE_M, make_region, run

from sitegeo.places.bundled import bundled_place_file
from sitegeo.scan import cluster, tiling
from sitegeo.scan.scanning import Scan

KILLS = 10
SIZE_M = SIDE_M / 4


class Killer(threading.Thread):
    """Kills a worker, drawn at random, at each of some moments after its start."""

    def __init__(self, client: Any, moments: list[float], seed: int) -> None:
        super().__init__(daemon=True)
        self._client, self._moments = client, sorted(moments)
        self._random = random.Random(seed)
        self.started = threading.Event()
        self.over = threading.Event()
        self.killed: list[float] = []

    def run(self) -> None:
        """Kill until the moments have passed or the scan is over."""
        self.started.wait()
        start = time.monotonic()
        for moment in self._moments:
            while not self.over.is_set():
                # A nanny takes a while to start another worker; a moment with none is put off.
                pids = [w.pid for w in self._client.cluster.workers.values() if w.pid]
                if time.monotonic() - start >= moment and pids:
                    break
                time.sleep(0.02)
            if self.over.is_set():
                return
            os.kill(self._random.choice(sorted(pids)), signal.SIGKILL)
            self.killed.append(round(time.monotonic() - start, 2))


def scanned(path: Path, out: Path, moments: list[float], seed: int) -> tuple[Scan, float, Killer]:
    """Return a scan by two workers, killed at some moments, and its seconds."""
    with cluster.open_client(address=None, workers=2, memory_bytes=int(2e9)) as client:
        killer = Killer(client, moments, seed)
        killer.start()
        start = time.perf_counter()
        killer.started.set()
        found = run(path, out, client, size_m=SIZE_M)
        seconds = time.perf_counter() - start
        killer.over.set()
        killer.join()
        return found, seconds, killer


def contents(out: Path) -> dict[str, str]:
    """Return a hash of every file of a result, timings and the work folder left out."""
    return {
        str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.name != "timings.json" and ".work" not in p.parts
    }


def main() -> None:
    """Print when workers were killed and what it cost."""
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    tiling.PLATE_PX, tiling.PLATE_MARGIN_PX = 250, 50
    work = Path(tempfile.mkdtemp(prefix="sitegeo-kill-"))
    try:
        path = make_region(work / "county", bundled_place_file())
        calm, calm_s, _ = scanned(path, work / "calm", [], seed)
        drawn = random.Random(seed)
        moments = [drawn.uniform(0, calm_s) for _ in range(KILLS)]
        found, seconds, killer = scanned(path, work / "killed", moments, seed)
        print(f"undisturbed {calm_s:.1f} s; killed {len(killer.killed)} times, at "
              f"{killer.killed} s: {seconds:.1f} s")  # fmt: skip
        one, other = contents(work / "calm"), contents(work / "killed")
        differ = sorted(n for n in one.keys() | other.keys() if one.get(n) != other.get(n))
        print(f"{len(one)} files, of which {len(differ)} differ: {differ}")
        print(f"tiles: {calm.counts()} and {found.counts()}")
        sys.exit(1 if differ or len(killer.killed) < KILLS else 0)
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    main()
