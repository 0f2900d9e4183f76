"""A small region cut from the bundled place: four photos in a folder, layers of their own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import rasterio
from rasterio.enums import Resampling
from rasterio.transform import Affine
from rasterio.windows import Window

from sitegeo.core.wind import Wind
from sitegeo.scan import cluster
from sitegeo.scan.judging import ScanQuery
from sitegeo.scan.region import Region, read_region
from sitegeo.scan.scanning import Scan, scan

PIXEL_M = 3
SIDE_M = 1200
LEFT_M, TOP_M = 450, 330
"""Of the bundled photo: the reed bed, two wooded banks and the flooded timber."""

NW = Wind.parse("NW 12 mph")

TOML = """
title = "A county (invented)"
[imagery]
source = {source}
bands = ["red", "green", "blue", "nir"]
taken = "2025-09-14T15:45:00Z"
[layers]
canopy = "canopy.tif"
depth = "depth.tif"
ground = "ground.tif"
water = {{ path = "layers.gpkg", layer = "water" }}
roads = {{ path = "layers.gpkg", layer = "roads" }}
dwellings = {{ path = "layers.gpkg", layer = "dwellings" }}
public_land = {{ path = "layers.gpkg", layer = "public_land" }}
[assume]
canopy_height_m = 14.0
water_level_m = 247.0
[place]
zone = "America/Chicago"
[tiles]
halo_m = 300
"""


def coarse(source: Path, target: Path, *, quarter: int | None = None) -> Path:
    """Write the region's part of a raster at `PIXEL_M`; one of its four quarters."""
    side = SIDE_M // PIXEL_M
    with rasterio.open(source) as held:
        window = Window(LEFT_M, TOP_M, SIDE_M, SIDE_M)
        corner = held.window_transform(window)
        values = held.read(
            window=window, out_shape=(held.count, side, side), resampling=Resampling.average
        )
        profile = {
            "driver": "GTiff",
            "crs": held.crs,
            "dtype": values.dtype,
            "nodata": held.nodata,
            "count": held.count,
        }
    row, column = (0, 0) if quarter is None else divmod(quarter, 2)
    part = side if quarter is None else side // 2
    values = values[:, row * part : (row + 1) * part, column * part : (column + 1) * part]
    west, north = corner.c + column * part * PIXEL_M, corner.f - row * part * PIXEL_M
    transform = Affine(PIXEL_M, 0, west, 0, -PIXEL_M, north)
    with rasterio.open(target, "w", height=part, width=part, transform=transform, **profile) as out:
        out.write(values)
    return target


def make_region(folder: Path, place: Path, *, source: str = '"photos"') -> Path:
    """Write the region's files and its REGION.toml; return that."""
    (folder / "photos").mkdir(parents=True)
    for quarter in range(4):
        coarse(place.parent / "imagery.tif", folder / "photos" / f"{quarter}.tif", quarter=quarter)
    for name in ("canopy", "depth", "ground"):
        coarse(place.parent / f"{name}.tif", folder / f"{name}.tif")
    shutil.copy(place.parent / "layers.gpkg", folder)
    path = folder / "region.toml"
    path.write_text(TOML.format(source=source))
    return path


def sized(region: Region, size_m: float) -> Region:
    """Return a region cut into tiles of another size."""
    tiles = region.file.tiles.model_copy(update={"size_m": size_m})
    return replace(region, file=region.file.model_copy(update={"tiles": tiles}))


@contextmanager
def in_process() -> Iterator[Any]:
    """Give a client of one worker in this process."""
    with cluster.open_client(
        address=None, workers=1, memory_bytes=int(4e9), processes=False
    ) as client:
        yield client


def run(
    path: Path,
    out: Path,
    client: Any,
    *,
    size_m: float,
    asked: ScanQuery | None = None,
    progress: Callable[[str, int, int], None] = lambda _what, _done, _of: None,
) -> Scan:
    """Scan a region in tiles of a size, for a north-west wind."""
    region = sized(read_region(path), size_m)
    return scan(region, out, client, asked=asked or ScanQuery(NW), progress=progress)
