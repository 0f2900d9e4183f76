"""A county as large as asked: the bundled place and its mirror images, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.transform import Affine

SIDE_M = 2000
"""Of the bundled place."""

TOML = """
title = "A county (invented)"
[imagery]
source = "imagery"
bands = ["red", "green", "blue", "nir"]
finest_m = {pixel_m}
[layers]
canopy = "canopy.tif"
ground = "ground.tif"
depth = "depth.tif"
water = {{ path = "layers.gpkg", layer = "water" }}
roads = {{ path = "layers.gpkg", layer = "roads" }}
dwellings = {{ path = "layers.gpkg", layer = "dwellings" }}
public_land = {{ path = "layers.gpkg", layer = "public_land" }}
[assume]
water_level_m = 247.0
[place]
zone = "America/Chicago"
"""


def county(folder: Path, place: Path, *, across: int, pixel_m: int) -> Path:
    """Write so many copies across and down, each the mirror image of its neighbours; the TOML.

    Mirrored, waters go on from copy to copy without a step.
    """
    (folder / "imagery").mkdir(parents=True)
    for name in ("imagery", "canopy", "ground", "depth"):
        _rasters(place.parent / f"{name}.tif", folder, across, pixel_m)
    given = place.parent / "layers.gpkg"
    for layer, _ in pyogrio.list_layers(given):
        frame = gpd.read_file(given, layer=layer)
        with rasterio.open(place.parent / "imagery.tif") as photo:
            _mirrored(frame, photo.bounds, across).to_file(folder / "layers.gpkg", layer=layer)
    path = folder / "region.toml"
    path.write_text(TOML.format(pixel_m=pixel_m))
    return path


def _rasters(source: Path, folder: Path, across: int, pixel_m: int) -> None:
    side = SIDE_M // pixel_m
    with rasterio.open(source) as held:
        how = Resampling.average
        values = held.read(out_shape=(held.count, side, side), resampling=how)
        profile = {"driver": "GTiff", "crs": held.crs, "dtype": values.dtype, "tiled": True,
                   "nodata": held.nodata, "count": held.count}  # fmt: skip
        west, north = held.bounds.left, held.bounds.top
    copies = [[_turned(values, i, j) for j in range(across)] for i in range(across)]
    if source.stem != "imagery":
        whole = np.concatenate([np.concatenate(row, axis=2) for row in copies], axis=1)
        _write(folder / source.name, whole, profile, Affine(pixel_m, 0, west, 0, -pixel_m, north))
        return
    for i, row in enumerate(copies):
        for j, part in enumerate(row):
            corner = (west + j * SIDE_M, north - i * SIDE_M)
            transform = Affine(pixel_m, 0, corner[0], 0, -pixel_m, corner[1])
            _write(folder / "imagery" / f"{i}-{j}.tif", part, profile, transform)


def _turned(values: NDArray[Any], row: int, column: int) -> NDArray[Any]:
    return values[:, :: -1 if row % 2 else 1, :: -1 if column % 2 else 1]


def _write(path: Path, values: NDArray[Any], profile: dict[str, Any], transform: Affine) -> None:
    height, width = values.shape[1:]
    with rasterio.open(
        path, "w", height=height, width=width, transform=transform, **profile
    ) as out:
        out.write(values)


def _mirrored(frame: gpd.GeoDataFrame, bounds: Any, across: int) -> gpd.GeoDataFrame:
    shapes = frame.geometry.to_numpy()
    parts = []
    for i in range(across):
        for j in range(across):
            # A copy begins where its own mirror image would end.
            x = (2 * bounds.right + (j - 1) * SIDE_M, -1) if j % 2 else (j * SIDE_M, 1)
            y = (2 * bounds.bottom - (i - 1) * SIDE_M, -1) if i % 2 else (-i * SIDE_M, 1)
            moved = shapely.transform(shapes, lambda xy, x=x, y=y: xy * (x[1], y[1]) + (x[0], y[0]))
            parts.append(frame.set_geometry(moved, crs=frame.crs))
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=frame.crs)
