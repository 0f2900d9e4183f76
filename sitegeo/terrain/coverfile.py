"""Cover of a photo from file to file, window by window, for photos of any size."""

from __future__ import annotations

from pathlib import Path

import rasterio
from rasterio.windows import Window

from sitegeo.imagery import opened_photo
from sitegeo.layers import Cover
from sitegeo.rasterfile import Bounds
from sitegeo.terrain.photocover import Codes, PhotoParams, classify
from sitegeo.terrain.tiles import TILE_PX, Tile


def classify_file(
    photo: Path,
    out: Path,
    *,
    bands: tuple[str, ...] | None = None,
    finest_m: float = 0.5,
    area: Bounds | None = None,
    params: PhotoParams | None = None,
    tile_px: int = TILE_PX,
) -> Path:
    """Write the cover classes and confidence of a photo as a tiled GeoTIFF, as in a survey.

    The photo is never held whole: memory is set by `tile_px`, and the file comes out the same
    whatever it is. Band order, pixel and area are those of `imagery.read_imagery`.

    Raises
    ------
    RasterError, CrsError
        If the photo cannot be used.
    """
    with opened_photo(photo, bands=bands, finest_m=finest_m, area=area) as source:
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

            def keep(tile: Tile, part: Codes) -> None:
                target.write(part, window=Window.from_slices(tile.rows, tile.cols))

            classify(source, keep, params=params or PhotoParams(), tile_px=tile_px)
            target.update_tags(**{f"class_{c.value}": c.name.lower() for c in Cover})
            target.set_band_description(1, "class")
            target.set_band_description(2, "confidence")
    return out
