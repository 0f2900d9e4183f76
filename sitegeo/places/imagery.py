"""The photo: its bands, its CRS and the grid of the place that it sets.

`read_imagery` holds it whole; `open_photo` reads a photo that is too large for that in parts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import RasterioError
from rasterio.windows import Window, from_bounds
from scipy import ndimage

from sitegeo.core.grid import WGS84, Grid, Raster
from sitegeo.core.typing import AnyArray, BoolArray, Bounds
from sitegeo.errors import CrsError, RasterError
from sitegeo.places.rasters import (
    averaging_factor,
    horizontal_crs,
    open_raster,
    valid_mask,
    view_on_grid,
    view_with_alpha,
)

_BANDS_BY_COUNT = {3: ("red", "green", "blue"), 4: ("red", "green", "blue", "nir")}
"""What the bands of a file are taken for that names none, by their count."""

NOT_PICTURE = {"alpha", "other"}
"""Bands that hold no picture."""

_SCALE_TOLERANCE = 0.002
"""How far the scale of a photo's own CRS may be off 1 for it to be the place's; judgement."""

_LEAST_PIXELS = 8
"""Rows and columns below which a photo shows nothing."""

_CONTENT_SAMPLE_PIXELS = 200_000
"""Pixels looked at to tell whether a photo can be what it is said to be."""

_LEAST_FOR_BAND_ORDER = 1000
"""Pixels below which nothing is said of the order of the bands."""

_KINSHIP_GAP = 0.4
"""How much less than 'nir' another band must go with the rest, in sums of correlations, to be
taken for the near-infrared; judgement."""

_ALPHA_SAMPLE = 512
"""Rows and columns looked at to tell transparency from a picture."""

_ALPHA_SHARE = 0.99
"""Share of pixels that are all or nothing in a band of transparency; judgement."""

MOST_PHOTO_PIXELS = 100_000_000
"""Pixels above which a place no longer fits the memory of a home computer, and is averaged."""


def read_imagery(
    path: Path,
    *,
    bands: tuple[str, ...] | None = None,
    finest_m: float = 0.5,
    area: Bounds | None = None,
    crs: CRS | None = None,
) -> tuple[Raster, list[str]]:
    """Return the photo on the grid of the place, and notes on how it was read.

    A photo of more than `MOST_PHOTO_PIXELS` is averaged until it has fewer, and the notes say so.

    Parameters
    ----------
    path
        Any georeferenced raster of three bands or more that GDAL reads.
    bands
        Names of the file's bands in order; inferred for three and four bands when omitted.
    finest_m
        Pixels finer than this are averaged up to it.
    area
        West, south, east, north in degrees: the part to read.
    crs
        CRS of the place. By default the photo's own where that is projected, metric and true to
        scale within 0.2 %, else the UTM zone of its centre, or a transverse Mercator of its own
        where it straddles zones.

    Returns
    -------
    photo : Raster
        Bands stacked as (band, row, column) in the file's own numbers, without transparency.
    notes : list of str
        How it was read: bands taken for granted, reprojected, averaged.

    Raises
    ------
    RasterError, CrsError
        For a file that cannot be used.
    """
    with open_photo(path, bands=bands, finest_m=finest_m, area=area, crs=crs) as fine:
        photo = fine.coarser(memory_factor(fine.grid.shape))
        rows, cols = photo.grid.shape
        values, valid = photo.read(slice(0, rows), slice(0, cols))
    _require_content(values, valid, photo.bands, path)
    return Raster(values, photo.grid, None if valid.all() else valid, photo.bands), [*photo.notes]


def memory_factor(shape: tuple[int, int]) -> int:
    """Return how many pixels, each way, must go into one for a photo to fit into memory."""
    return max(1, math.ceil(math.sqrt(shape[0] * shape[1] / MOST_PHOTO_PIXELS)))


_FILL_BLOCK_PX = 8
"""Rows and columns of the least block of one tone that is no picture (judgement)."""
_FILL_EDGE_SHARE = 0.25
"""Share of one edge of a photo from which a tone found there may be its border (judgement)."""


@contextmanager
def open_photo(
    path: Path,
    *,
    bands: tuple[str, ...] | None = None,
    finest_m: float = 0.5,
    area: Bounds | None = None,
    crs: CRS | None = None,
) -> Iterator[PhotoFile]:
    """Give a photo to be read in parts, on the grid of the place.

    Parameters
    ----------
    path, bands, finest_m, area, crs
        As for `read_imagery`.

    Yields
    ------
    PhotoFile
        Open until the block ends.

    Raises
    ------
    RasterError, CrsError
        For a file that cannot be used.
    """
    with open_raster(path) as source:
        names, notes = band_names(source, bands, path)
        place_crs = crs or metric_crs(source, path)
        with (
            view_with_alpha(source, names) as retagged,
            view_on_grid(retagged, place_crs, finest_m) as view,
        ):
            window = _window(view, area, place_crs, path)
            factor = averaging_factor(view, finest_m)
            rows, cols = (int(n) // factor for n in (window.height, window.width))
            if min(rows, cols) < _LEAST_PIXELS:
                raise RasterError(
                    "the photo has too few pixels in the area asked for",
                    where=path,
                    value=(rows, cols),
                    remedy="Check [place] area and [imagery] finest_m",
                )
            corner = view.window_transform(window)
            grid = Grid(place_crs, corner.c, corner.f, corner.a * factor, (rows, cols))
            if grid.crs != horizontal_crs(source):
                notes.append(f"photo reprojected to {grid.crs.name}")
            if factor > 1:
                notes.append(f"pixels averaged {factor} to 1, to {grid.pixel_m:g} m")
            picture = tuple(i + 1 for i, name in enumerate(names) if name not in NOT_PICTURE)
            kept = tuple(names[i - 1] for i in picture)
            first = (int(window.col_off), int(window.row_off))
            photo = PhotoFile(grid, kept, factor, first, tuple(notes), view, picture)
            yield replace(photo, fills=_fill_values(photo))


@dataclass(frozen=True)
class PhotoFile:
    """An open photo; threads may share it.

    Parameters
    ----------
    grid, bands
        Grid and band names of what is read.
    factor
        How many pixels of the file, each way, are averaged to one.
    corner
        Column and row of the file where the grid begins.
    notes
        How it is read.
    view, indexes, lock
        The open dataset, which of its bands are read, and what makes threads take turns.
    fills
        Numbers that, in every band of a block of pixels, stand for no data.
    """

    grid: Grid
    bands: tuple[str, ...]
    factor: int
    corner: tuple[int, int]
    notes: tuple[str, ...]
    view: Any
    indexes: tuple[int, ...]
    fills: tuple[float, ...] = ()
    lock: Any = field(default_factory=Lock)

    def read(self, rows: slice, cols: slice) -> tuple[AnyArray, BoolArray]:
        """Return the bands of a part, stacked, and which of its pixels hold data."""
        margin = 2 * _FILL_BLOCK_PX if self.fills else 0
        seen, inner = zip(*(
            _grown(part, margin, size)
            for part, size in zip((rows, cols), self.grid.shape, strict=True)
        ), strict=True)  # fmt: skip
        values, valid = self._read_file(*seen)
        if self.fills:
            valid &= ~filled_blocks(values, valid, self.fills)
        return values[:, *inner], valid[inner]

    def _read_file(self, rows: slice, cols: slice) -> tuple[AnyArray, BoolArray]:
        n, shape = self.factor, (rows.stop - rows.start, cols.stop - cols.start)
        left, top = self.corner[0] + n * cols.start, self.corner[1] + n * rows.start
        window = Window(left, top, n * shape[1], n * shape[0])
        indexes = list(self.indexes)
        with self.lock:
            values = self.view.read(
                indexes,
                window=window,
                out_shape=(len(indexes), *shape),
                resampling=Resampling.average,
            )
            valid = valid_mask(self.view, indexes, window, shape)
        if np.issubdtype(values.dtype, np.floating):
            valid &= np.isfinite(values).all(axis=0)
            values = np.where(valid, values, 0).astype(values.dtype)
        return values, valid

    def coarser(self, times: int) -> PhotoFile:
        """Return the photo with pixels as many times as large, cut to whole pixels."""
        if times == 1:
            return self
        rows, cols = (n // times for n in self.grid.shape)
        pixel_m = self.grid.pixel_m * times
        note = (
            f"the photo has {self.grid.shape[0] * self.grid.shape[1] / 1e6:.0f} million pixels of "
            f"{self.grid.pixel_m:g} m: cover is read from them, all else worked out at "
            f"{pixel_m:g} m"
        )
        return replace(
            self,
            grid=replace(self.grid, pixel_m=pixel_m, shape=(rows, cols)),
            factor=self.factor * times,
            notes=(*self.notes, note),
        )


def filled_blocks(values: AnyArray, valid: BoolArray, fills: Sequence[float]) -> BoolArray:
    """Return where a part of a photo is filled in for want of data, though no mask says so.

    Parameters
    ----------
    values
        Bands, shape (bands, rows, columns).
    valid
        Which pixels hold data, shape (rows, columns).
    fills
        Numbers that stand for no data where every band has one of them, the same, over a block of
        pixels: a single black pixel is shade.

    Returns
    -------
    BoolArray
        Shape (rows, columns).
    """
    found = np.zeros(valid.shape, bool)
    one_tone = (values == values[0]).all(axis=0)
    for fill in fills:
        flat = one_tone & (values[0] == fill)
        if flat.any():
            # Beyond the photo there is no data either, nor where a mask says so.
            empty = np.pad(flat | ~valid, _FILL_BLOCK_PX, constant_values=True)
            blocks = ndimage.grey_opening(empty.astype(np.uint8), (_FILL_BLOCK_PX, _FILL_BLOCK_PX))
            inner = slice(_FILL_BLOCK_PX, -_FILL_BLOCK_PX)
            found |= flat & (blocks[inner, inner] > 0)
    return found


def _fill_values(photo: PhotoFile) -> tuple[float, ...]:
    """Return the numbers that fill a photo where it has no data: black, white, its flat border."""
    rows, cols = photo.grid.shape
    edges = ((slice(0, 1), slice(0, cols)), (slice(rows - 1, rows), slice(0, cols)),
             (slice(0, rows), slice(0, 1)), (slice(0, rows), slice(cols - 1, cols)))  # fmt: skip
    fills: set[float] = {0.0}
    for at in edges:
        values, valid = photo.read(*at)
        if np.issubdtype(values.dtype, np.integer):
            fills.add(float(np.iinfo(values.dtype).max))
        tones = values[0][(values == values[0]).all(axis=0) & valid]
        found, counts = np.unique(tones, return_counts=True)
        fills |= set(found[counts >= _FILL_EDGE_SHARE * valid.size].astype(float).tolist())
    return tuple(sorted(fills))


def _grown(part: slice, margin: int, size: int) -> tuple[slice, slice]:
    """Return a part with a margin as far as the photo goes, and where the part lies in it."""
    start = max(part.start - margin, 0)
    grown = slice(start, min(part.stop + margin, size))
    return grown, slice(part.start - start, part.stop - start)


@dataclass(frozen=True)
class FinePhoto:
    """A photo too large to be held, and how to read it at its own pixels.

    `times` of them, each way, make one pixel of the place.
    """

    path: Path
    times: int
    bands: tuple[str, ...] | None
    finest_m: float
    area: Bounds | None
    crs: CRS

    def opened(self) -> AbstractContextManager[PhotoFile]:
        """Give the photo to be read in part."""
        return open_photo(
            self.path, bands=self.bands, finest_m=self.finest_m, area=self.area, crs=self.crs
        )


def band_names(
    source: Any, declared: tuple[str, ...] | None, path: Path
) -> tuple[tuple[str, ...], list[str]]:
    """Return the names of a photo's bands in file order.

    Parameters
    ----------
    source
        The open dataset.
    declared
        Names a person wrote, in file order; None infers them from the count.
    path
        Named in messages.

    Returns
    -------
    names : tuple of str
        Each of ``red, green, blue, nir, alpha, other``.
    notes : list of str
        What was taken for granted.

    Raises
    ------
    RasterError
        If there are too few bands, or what they are cannot be told.
    """
    count = source.count
    if declared is not None:
        return _declared(declared, count, path), []
    if count < 3:
        raise RasterError(
            "the photo has too few bands; sitegeo needs red, green and blue, "
            "and does better with near-infrared",
            where=path,
            value=f"{count} band{'s' if count > 1 else ''}",
            remedy="Use a three- or four-band photo",
        )
    if count not in _BANDS_BY_COUNT:
        raise RasterError(
            "cannot tell what the bands of the photo are",
            where=path,
            value=f"{count} bands",
            remedy="Name them in order under [imagery] bands in PLACE.toml",
        )
    if count == 4 and _is_alpha(source):
        return (*_BANDS_BY_COUNT[3], "alpha"), ["band 4 is all or nothing: taken as transparency"]
    notes = [f"bands taken as {', '.join(_BANDS_BY_COUNT[count])}, since PLACE.toml names none"]
    if count == 4 and source.colorinterp[3] == ColorInterp.alpha:
        notes = ["band 4 is tagged alpha but holds a picture: taken as near-infrared"]
    return _BANDS_BY_COUNT[count], notes


def _declared(names: tuple[str, ...], count: int, path: Path) -> tuple[str, ...]:
    if len(names) != count:
        raise RasterError(
            f"[imagery] bands names {len(names)} bands and the photo has {count}",
            where=path,
            value=list(names),
            remedy="Name every band of the file in order; use 'other' for one to ignore",
        )
    unique = [b for b in names if b != "other"]
    picture = [b for b in names if b not in NOT_PICTURE]
    if len(set(unique)) != len(unique) or len(picture) < 3 or not {"red", "green"} <= set(picture):
        raise RasterError(
            "[imagery] bands must name red, green and blue or nir, and none twice",
            where=path,
            value=list(names),
            remedy="Name the bands in the order of the file",
        )
    return names


def _is_alpha(source: Any) -> bool:
    """Whether band 4 is all or nothing, as transparency is and a picture never is."""
    shape = tuple(min(_ALPHA_SAMPLE, n) for n in source.shape)
    sample = source.read(4, out_shape=shape, resampling=Resampling.nearest)
    return bool(np.isin(sample, [0, sample.max()]).mean() > _ALPHA_SHARE)


def metric_crs(source: Any, path: Path) -> CRS:
    """Return a photo's own CRS where it is metric and true, its UTM zone, or one of its own."""
    own = horizontal_crs(source)
    west, south, east, north = source.bounds
    to_wgs84 = Transformer.from_crs(own, WGS84, always_xy=True)
    lon, lat = to_wgs84.transform((west + east) / 2, (south + north) / 2)
    if not (math.isfinite(lon) and math.isfinite(lat) and abs(lat) <= 90):
        raise CrsError(
            "the photo's coordinates do not fit its CRS",
            where=path,
            value=tuple(round(v, 6) for v in source.bounds),
            remedy="Assign the right CRS, and check that longitude comes before latitude",
        )
    if _metric_and_true(own, lon, lat):
        return own
    left, _, right, _ = to_wgs84.transform_bounds(west, south, east, north)
    if math.floor(left / 6) != math.floor(right / 6):
        return CRS.from_user_input(
            f"+proj=tmerc +lat_0={lat:.1f} +lon_0={lon:.1f} +k=1 +x_0=100000 +y_0=100000 "
            "+datum=WGS84 +units=m +type=crs"
        )
    zones = query_utm_crs_info("WGS 84", AreaOfInterest(lon, lat, lon, lat))
    if not zones:
        raise CrsError(
            "no UTM zone covers the photo's centre",
            where=path,
            value=(lon, lat),
            remedy="Name a projected CRS in metres under [place] crs",
        )
    return CRS.from_authority(zones[0].auth_name, zones[0].code)


def _metric_and_true(crs: CRS, lon: float, lat: float) -> bool:
    axes = crs.axis_info[:2]
    if not crs.is_projected or any(axis.unit_conversion_factor != 1.0 for axis in axes):
        return False
    if {axis.direction for axis in axes} != {"east", "north"}:
        return False
    factors = Proj(crs).get_factors(lon, lat)
    scales = (factors.meridional_scale, factors.parallel_scale)
    return all(abs(scale - 1) < _SCALE_TOLERANCE for scale in scales)


def _window(view: Any, area: Bounds | None, crs: CRS, path: Path) -> Window:
    whole = Window(0, 0, view.width, view.height)
    if area is None:
        return whole
    to_place = Transformer.from_crs(WGS84, crs, always_xy=True)
    wanted = from_bounds(*to_place.transform_bounds(*area), transform=view.transform)
    try:
        return wanted.round_offsets().round_lengths().intersection(whole)
    except RasterioError:
        raise RasterError(
            "[place] area lies outside the photo",
            where=path,
            value=area,
            remedy="Write it as west, south, east, north in degrees",
        ) from None


def _require_content(
    values: AnyArray, valid: BoolArray, bands: tuple[str, ...], path: Path
) -> None:
    if not valid.any():
        raise RasterError(
            "the photo holds no data in the area asked for, or one flat colour",
            where=path,
            value=values[:, 0, 0].tolist(),
            remedy="Check the file, its nodata value and [place] area",
        )
    held = np.flatnonzero(valid)
    picture = values.reshape(len(values), -1)[
        :, held[:: max(1, held.size // _CONTENT_SAMPLE_PIXELS)]
    ]
    if (picture.max(axis=1) == picture.min(axis=1)).all():
        raise RasterError(
            "the photo is one flat colour",
            where=path,
            value=picture[:, 0].tolist(),
            remedy="Check the file",
        )
    if "nir" in bands and len(bands) >= 4:
        _require_band_order(picture, bands, path)


def _require_band_order(picture: AnyArray, bands: tuple[str, ...], path: Path) -> None:
    """Raise where another band behaves far more like near-infrared than the one named so.

    Visible bands of a photo rise and fall together; near-infrared goes its own way over
    vegetation and water.
    """
    if picture.shape[1] < _LEAST_FOR_BAND_ORDER:
        return
    with np.errstate(invalid="ignore"):  # of a band of one tone
        kinship = np.nan_to_num(np.corrcoef(picture.astype(float))).sum(axis=1) - 1
    odd = int(np.argmin(kinship))
    named = bands.index("nir")
    if odd != named and kinship[named] - kinship[odd] > _KINSHIP_GAP:
        raise RasterError(
            f"the band called '{bands[odd]}' behaves like near-infrared, and 'nir' does not",
            where=path,
            value=list(bands),
            remedy="Name the bands in the order of the file under [imagery] bands, "
            "or call one 'other' to do without it",
        )
