"""Small photos and places on disk, for tests that read files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine

UTM17 = "EPSG:32617"
WEST, NORTH = 500_000.0, 4_200_000.0
ROWS, COLS = 120, 160


def open_data() -> Path:
    """Folder of real open data, beside the repository or named by SITEGEO_PLACES."""
    beside = Path(__file__).resolve().parents[2] / "shared" / "places"
    return Path(os.environ.get("SITEGEO_PLACES", beside))


def scene(rows: int = ROWS, cols: int = COLS, *, seed: int = 1) -> np.ndarray[Any, Any]:
    """Red, green, blue and near-infrared of grass beside dark water, with noise; uint8.

    The visible bands rise and fall together and near-infrared goes its own way, as on a photo.
    """
    rng = np.random.default_rng(seed)
    tone = rng.normal(0, 25, (rows, cols))
    lush = rng.normal(0, 25, (rows, cols))
    visible = [base + tone + rng.normal(0, 4, tone.shape) for base in (110, 120, 100)]
    bands = np.stack([*visible, 150 + lush])
    bands[:3, :, : cols // 3] *= 0.8
    bands[3, :, : cols // 3] *= 0.3
    return np.clip(bands, 1, 250).astype(np.uint8)


def write_photo(
    path: Path,
    values: np.ndarray[Any, Any] | None = None,
    *,
    crs: str | None = UTM17,
    transform: Affine | None = None,
    **profile: Any,
) -> Path:
    """Write a GeoTIFF, by default `scene` at 1 m."""
    values = scene() if values is None else values
    count, rows, cols = values.shape
    transform = transform or Affine(1, 0, WEST, 0, -1, NORTH)
    options = {"crs": crs, "transform": transform, "dtype": values.dtype, "driver": "GTiff"}
    if count == 4:  # or the library tags the fourth band alpha by itself
        options |= {"photometric": "rgb", "alpha": "no"}
    options |= {"count": count, "height": rows, "width": cols, **profile}
    with rasterio.open(path, "w", **options) as out:
        out.write(values)
    return path


def write_place(folder: Path, layers: str = "", rest: str = "") -> Path:
    """Write a PLACE.toml, with a photo beside it unless one is there and bands unless named."""
    if not (folder / "photo.tif").exists():
        write_photo(folder / "photo.tif")
    if "[imagery]" not in rest:
        rest = '[imagery]\nbands = ["red", "green", "blue", "nir"]\n' + rest
    path = folder / "place.toml"
    path.write_text(
        f'title = "Test"\n[layers]\nimagery = "photo.tif"\n{layers}\n{rest}\n', encoding="utf-8"
    )
    return path
