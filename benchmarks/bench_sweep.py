"""Time the wind sweep: one direction on a square raster, beside the least a pass can cost.

    python benchmarks/bench_sweep.py [--size 4096] [--repeats 5] [--bands 1] [--all]

Prints nanoseconds a pixel for each azimuth on one thread, the ratio of their mean to
``numpy.maximum.accumulate(z, axis=1)`` on the same int16 raster, two threads against one, and
the compile time apart. Buffers are touched beforehand and the best of interleaved repetitions
is taken, so that a busy machine disturbs the ratio little. `--all` adds the same on 10,000²
pixels with its peak memory, exact ray casting with bulk shapely on a lake, the method that turns
the raster instead, the cost from 1 to 100 million pixels, and the first call with an empty
compile cache; two to three minutes on a quiet machine.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from sitegeo.exposure.sweep import Sweep, empty_sweep, encode_surface, sweep

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from oracles.rays import planar_fetch

LARGE = 10_000
AZIMUTHS = (0.0, 17.5, 31.0, 45.0, 62.3, 90.0, 118.0, 151.7, 180.0, 225.0, 270.0, 293.9, 340.0)


def noise(cell: int, size: int, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Smooth noise of unit variance at the knots."""
    knots = rng.standard_normal((size // cell + 3, size // cell + 3)).astype(np.float32)
    rows = ndimage.zoom(knots, cell, order=1)
    return np.asarray(rows[:size, :size], np.float32)


def country(size: int, seed: int = 1) -> npt.NDArray[np.int16]:
    """Lakes, islands, low banks and woods with a rough canopy, about half of it water."""
    rng = np.random.default_rng(seed)
    relief = noise(512, size, rng) + 0.4 * noise(128, size, rng) + 0.1 * noise(32, size, rng)
    water = relief < np.median(relief)
    rough = rng.standard_normal((size, size), dtype=np.float32)
    canopy = np.maximum(12 + 5 * noise(64, size, rng) + 4 * rough, 0)
    heights = np.where(relief < np.median(relief) + 0.15, np.float32(0.4), canopy)
    density = (noise(256, size, rng) > 0).astype(np.uint8) + 1
    return encode_surface(water, heights, density=density)


def large(size: int) -> npt.NDArray[np.int16]:
    """`country`, laid side by side where it would take more memory to make than to sweep."""
    if size <= 4096:
        return country(size)
    times = -(-size // 2500)
    return np.ascontiguousarray(np.tile(country(2500), (times, times))[:size, :size])


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def bench(size: int, repeats: int, bands: int) -> None:
    """Print the figures for one raster."""
    surface = large(size)
    out = empty_sweep(surface.shape, bands)
    for array in (out.fetch_m, out.horizon_code, out.at_least):
        array[...] = 0
    flat = np.zeros_like(surface)
    best: dict[object, float] = {}

    def keep(key: object, work: Callable[[], object]) -> None:
        best[key] = min(best.get(key, np.inf), seconds(work))

    threads = (1, 2) if (os.cpu_count() or 1) > 1 else (1,)
    for _ in range(repeats):
        for azimuth in AZIMUTHS:
            keep("least", lambda: np.maximum.accumulate(surface, axis=1, out=flat))
            for n in threads:
                keep((azimuth, n), one(surface, azimuth, bands, n, out))
    pixels = surface.size / 1e9
    for azimuth in AZIMUTHS:
        print(f"{azimuth:6.1f}°  {best[azimuth, 1] / pixels:6.2f} ns a pixel")
    mean = {n: float(np.mean([best[a, n] for a in AZIMUTHS])) for n in threads}
    share = np.mean(surface < 0)
    print(f"{size} x {size}, {share:.0%} water, {bands} band(s), mean over azimuths:")
    print(f"  {mean[1] / pixels:.2f} ns a pixel on one thread")
    print(f"  {mean[1] / best['least']:.2f} x maximum.accumulate ({best['least'] / pixels:.2f} ns)")
    if 2 in mean:
        print(f"  two threads {mean[1] / mean[2]:.2f} x as fast as one")


def one(
    surface: npt.NDArray[np.int16],
    azimuth: float,
    bands: int,
    threads: int,
    out: Sweep | None = None,
) -> Callable[[], object]:
    """A call that sweeps one direction."""
    return lambda: sweep(
        surface, from_grid_deg=azimuth, pixel_m=1.0, bands=bands, threads=threads, out=out
    )


def bench_rays(size: int) -> None:
    """Print the cost of a point and direction by exact rays, and by the sweep."""
    lake = ragged_lake(size)
    x, y = np.meshgrid(np.arange(size) + 0.5, size - np.arange(size) - 0.5)
    water = np.asarray(shapely.contains_xy(lake, x, y))
    chosen = np.random.default_rng(0).choice(np.flatnonzero(water), 20_000)
    rays = seconds(
        lambda: planar_fetch(
            x.flat[chosen], y.flat[chosen], lake, from_grid_deg=31.0, max_m=2.0 * size
        )
    )
    surface = encode_surface(water)
    out = empty_sweep(surface.shape, 1)
    swept = min(seconds(one(surface, 31.0, 1, 1, out)) for _ in range(5))
    each, pixel = rays / chosen.size, swept / water.sum()
    print(f"exact rays: {each * 1e6:.1f} µs a point; sweep: {pixel * 1e9:.1f} ns a water pixel")
    print(f"  the sweep is {each / pixel:,.0f} x faster a point and direction")


def ragged_lake(size: int) -> BaseGeometry:
    """A lake with a shore of 4,000 points and a few islands."""
    rng = np.random.default_rng(4)
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    wave = sum(rng.normal(0, 0.6 / n) * np.cos(n * angle + rng.uniform(0, 6)) for n in range(2, 40))
    radius = size * 0.3 * (1 + 0.35 * np.tanh(wave))
    shore = np.column_stack([np.sin(angle) * radius, np.cos(angle) * radius]) + size / 2
    islands = [
        shapely.Point(*(size * rng.uniform(0.35, 0.65, 2))).buffer(size * 0.01) for _ in range(6)
    ]
    return shapely.Polygon(shore).buffer(0).difference(shapely.union_all(islands))


def bench_rotate(size: int) -> None:
    """Print the cost of turning the raster so that the wind runs along its columns."""
    surface = country(size)

    def turned() -> None:
        upright = ndimage.rotate(surface, 31.0, order=0, cval=-32768)
        rows = np.arange(upright.shape[0], dtype=np.int32)[:, None]
        land = np.maximum.accumulate(np.where(upright >= 0, rows, -1), axis=0)
        ndimage.rotate(rows - land, -31.0, order=0, reshape=False)

    out = empty_sweep(surface.shape, 0)
    times = [(seconds(turned), seconds(one(surface, 31.0, 0, 1, out))) for _ in range(3)]
    turning, sweeping = np.min(times, axis=0)
    print(
        f"fetch alone: rotating the raster {turning / surface.size * 1e9:.1f} ns a pixel, the "
        f"sweep {sweeping / surface.size * 1e9:.1f}: {turning / sweeping:.0f} x faster"
    )


def bench_memory(size: int, bands: int) -> None:
    """Print the peak memory of one direction, in a process that holds the surface alone."""
    if not Path("/proc/self/clear_refs").exists():
        print("peak memory is measured on Linux alone")
        return
    code = (
        "import sys, numpy as np\n"
        "from pathlib import Path\n"
        "from sitegeo.exposure.sweep import encode_surface, sweep\n"
        "def held(name):\n"
        "    lines = Path('/proc/self/status').read_text().splitlines()\n"
        "    return int(next(s for s in lines if s.startswith(name)).split()[1]) * 1024\n"
        f"def run(z): sweep(z, from_grid_deg=31.0, pixel_m=1.0, bands={bands})\n"
        "run(encode_surface(np.ones((8, 8), bool)))\n"
        "surface = np.load(sys.argv[1])\n"
        "Path('/proc/self/clear_refs').write_text('5')\n"
        "before = held('VmRSS'); run(surface); print(held('VmHWM') - before)"
    )
    surface = large(size)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "surface.npy"
        np.save(path, surface)
        above = int(subprocess.check_output([sys.executable, "-c", code, str(path)], text=True))
    outputs = surface.size * (3 + bands)  # fetch two bytes, the flag one, a byte a band
    print(f"peak memory of one direction on {size} x {size}, {bands} band(s):")
    print(f"  {above / 1e6:.0f} MB above the input; outputs are {outputs / 1e6:.0f} MB")
    share = (surface.nbytes + above) / (3 * surface.nbytes + outputs)
    print(f"  input and peak are {share:.2f} of 3 x input + outputs")


def bench_linear(bands: int) -> None:
    """Print the cost a pixel from 1 to 100 million pixels, one thread, one oblique azimuth."""
    print("nanoseconds a pixel at 31°, one thread:")
    for size in (1000, 2000, 3162, 5000, 7071, LARGE):
        surface = large(size)
        out = empty_sweep(surface.shape, bands)
        work = one(surface, 31.0, bands, 1, out)
        work()
        best = min(seconds(work) for _ in range(3))
        print(f"  {size**2 / 1e6:6.1f} MP  {best / size**2 * 1e9:5.2f} ns")


def bench_first_call() -> None:
    """Print the first call of a process with an empty compile cache and with a full one."""
    code = (
        "import time, numpy as np\n"
        "from sitegeo.exposure.sweep import encode_surface, sweep\n"
        "s = encode_surface(np.ones((8, 8), bool)); t = time.perf_counter()\n"
        "sweep(s, from_grid_deg=0.0, pixel_m=1.0); print(time.perf_counter() - t)"
    )
    with tempfile.TemporaryDirectory() as folder:
        env = os.environ | {"NUMBA_CACHE_DIR": folder}
        cold, warm = (
            float(subprocess.check_output([sys.executable, "-c", code], env=env, text=True))
            for _ in range(2)
        )
    print(f"first call: {cold:.1f} s compiling, {warm:.2f} s from the cache on disk")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=4096)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--bands", type=int, default=1, choices=(0, 1, 4))
    parser.add_argument("--all", action="store_true")
    options = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    tiny = encode_surface(np.ones((8, 8), bool))
    loading = seconds(one(tiny, 0.0, options.bands, 1))
    print(f"first call, compiling or loading the cache: {loading:.2f} s")
    bench(options.size, options.repeats, options.bands)
    if options.all:
        bench(LARGE, 2, options.bands)
        bench_memory(LARGE, options.bands)
        bench_rays(2048)
        bench_rotate(min(options.size, 4096))
        bench_linear(options.bands)
        bench_first_call()
