"""Georeferenced arrays: one frozen grid value, and rasters that carry it.

A grid is north-up with square pixels in a projected metric CRS. Two rasters meet only on the
same grid; anything else is an error at the place where they meet.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import ArrayLike
from pyproj import CRS, Proj, Transformer

from sitegeo.angles import wrap360
from sitegeo.core.typing import AnyArray, BoolArray, Bounds, IntArray
from sitegeo.errors import CrsError, RasterError

WGS84 = CRS.from_epsg(4326)
"""Longitude and latitude as files, services and phones give them."""


def convergence_deg(crs: CRS, x: float, y: float) -> float:
    """Return the meridian convergence at a point of a projected CRS.

    Parameters
    ----------
    crs
        Projected.
    x, y
        The point, in its units.

    Returns
    -------
    float
        Degrees; grid bearing = true bearing - convergence.

    References
    ----------
    PROJ's numerical factors.
    """
    lon, lat = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(x, y)
    return float(Proj(crs).get_factors(lon, lat).meridian_convergence)


def require_metric(crs: CRS | None, *, where: object = None) -> CRS:
    """Return `crs` if it is projected, in metres east and north, else raise `CrsError`."""
    if crs is None:
        raise CrsError(
            "no coordinate reference system",
            where=where,
            remedy="Assign the right one, e.g. with gdal_edit or geopandas set_crs; "
            "sitegeo never guesses",
        )
    axes = crs.axis_info[:2]
    if not crs.is_projected or any(a.unit_conversion_factor != 1.0 for a in axes):
        raise CrsError("the CRS is not projected in metres", where=where, value=crs.name)
    if {a.direction for a in axes} != {"east", "north"}:
        raise CrsError("the axes of the CRS do not run east and north", where=where, value=crs.name)
    return crs


def require_same_crs(a: CRS | None, b: CRS | None, *, where: object = None) -> None:
    """Raise unless both CRS are given and equal.

    Parameters
    ----------
    a, b
        Two CRS, None where a layer has none.
    where
        The file or layer concerned, for the error.

    Raises
    ------
    CrsError
        One is missing, or they differ.
    """
    if a is None or b is None or a != b:
        names = tuple("none" if c is None else c.name for c in (a, b))
        raise CrsError("two layers are in different coordinate systems", where=where, value=names)


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square pixels in a projected metric CRS.

    Parameters
    ----------
    crs
        Projected, in metres.
    west, north
        Outer corner of the first pixel, in metres.
    pixel_m
        Pixel size.
    shape
        Rows and columns.

    Raises
    ------
    CrsError
        The CRS is not projected in metres, east and north.
    RasterError
        There are no pixels.

    Examples
    --------
    >>> from pyproj import CRS
    >>> grid = Grid(CRS.from_epsg(32615), 500_000.0, 4_900_000.0, 1.0, (200, 300))
    >>> grid.bounds
    (500000.0, 4899800.0, 500300.0, 4900000.0)
    """

    crs: CRS
    west: float
    north: float
    pixel_m: float
    shape: tuple[int, int]

    def __post_init__(self) -> None:
        require_metric(self.crs)
        if self.pixel_m <= 0 or min(self.shape) < 1:
            raise RasterError("a grid needs pixels", value=(self.pixel_m, self.shape))

    @classmethod
    def from_transform(cls, transform: Affine, shape: tuple[int, int], crs: CRS) -> Grid:
        """Return the grid of a rasterio transform.

        Parameters
        ----------
        transform
            From column and row to the CRS.
        shape
            Rows and columns.
        crs
            Projected, in metres.

        Returns
        -------
        Grid
            The same pixels.

        Raises
        ------
        RasterError
            It is not north-up, or its pixels are not square.
        """
        square = np.isclose(transform.a, -transform.e, rtol=1e-6)
        if not square or transform.b or transform.d or transform.a <= 0:
            raise RasterError(
                "the raster is not north-up with square pixels", value=tuple(transform)[:6]
            )
        return cls(crs, transform.c, transform.f, transform.a, shape)

    @property
    def transform(self) -> Affine:
        """The rasterio transform."""
        return Affine(self.pixel_m, 0.0, self.west, 0.0, -self.pixel_m, self.north)

    @property
    def bounds(self) -> Bounds:
        """West, south, east, north, metres."""
        rows, cols = self.shape
        south = self.north - rows * self.pixel_m
        return self.west, south, self.west + cols * self.pixel_m, self.north

    @cached_property
    def convergence_deg(self) -> float:
        """Meridian convergence at the grid's centre."""
        west, south, east, north = self.bounds
        return convergence_deg(self.crs, (west + east) / 2, (south + north) / 2)

    @property
    def centre_latlon(self) -> tuple[float, float]:
        """Latitude and longitude of the grid's centre, WGS 84."""
        west, south, east, north = self.bounds
        to_wgs84 = Transformer.from_crs(self.crs, WGS84, always_xy=True)
        lon, lat = to_wgs84.transform((west + east) / 2, (south + north) / 2)
        return float(lat), float(lon)

    def to_grid_bearing(self, true_deg: ArrayLike) -> Any:
        """Return grid bearings of true bearings."""
        return wrap360(np.asarray(true_deg, float) - self.convergence_deg)

    def to_true_bearing(self, grid_deg: ArrayLike) -> Any:
        """Return true bearings of grid bearings."""
        return wrap360(np.asarray(grid_deg, float) + self.convergence_deg)

    def rowcol(self, x: ArrayLike, y: ArrayLike) -> tuple[IntArray, IntArray]:
        """Return the row and column of the pixels that hold the points (may be outside)."""
        col = np.floor((np.asarray(x, float) - self.west) / self.pixel_m).astype(np.int64)
        row = np.floor((self.north - np.asarray(y, float)) / self.pixel_m).astype(np.int64)
        return row, col

    def xy(self, row: ArrayLike, col: ArrayLike) -> tuple[Any, Any]:
        """Return the centre of pixels given by row and column (fractions allowed)."""
        x = self.west + (np.asarray(col, float) + 0.5) * self.pixel_m
        y = self.north - (np.asarray(row, float) + 0.5) * self.pixel_m
        return x, y

    def contains(self, row: IntArray, col: IntArray) -> BoolArray:
        """Return which row and column pairs lie on the grid."""
        rows, cols = self.shape
        return (row >= 0) & (row < rows) & (col >= 0) & (col < cols)


@dataclass(frozen=True)
class Raster:
    """Values on a grid, with the pixels that hold no data.

    Parameters
    ----------
    values
        (rows, cols) or (bands, rows, cols).
    grid
        Where they lie.
    valid
        (rows, cols), false where there is no data; all true when omitted.
    bands
        Names of the bands of a three-dimensional array.

    Raises
    ------
    RasterError
        Values, mask or band names do not fit each other or the grid.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> grid = Grid(CRS.from_epsg(32615), 500_000.0, 4_900_000.0, 10.0, (2, 2))
    >>> depth = Raster(np.array([[0.0, 0.5], [1.0, 1.5]]), grid)
    >>> depth.sample([500_015.0, 0.0], [4_899_995.0, 0.0]).tolist()
    [0.5, nan]
    """

    values: AnyArray
    grid: Grid
    valid: BoolArray | None = field(default=None)
    bands: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.values.shape[-2:] != self.grid.shape:
            raise RasterError(
                "array and grid differ in shape", value=(self.values.shape, self.grid.shape)
            )
        if self.valid is not None and self.valid.shape != self.grid.shape:
            raise RasterError(
                "mask and grid differ in shape", value=(self.valid.shape, self.grid.shape)
            )
        if self.bands and (self.values.ndim != 3 or len(self.bands) != self.values.shape[0]):
            raise RasterError("band names do not fit the array", value=self.bands)

    @property
    def mask(self) -> BoolArray:
        """(rows, cols), true where there is data."""
        if self.valid is None:
            return np.ones(self.grid.shape, dtype=bool)
        return self.valid

    def band(self, name: str) -> AnyArray:
        """Return one band by name; raises `RasterError` if there is none."""
        if name not in self.bands:
            raise RasterError(f"no band '{name}'", value=self.bands)
        plane: AnyArray = self.values[self.bands.index(name)]
        return plane

    def sample(self, x: ArrayLike, y: ArrayLike, *, fill: float = np.nan) -> AnyArray:
        """Return the values under points.

        Parameters
        ----------
        x, y
            Points in the grid's CRS.
        fill
            Value off the grid and where there is no data.

        Returns
        -------
        ndarray
            float, (points,) or (bands, points).
        """
        row, col = (np.atleast_1d(i) for i in self.grid.rowcol(x, y))
        known = self.grid.contains(row, col)
        row, col = np.where(known, row, 0), np.where(known, col, 0)
        if self.valid is not None:
            known &= self.valid[row, col]
        picked: AnyArray = self.values[..., row, col].astype(float)
        return picked if known.all() else np.where(known, picked, fill)


def require_same_grid(a: Raster, b: Raster) -> None:
    """Raise `CrsError` or `RasterError` unless two rasters lie on the same grid."""
    if a.grid != b.grid:
        require_same_crs(a.grid.crs, b.grid.crs)
        raise RasterError("two rasters lie on different grids", value=(a.grid.shape, b.grid.shape))
