"""What the wind atlas costs, and how far its averages over a spread are from the wind swept.

    python benchmarks/bench_atlas.py [--places FOLDER] [--size 2000]

Cost, as ratios: the 36 directions swept and written against the sweeps alone; a window read
against the whole direction. Error: on the real lake in FOLDER/fetch-reference (Gurre, Denmark, a
5 m grid), averages over a spread interpolated between stored directions against one swept at
every degree; beside it the few sweeps of `rank`, and raw fetch interpolated in the same way,
which the atlas refuses to do.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from bench_sweep import country
from pyproj import CRS

from sitegeo.core.grid import Grid, Raster
from sitegeo.exposure.atlas import SECTORS, Atlas, write_atlas
from sitegeo.exposure.shelter import spread_weights
from sitegeo.exposure.sweep import NO_FETCH, empty_sweep, encode_surface, sweep

Floats = npt.NDArray[np.floating]
PLACES = Path(__file__).resolve().parents[2] / "shared" / "places"


def cost(size: int) -> None:
    """Print what making and reading an atlas costs."""
    grid = Grid(CRS.from_epsg(32615), 500_000.0, 4_900_000.0, 1.0, (size, size))
    surface = country(size)
    # Classes as the obstacles layer numbers them.
    obstacles = Raster(np.where(surface >= 0, surface & ~2, surface).astype(np.int16), grid)
    buffers = empty_sweep(grid.shape, 2)
    sweep(obstacles.values, from_grid_deg=0.0, pixel_m=1.0, bands=2, out=buffers)
    started = time.perf_counter()
    for bearing in range(0, 360, 360 // SECTORS):
        sweep(obstacles.values, from_grid_deg=float(bearing), pixel_m=1.0, bands=2, out=buffers)
    alone = time.perf_counter() - started
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        write_atlas(obstacles, Path(folder))
        whole = time.perf_counter() - started
        megabytes = sum(p.stat().st_size for p in Path(folder).iterdir()) / 1e6
        atlas = Atlas.open(folder)
        window = slice(size // 2, size // 2 + 256), slice(size // 2, size // 2 + 256)
        all_of_it, part_of_it = (
            min(_timed(lambda part=part: atlas.fetch(120, part)) for _ in range(5))
            for part in (None, window)
        )
    print(f"{size} x {size}, {SECTORS} directions: sweeps alone {alone:.1f} s")
    print(f"  swept and written {whole:.1f} s, {whole / alone:.1f} x; {megabytes:.0f} MB")
    print(f"  a 256 x 256 window reads {all_of_it / part_of_it:.0f} x faster than the whole")


def _timed(work: object) -> float:
    started = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - started


def error(folder: Path) -> None:
    """Print the error of interpolation on the real lake."""
    with rasterio.open(folder / "fetch-reference" / "gurre_lake.tif") as mask:
        water = mask.read(1) > 0
    surface = encode_surface(water)
    fetch = np.array(
        [
            sweep(surface, from_grid_deg=float(b), pixel_m=5.0, bands=0).fetch_m[water]
            for b in range(360)
        ],
        dtype=np.float32,
    )
    assert fetch.max() < NO_FETCH

    def swept(bearing: float) -> Floats:
        return fetch[round(bearing) % 360]

    def between(bearing: float) -> Floats:
        low, part = int(bearing // 10) * 10, bearing / 10 % 1
        return (1 - part) * fetch[low % 360] + part * fetch[(low + 10) % 360]

    def average(of: Callable[[float], Floats], wind: float, turns: Floats, sd: float) -> Floats:
        weights = np.exp(-0.5 * (turns / sd) ** 2)
        parts = zip(turns, weights / weights.sum(), strict=True)
        return np.sum([np.float32(w) * of(wind + turn) for turn, w in parts], axis=0)

    winds = np.arange(3.0, 360.0, 15.0)
    print(f"Gurre lake, {fetch.shape[1]} pixels of 5 m x {winds.size} winds, stored at 10°,")
    print("against an average swept at every degree:")
    raw = [(between(wind), swept(wind)) for wind in winds]
    _tell("raw, interpolated (refused)", raw)
    for sd in (10.0, 12.0, 15.0, 20.0):
        reach = spread_weights(sd)[0][-1]
        whole = np.arange(-reach, reach + 1.0)
        truth = [average(swept, wind, whole, sd) for wind in winds]
        atlas = [average(between, wind, whole, sd) for wind in winds]
        turns, weights = spread_weights(sd)
        few = [
            np.sum([w * swept(wind + t) for t, w in zip(turns, weights, strict=True)], axis=0)
            for wind in winds
        ]
        _tell(f"spread {sd:g}°, the atlas", zip(atlas, truth, strict=True))
        _tell(f"spread {sd:g}°, {len(turns)} sweeps", zip(few, truth, strict=True))


def _tell(name: str, pairs: Iterable[tuple[Floats, Floats]]) -> None:
    made, truth = (np.concatenate(some) for some in zip(*pairs, strict=True))
    off = np.abs(made - truth)
    print(
        f"  {name:28s} median {np.median(off):5.1f} m, 95th percentile "
        f"{np.percentile(off, 95):5.1f} m, beyond 20 %: {np.mean(off > 0.2 * truth):.1%}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=2000)
    parser.add_argument(
        "--places", type=Path, default=Path(os.environ.get("SITEGEO_PLACES", PLACES))
    )
    options = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    cost(options.size)
    if options.places.is_dir():
        error(options.places)
    else:
        print(f"no real lake in {options.places}: its errors are not measured")
