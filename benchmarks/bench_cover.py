"""Time of classifying a four-band 1 m photo as a ratio to reading the same compressed file.

Both in one run, GDAL's block cache emptied by opening a fresh copy of the file each time; medians.
Run as ``python benchmarks/bench_cover.py``; needs no data.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from scipy import ndimage

from sitegeo.core.grid import Grid, Raster
from sitegeo.landcover.photo_cover import photo_cover

BANDS = ("red", "green", "blue", "nir")
SIDES = (1000, 2000)
REPEATS = 3


def main() -> None:
    """Print the ratio for each size, and how the time grows with pixels."""
    seconds = []
    for side in SIDES:
        with tempfile.TemporaryDirectory() as folder:
            path = _write(Path(folder) / "photo.tif", side)
            read = _median(lambda p=path: _read(p))
            photo = _read(path)
            classify = _median(lambda r=photo: photo_cover(imagery=r))
        seconds.append(classify)
        print(f"{side} x {side}: read {read:.3f} s, classify {classify:.3f} s, "
              f"ratio {classify / read:.1f}")  # fmt: skip
    growth = (seconds[1] / seconds[0]) / (SIDES[1] / SIDES[0]) ** 2
    print(f"time per pixel, {SIDES[1]} against {SIDES[0]}: {growth:.2f}")


def _median(work: Callable[[], object]) -> float:
    work()
    times = []
    for _ in range(REPEATS):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return statistics.median(times)


def _write(path: Path, side: int) -> Path:
    """Write a lake, woods and fields with texture, deflated in tiles as archives hold them."""
    rng = np.random.default_rng(1)
    broad = ndimage.zoom(rng.normal(size=(side // 100, side // 100)), 100, order=1)
    detail = ndimage.gaussian_filter(rng.normal(size=(side, side)), 1.2)
    looks = ((62, 75, 78, 36, 2), (70, 88, 78, 150, 40), (110, 128, 95, 172, 4))
    plan = np.digitize(broad, (-0.5, 0.5))
    photo = np.zeros((4, side, side))
    for code, (*means, rough) in enumerate(looks):
        for band, mean in enumerate(means):
            photo[band] += (plan == code) * (mean + rough * detail)
    photo += rng.normal(0, 1, photo.shape)
    profile = {"driver": "GTiff", "count": 4, "height": side, "width": side, "dtype": "uint8",
               "crs": "EPSG:32617", "transform": Affine(1, 0, 690_000, 0, -1, 4_200_000),
               "tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate",
               "predictor": 2, "photometric": "rgb", "alpha": "no"}  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        out.write(np.clip(photo, 1, 255).astype(np.uint8))
    return path


def _read(path: Path) -> Raster:
    fresh = path.with_name(f"{time.perf_counter_ns()}.tif")
    shutil.copy(path, fresh)
    with rasterio.open(fresh) as source:
        values = source.read()
        grid = Grid.from_transform(source.transform, source.shape, CRS.from_user_input(source.crs))
    fresh.unlink()
    return Raster(values, grid, None, BANDS)


if __name__ == "__main__":
    main()
