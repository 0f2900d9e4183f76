"""Cover classes from an aerial photo alone, however large it is.

Thresholds come from a sample of the photo itself (Otsu 1979), held within bounds that physics
sets, so that a photo without one of two classes is not cut in half. The rest goes tile by tile,
in memory that is set by the tile, and comes out the same however the tiles are cut.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field

import numpy as np

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, ByteArray
from sitegeo.errors import RasterError
from sitegeo.landcover.land_classes import LandParams, LandReader
from sitegeo.landcover.open_water import ColourWaterReader, InfraredWaterReader, Planes, WaterReader
from sitegeo.landcover.tiling import (
    TILE_PX,
    Photo,
    PhotoInMemory,
    Tile,
    choose_sample_tiles,
    cut_into_tiles,
    map_tiles,
    pad_by_mirror,
    read_with_margin,
)
from sitegeo.landcover.water_bodies import ISLAND, WATER, StoredPlane, TiledPhoto, find_water
from sitegeo.landcover.water_params import WaterParams
from sitegeo.places.imagery import FinePhoto
from sitegeo.places.rasters import scratch_plane


@dataclass(frozen=True)
class PhotoParams:
    """How cover is told apart in a photo. All values are judgement.

    Parameters
    ----------
    water, land
        How open water is recognised, and how the land is told apart.
    rgb_trust
        Confidence without infrared as a share of confidence with it.
    brightest_percent, darkest_percent
        Percentiles of brightness that stand for the photo's brightest ground, and for its haze.
    """

    water: WaterParams = field(default_factory=WaterParams)
    land: LandParams = field(default_factory=LandParams)
    rgb_trust: float = 0.75
    brightest_percent: float = 99.9
    darkest_percent: float = 0.5


@step("photo_cover")
def photo_cover(
    *,
    imagery: Raster,
    fine_photo: FinePhoto | None = None,
    params: PhotoParams = PhotoParams(),
) -> Raster:
    """Return the cover class and the confidence (0-100) of each pixel, from the photo alone.

    Parameters
    ----------
    imagery
        Bands named "red", "green" and at least one of "nir" and "blue"; 8 or 16 bit.
    fine_photo
        The same photo at its own pixels, where it is too large to be held: it is classified at
        these, and the commonest class in each pixel of `imagery` is kept.
    params
        How cover is told apart.

    Returns
    -------
    Raster
        Bands "class" and "confidence", uint8, on the photo's grid with its valid pixels.

    Raises
    ------
    RasterError
        If bands are missing or no pixel is valid.

    Examples
    --------
    A lake in the east of a photo, dark in infrared, beside a meadow:

    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> meadow, lake = np.array([110, 128, 95, 172]), np.array([62, 75, 78, 36])
    >>> wet = np.arange(120) >= 60
    >>> noise = np.random.default_rng(1).normal(0, 1.5, (4, 120, 120))
    >>> values = np.where(wet, lake[:, None, None], meadow[:, None, None]) + noise
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 1.0, (120, 120))
    >>> bands = ("red", "green", "blue", "nir")
    >>> imagery = Raster(values.astype(np.uint8), grid, None, bands)
    >>> classes = photo_cover(imagery=imagery).band("class")
    >>> [Cover(classes[60, column]).name for column in (20, 100)]
    ['OPEN', 'WATER']
    """
    rows, cols = imagery.grid.shape
    values = np.zeros((2, rows, cols), np.uint8)
    times = 1 if fine_photo is None else fine_photo.times

    def keep(tile: Tile, part: ByteArray) -> None:
        at = tuple(slice(s.start // times, s.stop // times) for s in (tile.rows, tile.cols))
        values[:, *at] = part if times == 1 else _commonest(part, times)

    if fine_photo is None:
        classify(PhotoInMemory(imagery), keep, params=params)
    else:
        with fine_photo.opened() as photo:
            classify(photo, keep, params=params, tile_px=TILE_PX // times * times)
    values[:, ~imagery.mask] = 0
    return Raster(values, imagery.grid, imagery.valid, ("class", "confidence"))


def _commonest(part: ByteArray, times: int) -> ByteArray:
    """Return the commonest class of each block of pixels, and its mean confidence.

    Of classes that are equally common the one with the lowest code, water first, is kept; voids
    count only where there is nothing else.
    """
    rows, cols = (n // times for n in part.shape[1:])
    blocks = part[:, : rows * times, : cols * times].reshape(2, rows, times, cols, times)
    counts = np.stack([(blocks[0] == code).sum(axis=(1, 3)) for code in Cover if code])
    classes = np.where(counts.any(axis=0), counts.argmax(axis=0) + 1, 0)
    held = blocks[0] == classes[:, None, :, None]
    sure = (blocks[1] * held).sum(axis=(1, 3)) / np.maximum(held.sum(axis=(1, 3)), 1)
    return np.stack([classes, np.rint(sure)]).astype(np.uint8)


def classify(
    photo: Photo,
    keep: Callable[[Tile, ByteArray], None],
    *,
    params: PhotoParams = PhotoParams(),
    tile_px: int = TILE_PX,
) -> None:
    """Hand the class and confidence of each tile of a photo to `keep`, in order.

    The same whatever the tiles; the memory it takes is set by the tile.

    Parameters
    ----------
    photo
        A photo that is read in part.
    keep
        Called with each tile and its array of shape (2, rows, columns), class and confidence.
    params
        How cover is told apart.
    tile_px
        Rows and columns of a tile.

    Raises
    ------
    RasterError
        If bands are missing or no pixel is valid.
    """
    levels = _Levels.of(photo, params)
    pixel_m = photo.grid.pixel_m
    infrared = "nir" in levels.bands
    tiled = TiledPhoto(photo.grid.shape, tuple(cut_into_tiles(photo.grid.shape, tile_px)),
                  lambda t, margin: levels.read(photo, t, margin), pixel_m)  # fmt: skip
    samples = choose_sample_tiles(photo)
    water: WaterReader = (InfraredWaterReader if infrared else ColourWaterReader)(
        pixel_m, params.water
    )
    water = water.fit(_water_sample(tiled, water, samples))
    with ExitStack() as stack:

        def plane(dtype: str) -> StoredPlane:
            return stack.enter_context(scratch_plane(photo.grid.shape, dtype))

        state, score = find_water(tiled, water, plane, params.water)
        land = LandReader(pixel_m, params.land, infrared, levels.haze)
        land = land.fit(_land_sample(tiled, land, state, samples))
        trust = 100 * (1.0 if infrared else params.rgb_trust)

        def finished(tile: Tile) -> ByteArray:
            planes, wet, valid = _land_planes(tiled, land, state, tile)
            inner = np.s_[land.margin : -land.margin, land.margin : -land.margin]
            on_land = valid & (wet != WATER)
            classes, sure = (p[inner] for p in land.classes(planes, on_land, wet == ISLAND))
            afloat = (wet == WATER)[inner]
            found = score.read(tile.rows, tile.cols) / np.float32(100)
            classes[afloat] = Cover.WATER
            sure[afloat] = found[afloat]
            confidence = np.rint(np.clip(trust * sure, 0, 100)).astype(np.uint8)
            out = np.stack([classes, confidence])
            out[:, ~valid[inner]] = 0
            return out

        for tile, part in map_tiles(finished, tiled.tiles):
            keep(tile, part)


@dataclass(frozen=True)
class _Levels:
    """The brightness of a photo: its bands are read so that 1 is near the brightest."""

    bands: tuple[str, ...]
    scale: float
    median: dict[str, float]
    haze: tuple[float, float, float]

    @classmethod
    def of(cls, photo: Photo, params: PhotoParams) -> _Levels:
        names = set(photo.bands)
        if not {"red", "green"} <= names or not names & {"nir", "blue"}:
            raise RasterError(
                "imagery needs red and green, and blue or nir",
                value=photo.bands,
                remedy="Name the bands in their order under [imagery] bands",
            )
        bands: tuple[str, ...] = tuple(n for n in ("red", "green", "blue", "nir") if n in names)
        order = [photo.bands.index(n) for n in bands]
        parts = [
            values[order][:, valid]
            for values, valid in (photo.read(t.rows, t.cols) for t in choose_sample_tiles(photo))
        ]
        sample = np.concatenate(parts, axis=1).astype(np.float32)
        if not sample.size:
            raise RasterError("imagery holds no data")
        # One scale for all bands keeps their ratios.
        brightest = np.percentile(sample, params.brightest_percent, axis=1).max()
        scale = 1.0 / max(float(brightest), 1e-6)
        median = {n: scale * float(np.median(s)) for n, s in zip(bands, sample, strict=True)}
        percent = params.darkest_percent
        dark = {
            n: scale * float(np.percentile(s, percent)) for n, s in zip(bands, sample, strict=True)
        }
        haze = (dark["red"], dark["green"], dark.get("blue", 0.0))
        return cls(bands, scale, median, haze)

    def read(self, photo: Photo, tile: Tile, margin: int) -> tuple[Planes, BoolArray]:
        """Return the bands of a tile and its margin, voids filled, and where there is data."""
        values, valid = read_with_margin(photo, tile, margin)
        full = bool(valid.all())
        planes: Planes = {}
        for name in self.bands:
            plane = values[photo.bands.index(name)].astype(np.float32)
            plane *= np.float32(self.scale)
            planes[name] = plane if full else np.where(valid, plane, np.float32(self.median[name]))
        return planes, valid


def _water_sample(tiled: TiledPhoto, reader: WaterReader, samples: list[Tile]) -> Planes:
    def measured(tile: Tile) -> Planes:
        planes, _, valid = tiled.planes(tile, reader)
        return {n: p[valid] for n, p in planes.items()}

    return _gathered([part for _, part in map_tiles(measured, samples)])


def _land_planes(
    tiled: TiledPhoto, reader: LandReader, state: StoredPlane, tile: Tile
) -> tuple[Planes, ByteArray, BoolArray]:
    """Return the planes of a tile with its margin, its waters and islands, and where data is."""
    bands, valid = tiled.bands(tile, reader.margin)
    seen = tile.grown(reader.margin, tiled.shape)
    wet = pad_by_mirror(state.read(seen.rows, seen.cols), tile, seen, reader.margin)
    return reader.planes(bands, valid & (wet != WATER)), wet, valid


def _land_sample(
    tiled: TiledPhoto, reader: LandReader, state: StoredPlane, samples: list[Tile]
) -> Planes:
    inner = np.s_[reader.margin : -reader.margin, reader.margin : -reader.margin]

    def measured(tile: Tile) -> Planes:
        planes, wet, valid = _land_planes(tiled, reader, state, tile)
        land = (valid & (wet != WATER))[inner]
        return {n: p[inner][land] for n, p in planes.items()}

    return _gathered([part for _, part in map_tiles(measured, samples)])


def _gathered(parts: list[Planes]) -> Planes:
    return {n: np.concatenate([p[n] for p in parts]) for n in parts[0]}
