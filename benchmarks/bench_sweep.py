"""Time the wind sweep: one direction on a square raster, beside the least a pass can cost.

    python benchmarks/bench_sweep.py [--size 4096] [--repeats 5] [--bands 1]

Prints nanoseconds a pixel for each azimuth on one thread, the ratio of their mean to
``numpy.maximum.accumulate(z, axis=1)`` on the same int16 raster, two threads against one, and
the compile time apart. Buffers are touched beforehand and the best of interleaved repetitions
is taken, so that a busy machine disturbs the ratio little. `--rays` adds exact ray casting
with bulk shapely on a lake, `--rotate` the method that turns the raster instead.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from sitegeo.exposure.rays import planar_fetch
from sitegeo.exposure.sweep import Sweep, empty_sweep, encode_surface, sweep

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


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def bench(size: int, repeats: int, bands: int) -> None:
    """Print the figures for one raster."""
    tiny = encode_surface(np.ones((8, 8), bool))
    print(f"first call, compiling or loading the cache: {seconds(one(tiny, 0.0, bands, 1)):.2f} s")
    surface = country(size)
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


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=4096)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--bands", type=int, default=1, choices=(0, 1, 4))
    parser.add_argument("--rays", action="store_true")
    parser.add_argument("--rotate", action="store_true")
    options = parser.parse_args()
    bench(options.size, options.repeats, options.bands)
    if options.rays:
        bench_rays(min(options.size, 2048))
    if options.rotate:
        bench_rotate(min(options.size, 4096))
