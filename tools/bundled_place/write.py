"""Write the demo place: rasters, vectors, weather, truth and the place file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.enums import ColorInterp

from sitegeo.core.grid import WGS84, Grid

from . import blueprint as plan
from .heights import Heights, make_heights
from .photo import sun, take_photo
from .terrain import Scene, make_scene
from .weather import forecast, past_winds

JPEG_QUALITY = 86
MADE_ON = "2026-01-01T00:00:00.000Z"  # GeoPackages carry a date: pinned, so bytes repeat


def write_place(out: Path, *, seed: int) -> Path:
    """Write every file of the place into `out`; return the path of its place.toml."""
    out.mkdir(parents=True, exist_ok=True)
    scene = make_scene(seed)
    heights = make_heights(scene)
    write_photo(out / "imagery.tif", take_photo(scene, heights), scene.grid)
    low = np.maximum(heights.brush, heights.reeds)
    write_heights(out / "canopy.tif", np.maximum(heights.canopy, low), scene.grid, step_m=0.25)
    write_heights(out / "ground.tif", heights.ground, scene.grid, step_m=0.125)
    write_heights(out / "depth.tif", heights.depth, scene.grid, step_m=0.0625)
    write_layers(out / "layers.gpkg", scene.layers)
    texts = {
        "forecast.csv": forecast(seed),
        "past_winds.csv": past_winds(seed),
        "truth.geojson": _truth(scene),
        "README.md": _readme(scene, heights),
        "place.toml": _PLACE,
    }
    for name, text in texts.items():
        (out / name).write_text(text, encoding="utf-8", newline="\n")
    return out / "place.toml"


def write_photo(path: Path, photo: np.ndarray, grid: Grid) -> None:
    """Write four bands, each its own JPEG: band 4 is near-infrared, never alpha."""
    profile = _profile(grid, count=4, dtype="uint8") | {
        "compress": "JPEG",
        "jpeg_quality": JPEG_QUALITY,
        "interleave": "band",
        "photometric": "MINISBLACK",
        "alpha": "NO",
    }
    with rasterio.open(path, "w", **profile) as file:
        file.write(photo)
        file.colorinterp = (ColorInterp.gray,) + (ColorInterp.undefined,) * 3
        for band, name in enumerate(("red", "green", "blue", "nir"), start=1):
            file.set_band_description(band, name)
        file.update_tags(TIFFTAG_DATETIME="2025:09:14 15:45:00")


def write_heights(path: Path, values: np.ndarray, grid: Grid, *, step_m: float) -> None:
    """Write metres as float32, rounded to `step_m`; NaN is no data."""
    profile = _profile(grid, count=1, dtype="float32") | {
        "compress": "DEFLATE",
        "zlevel": 6,
        "predictor": 3,
        "nodata": -9999.0,
    }
    rounded = np.where(np.isnan(values), -9999.0, np.round(values / step_m) * step_m)
    with rasterio.open(path, "w", **profile) as file:
        file.write(rounded.astype(np.float32), 1)
        file.units = ("metre",)


def write_layers(path: Path, layers: dict[str, gpd.GeoDataFrame]) -> None:
    """Write all layers to one new GeoPackage."""
    path.unlink(missing_ok=True)
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": MADE_ON})
    try:
        for name, layer in layers.items():
            layer.to_file(path, layer=name, driver="GPKG", engine="pyogrio")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _profile(grid: Grid, *, count: int, dtype: str) -> dict[str, Any]:
    return {
        "driver": "GTiff",
        "height": grid.shape[0],
        "width": grid.shape[1],
        "count": count,
        "dtype": dtype,
        "crs": rasterio.CRS.from_epsg(plan.EPSG),
        "transform": grid.transform,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
    }


def _truth(scene: Scene) -> str:
    """Return the planted positions as GeoJSON: WGS 84, right-hand rule, 7 decimals."""
    frame = scene.truth[["id", "kind", "expect", "name", "height_m", "width_m", "geometry"]]
    frame = frame.to_crs(WGS84)
    frame.geometry = shapely.orient_polygons(shapely.set_precision(frame.geometry.values, 1e-7))
    features = json.loads(frame.to_json(na="drop"))["features"]
    for feature in features:
        del feature["id"]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


_PLACE = f"""\
# An invented place: water, roads, houses, names and weather are all made up.
title = "{plan.TITLE}"

[layers]
imagery = "imagery.tif"
canopy = "canopy.tif"
ground = "ground.tif"
depth = "depth.tif"
water = {{ path = "layers.gpkg", layer = "water" }}
roads = {{ path = "layers.gpkg", layer = "roads" }}
dwellings = {{ path = "layers.gpkg", layer = "dwellings" }}
public_land = {{ path = "layers.gpkg", layer = "public_land" }}
closed_areas = {{ path = "layers.gpkg", layer = "closed_areas" }}
access = {{ path = "layers.gpkg", layer = "access" }}

[imagery]
bands = ["red", "green", "blue", "nir"]
taken = "{plan.TAKEN}"

[assume]
canopy_height_m = 14.0
canopy_height_error_m = 2.0
water_level_m = {plan.WATER_LEVEL_M}

[assume.position_error_m]
dwellings = 2.0
roads = 2.0
public_land = 3.0

[assume.complete]
dwellings = true
roads = true

[gear]
decoys = 36
dark = 26
white = 4
geese = 6
motion = 1
wade_m = 0.9
party = 2

[place]
zone = "{plan.ZONE}"
"""


def _readme(scene: Scene, heights: Heights) -> str:
    bearing, height = sun(scene.grid)
    must = scene.truth[scene.truth["expect"] == "must"]
    planted = "\n".join(
        f"| {kind} | {len(rows)} | {', '.join(rows['id'])} |"
        for kind, rows in must.groupby("kind", sort=False)
    )
    water = scene.ground["reservoir"].area / 1e4
    return f"""\
# {plan.TITLE}

Everything here is invented: the water, the land, the roads, the houses, the names, the weather and
the photo. It is not a map of any real place, and no rule or boundary in it means anything.

Made by `python -m bundled_place.make --seed {scene.seed} --out FOLDER` from a seeded generator
(`tools/bundled_place`). Same licence as sitegeo (BSD-3-Clause).

| file | what |
|---|---|
| `place.toml` | the place file |
| `imagery.tif` | red, green, blue, near-infrared; 1 m; each band a JPEG. Band 4 is not alpha |
| `canopy.tif` | height of trees, brush and reeds, m (crops and buildings are left out) |
| `ground.tif` | land surface, and the water's surface at {plan.WATER_LEVEL_M} m |
| `depth.tif` | depth of water, m; no data on land |
| `layers.gpkg` | {", ".join(f"`{name}`" for name in scene.layers)} |
| `forecast.csv` | 72 hours: south wind, a front in the first night, north-west, calm, east |
| `past_winds.csv` | mornings of four seasons |
| `truth.geojson` | what was planted where, for tests |

CRS EPSG:{plan.EPSG}, {scene.grid.shape[1]} x {scene.grid.shape[0]} m, meridian convergence
{scene.grid.convergence_deg:.2f} degrees. Lake {water:.0f} ha. The photo's sun stands at grid
bearing {bearing:.1f}, {height:.1f} degrees high ({plan.TAKEN}); the tallest tree is
{heights.canopy.max():.0f} m.

## Planted positions

| kind | how many | ids in `truth.geojson` |
|---|---|---|
{planted}

`expect = "must"`: there to be found. `expect = "may"`: ground where that kind occurs without having
been planted (the marsh arm, the edge of the timber, a farm pond, bends of the shore): finding it is
not false, missing it is no fault.
"""
