"""The wind atlas: fetch and horizon in every sector of the compass, swept once for a place.

A folder with three cloud-optimised GeoTIFFs a direction, named by the true bearing the wind
comes from, that open as they are in any GIS:

- ``fetch_010.tif``: uint16 metres, 65535 off the water;
- ``horizon_010.tif``: one band a density class, uint8 in logarithmic steps, 32 to a doubling;
  the tag ``height_per_distance`` lists what the 256 codes stand for;
- ``at_least_010.tif``: 1 where the data ran out upwind, so that both are lower bounds; 2 where
  mapped water beyond the photo tells the fetch all the same, and the horizon alone is one.

Between two stored directions a fetch can be far off, so none is interpolated: the wind of a
morning is swept afresh (`field`).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS
from rasterio import shutil as raster_files
from rasterio import windows
from rasterio.enums import Resampling
from rasterio.errors import RasterioError

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.parallel import allowed, in_threads, thread_count
from sitegeo.core.typing import AnyArray, ByteArray, Float32Array
from sitegeo.errors import SurveyError, UsageError
from sitegeo.exposure.fetch import Fetch
from sitegeo.exposure.field import extend_fetch
from sitegeo.exposure.surface import classes_of
from sitegeo.exposure.sweep import HORIZON_STEPS, NO_FETCH, empty_sweep, sweep

SECTORS = 36
"""Directions stored: every 10°; judgement."""

Window = tuple[slice, slice]
"""Rows and columns of the grid."""

_FORMAT = 2  # of the files; a change makes every atlas anew
_TILE = 512  # pixels; practice, that of most readers of cloud-optimised GeoTIFFs
_IN_FLIGHT = 50_000_000  # pixels swept and written at a time: ten bytes each
_LOG_SCALE = 1 / 32
# Codes are bits of the distance, straight lines between powers of two: within 3.1 % of this.
_off = np.log2(HORIZON_STEPS[1:]) - np.arange(1, 256) * _LOG_SCALE
_LOG_OFFSET = float(_off.min() + _off.max()) / 2


def atlas_key(obstacles: Raster, *, halo: Raster | None = None, sectors: int = SECTORS) -> str:
    """Return a key that changes with the obstacles, the halo, the sectors or the code.

    Parameters
    ----------
    obstacles, halo, sectors
        As for `write_atlas`.

    Returns
    -------
    str
        16 hexadecimal digits.
    """
    digest = hashlib.sha256(repr((_FORMAT, sectors, obstacles.grid)).encode())
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.read_bytes())
    for raster in (obstacles, halo):
        if raster is not None:
            digest.update(raster.values.tobytes())
    return digest.hexdigest()[:16]


def write_atlas(
    obstacles: Raster, folder: Path, *, halo: Raster | None = None, sectors: int = SECTORS
) -> None:
    """Sweep every sector and write the atlas into an empty folder.

    Parameters
    ----------
    obstacles
        The `obstacles` layer.
    folder
        Where to write; nothing else should lie in it.
    halo
        The `halo` layer, over which a fetch that leaves the photo goes on.
    sectors
        Directions, evenly spaced from true north; must divide 360.

    Raises
    ------
    UsageError
        `sectors` does not divide 360.
    """
    if sectors < 1 or 360 % sectors:
        raise UsageError("the sectors of an atlas must divide 360", value=sectors)
    grid, classes = obstacles.grid, classes_of(obstacles)
    # Compressing takes longest and holds no lock: a direction a thread, as memory allows.
    pixels = obstacles.values.size
    workers = min(thread_count(None, pixels), max(1, _IN_FLIGHT // pixels))

    def work(worker: int) -> None:
        buffers = empty_sweep(grid.shape, len(classes))
        for number in range(worker, sectors, workers):
            bearing = float(grid.to_grid_bearing(number * 360 / sectors))
            made = sweep(
                obstacles.values,
                from_grid_deg=bearing,
                pixel_m=grid.pixel_m,
                bands=len(classes),
                threads=None if workers == 1 else 1,
                out=buffers,
            )
            fetch, bound = made.fetch_m, made.at_least
            if halo is not None:
                fetch, bound = extend_fetch(fetch, bound, grid, halo, from_grid_deg=bearing)
            # 1 where fetch and horizon are bounds, 2 where the map knows the fetch.
            at_least = 2 * made.at_least.view(np.uint8) - bound
            planes = fetch[None], made.horizon_code, at_least[None]
            _write_direction(folder, number * 360 // sectors, planes, grid, classes)

    in_threads(work, workers)


def _write_direction(
    folder: Path,
    bearing: int,
    planes: tuple[AnyArray, ...],
    grid: Grid,
    classes: tuple[str, ...],
) -> None:
    fetch, horizon, at_least = planes
    about = {"from_true_deg": str(bearing)}
    _write(
        folder / f"fetch_{bearing:03d}.tif",
        fetch,
        grid,
        names=("fetch_m",),
        unit="m",
        nodata=NO_FETCH,
        tags={**about, "unit": "m", "scale": "1", "offset": "0"},
    )
    _write(
        folder / f"horizon_{bearing:03d}.tif",
        horizon,
        grid,
        names=classes,
        unit="log2(height/distance)",
        scale=(_LOG_SCALE, _LOG_OFFSET),
        tags={
            **about,
            "unit": "log2(height/distance)",
            "scale": f"{_LOG_SCALE:.6g}",
            "offset": f"{_LOG_OFFSET:.6g}",
            "codes": "0 is no obstacle within 64 heights; scale and offset hold within 3.1 %",
            "height_per_distance": " ".join(f"{v:.6g}" for v in HORIZON_STEPS),
        },
    )
    _write(
        folder / f"at_least_{bearing:03d}.tif",
        at_least,
        grid,
        names=("at_least",),
        tags={**about, "codes": "1 fetch and horizon are lower bounds, 2 the horizon is"},
    )


def _write(
    path: Path,
    planes: AnyArray,
    grid: Grid,
    *,
    names: tuple[str, ...],
    tags: dict[str, str],
    unit: str = "",
    scale: tuple[float, float] = (1.0, 0.0),
    nodata: int | None = None,
) -> None:
    profile: dict[str, Any] = {
        "driver": "MEM",
        "count": len(planes),
        "height": grid.shape[0],
        "width": grid.shape[1],
        "dtype": planes.dtype.name,
        "crs": grid.crs.to_wkt(),
        "transform": grid.transform,
        "nodata": nodata,
    }
    factors = [f for f in (4, 16, 64) if max(grid.shape) > _TILE * f / 4]
    with rasterio.open("", "w", **profile) as held:
        held.write(planes)
        held.descriptions = names
        held.units = (unit,) * len(planes)
        held.scales, held.offsets = (scale[0],) * len(planes), (scale[1],) * len(planes)
        held.update_tags(**tags)
        if factors:
            held.build_overviews(factors, Resampling.nearest)
        raster_files.copy(
            held,
            path,
            driver="COG",
            compress="ZSTD",  # half the time and two thirds of the size of DEFLATE
            level=1,
            predictor=2,
            blocksize=_TILE,
            sparse_ok=True,
            num_threads=allowed(),
            overviews="AUTO" if factors else "NONE",
            overview_compress="ZSTD",
            overview_predictor=2,
        )


@dataclass(frozen=True)
class Atlas:
    """An atlas on disk; a window of one direction is read when it is asked for.

    Parameters
    ----------
    folder
        Where its files lie.
    directions_deg
        True bearings stored, ascending.
    classes
        Density class of each horizon band.
    """

    folder: Path
    grid: Grid
    directions_deg: tuple[int, ...]
    classes: tuple[str, ...]

    @classmethod
    def open(cls, folder: str | Path) -> Atlas:
        """Return the atlas in a folder; raises `SurveyError` if it holds none."""
        path = Path(folder)
        found = sorted(int(p.stem[-3:]) for p in path.glob("fetch_[0-9][0-9][0-9].tif"))
        if not found:
            raise SurveyError(
                "holds no wind atlas",
                where=path,
                remedy="Run 'sitegeo survey' again with --overwrite, without --no-atlas",
            )
        with _opened(path / f"horizon_{found[0]:03d}.tif") as source:
            crs = CRS.from_wkt(source.crs.to_wkt())
            grid = Grid.from_transform(source.transform, source.shape, crs)
            return cls(path, grid, tuple(found), tuple(source.descriptions))

    def fetch(self, direction_deg: int, window: Window | None = None) -> Fetch:
        """Return the straight-line fetch for a stored direction, as swept."""
        metres = self._read("fetch", direction_deg, window)[0]
        fetch = np.where(metres == NO_FETCH, np.nan, metres).astype(np.float32)
        return Fetch(fetch, self._read("at_least", direction_deg, window)[0] == 1)

    def horizon(self, direction_deg: int, window: Window | None = None) -> Float32Array:
        """Return obstacle height ÷ distance, (classes, rows, columns), for a stored direction."""
        steps: Float32Array = HORIZON_STEPS[self.horizon_codes(direction_deg, window)]
        return steps

    def horizon_codes(self, direction_deg: int, window: Window | None = None) -> ByteArray:
        """Return the same as indices into `sweep.HORIZON_STEPS`, as stored."""
        codes: ByteArray = self._read("horizon", direction_deg, window)
        return codes

    def _read(self, kind: str, direction_deg: int, window: Window | None) -> AnyArray:
        if direction_deg not in self.directions_deg:
            raise UsageError(
                "the atlas does not hold this direction, and a raw one is never interpolated",
                value=direction_deg,
                remedy=f"One of {', '.join(map(str, self.directions_deg))}, or sweep it",
            )
        inside = None if window is None else windows.Window.from_slices(*window)
        with _opened(self.folder / f"{kind}_{direction_deg:03d}.tif") as source:
            values: AnyArray = source.read(window=inside)
        return values


def _opened(path: Path) -> Any:
    try:
        return rasterio.open(path)
    except RasterioError as error:
        raise SurveyError(
            f"is damaged or missing: {error}",
            where=path,
            remedy="Run 'sitegeo survey' again with --overwrite",
        ) from None
