"""Small grounds in memory, for tests that read no files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.landcover.cover import cover
from sitegeo.landcover.photo_cover import photo_cover

# Near the edge of a zone, where true and grid north differ by over a degree.
WEST, NORTH = 690_000.0, 4_200_000.0


def ground(rows: int, cols: int, pixel_m: float = 1.0) -> Grid:
    """A grid in UTM 17 N, two degrees and more east of its central meridian."""
    return Grid(CRS.from_epsg(32617), WEST, NORTH, pixel_m, (rows, cols))


def cover_of(classes: NDArray[Any], pixel_m: float = 1.0) -> Raster:
    """A cover raster of given classes, 90 % sure."""
    values = np.stack([classes, np.full_like(classes, 90)]).astype(np.uint8)
    return Raster(values, ground(*classes.shape, pixel_m), None, ("class", "confidence"))


def classified(imagery: Raster, **known: Any) -> Raster:
    """The cover of a photo, with what else is known of the place."""
    return cover(photo_cover=photo_cover(imagery=imagery), **known)


def heights_of(cover: Raster, tree_m: float = 0.0) -> Raster:
    """Heights of `tree_m` on trees and 0 elsewhere."""
    tall = np.where(cover.band("class") == Cover.TREE, tree_m, 0.0).astype(np.float32)
    return Raster(tall, cover.grid)


def centres(rows: int, cols: int, pixel_m: float = 1.0) -> tuple[NDArray[Any], NDArray[Any]]:
    """East and north of pixel centres from the middle of the grid, in metres."""
    east = (np.arange(cols) + 0.5 - cols / 2) * pixel_m
    north = (rows / 2 - np.arange(rows) - 0.5) * pixel_m
    return np.meshgrid(east, north)


def lake(wet: NDArray[np.bool_], land: Cover = Cover.OPEN, pixel_m: float = 1.0) -> Raster:
    """A cover raster of water amid one land class."""
    return cover_of(np.where(wet, int(Cover.WATER), int(land)), pixel_m)


def read_photo(path: Path, bands: tuple[str, ...]) -> Raster:
    """Read the first bands of a photo as they are, whatever the file calls them."""
    with rasterio.open(path) as source:
        values = source.read(list(range(1, len(bands) + 1)))
        valid = None if source.nodata is None else (values != source.nodata).any(axis=0)
        crs = CRS.from_user_input(source.crs.to_wkt())
        return Raster(
            values, Grid.from_transform(source.transform, source.shape, crs), valid, bands
        )


# Mean red, green, blue, near-infrared of each ground on 8-bit photos, and its texture as a share.
LOOKS = {
    "water": ((62, 75, 78, 36), 0.02),
    "forest": ((70, 88, 78, 150), 0.22),
    "meadow": ((110, 128, 95, 172), 0.015),
    "soil": ((140, 128, 110, 130), 0.015),
    "road": ((170, 172, 172, 125), 0.02),
    "roof": ((85, 90, 95, 70), 0.03),
}


def paint(plan: NDArray[Any], names: tuple[str, ...], *, seed: int = 3) -> NDArray[np.uint8]:
    """Return a four-band photo of a plan whose codes index `names`, textured and blurred."""
    rng = np.random.default_rng(seed)
    crowns = ndimage.gaussian_filter(rng.normal(size=plan.shape), 1.2)
    crowns /= crowns.std()
    photo = np.zeros((4, *plan.shape))
    for code, name in enumerate(names):
        means, rough = LOOKS[name]
        here = plan == code
        for band, mean in enumerate(means):
            photo[band][here] = (mean * (1 + rough * crowns))[here]
    photo = ndimage.gaussian_filter(photo, (0, 0.6, 0.6)) + rng.normal(0, 1.0, photo.shape)
    return np.clip(photo, 1, 255).astype(np.uint8)


def iou(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> float:
    """Intersection over union."""
    return float((a & b).sum() / max((a | b).sum(), 1))
