"""Cover from file to file, to measure what memory a photo takes that is never held whole."""

from __future__ import annotations

from pathlib import Path

import rasterio
from rasterio.windows import Window

from sitegeo.core.contracts import Cover
from sitegeo.core.typing import ByteArray
from sitegeo.landcover.photo_cover import classify
from sitegeo.landcover.tiling import TILE_PX, Tile
from sitegeo.places.imagery import open_photo


def classify_file(
    photo: Path,
    out: Path,
    *,
    bands: tuple[str, ...] | None = None,
    tile_px: int = TILE_PX,
) -> Path:
    """Write the cover classes and confidence of a photo as a GeoTIFF, never holding it whole."""
    with open_photo(photo, bands=bands) as source:
        rows, cols = source.grid.shape
        profile = {
            "driver": "GTiff",
            "height": rows,
            "width": cols,
            "count": 2,
            "dtype": "uint8",
            "nodata": int(Cover.NONE),
            "crs": source.grid.crs.to_wkt(),
            "transform": source.grid.transform,
            "tiled": True,
            "blockxsize": 256,
            "blockysize": 256,
            "compress": "deflate",
            "interleave": "band",
            "bigtiff": "if_safer",
        }
        with rasterio.open(out, "w", **profile) as target:

            def keep(tile: Tile, part: ByteArray) -> None:
                target.write(part, window=Window.from_slices(tile.rows, tile.cols))

            classify(source, keep, tile_px=tile_px)
    return out
