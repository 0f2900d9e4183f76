"""Layers on disk: vectors in one GeoPackage, each raster in a GeoTIFF named after its layer.

Same layers, same bytes: layers are written in the order of their names, the date of last change
is pinned and JSON keys are sorted.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
from pyproj import CRS
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.errors import RasterioError

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.parallel import allowed
from sitegeo.core.typing import AnyArray
from sitegeo.errors import CrsError, LayerError, SurveyError

SURVEY_GPKG = "survey.gpkg"
"""GeoPackage of a survey's vector layers."""

PHOTO = "photo"
"""The raster kept as a picture to look at: red, green, blue, compressed with loss."""

_BLOCK = 512  # pixels; practice, that of most readers of tiled GeoTIFFs
_JPEG_QUALITY = 85  # judgement
_DEFLATE_LEVEL = 4  # judgement: speed before size
_LAST_CHANGE = "2000-01-01T00:00:00.000Z"  # for every GeoPackage
_RESERVED = frozenset({"fid", "geom"})  # columns GeoPackage keeps for itself


def save_layers(
    folder: Path, layers: Mapping[str, Any], tags: Mapping[str, Mapping[str, str]]
) -> None:
    """Write the layers of a survey into a folder, to be read again with `SavedLayers`.

    Parameters
    ----------
    folder
        An empty folder.
    layers
        GeoDataFrames, which go into `SURVEY_GPKG`, and rasters, each into its own GeoTIFF; other
        values are left out.
    tags
        For a raster by name: tags to keep in its file.

    Raises
    ------
    CrsError, LayerError
        As for `write_geopackage`.
    """
    frames = {n: v for n, v in sorted(layers.items()) if isinstance(v, gpd.GeoDataFrame)}
    write_geopackage(folder / SURVEY_GPKG, frames)
    for name, layer in sorted(layers.items()):
        if isinstance(layer, Raster):
            _write_raster(folder / f"{name}.tif", layer, name, tags.get(name, {}))


class SavedLayers(Mapping[str, Any]):
    """Layers of a folder by name, each read when first asked for.

    Parameters
    ----------
    folder
        What `save_layers` filled.
    vectors
        Name of its GeoPackage.

    Raises
    ------
    SurveyError
        The GeoPackage, or a layer that is asked for, is damaged or missing.
    """

    def __init__(self, folder: Path, *, vectors: str = SURVEY_GPKG) -> None:
        self._folder = folder
        self._package = folder / vectors
        self._held: dict[str, Any] = {}
        try:
            names = [str(name) for name, _ in pyogrio.list_layers(self._package)]
        except Exception as error:
            raise _damaged(self._package, error) from None
        rasters = [p.stem for p in folder.glob("*.tif")]
        self._vectors = frozenset(names)
        self._names = tuple(sorted((*names, *rasters)))

    def __getitem__(self, name: str) -> Any:
        if name not in self._names:
            raise KeyError(name)
        if name not in self._held:
            self._held[name] = self._read(name)
        return self._held[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def _read(self, name: str) -> Any:
        path = self._package if name in self._vectors else self._folder / f"{name}.tif"
        try:
            if name in self._vectors:
                return gpd.read_file(path, layer=name)
            return read_raster(path)
        except (RasterioError, pyogrio.errors.DataSourceError) as error:
            raise _damaged(path, error) from None


def write_geopackage(path: Path, frames: Mapping[str, gpd.GeoDataFrame]) -> None:
    """Write a new GeoPackage with one layer a frame, replacing what was there.

    Flags, counts, numbers and text keep their kind, missing values stay missing, and an empty
    frame becomes an empty layer.

    Parameters
    ----------
    path
        The file.
    frames
        The frame of each layer, written in this order.

    Raises
    ------
    CrsError
        If a frame has no coordinate reference system.
    LayerError
        If a column's name is one the format keeps for itself.
    """
    for name, frame in frames.items():
        if frame.crs is None:
            raise CrsError("a layer has no coordinate reference system", where=name)
        taken = [c for c in frame.columns if str(c).lower() in _RESERVED - {frame.geometry.name}]
        if taken:
            raise LayerError(
                name, [f"column '{c}' is a name GeoPackage keeps for itself" for c in taken]
            )
    path.unlink(missing_ok=True)
    with _written_quickly():
        for name, frame in frames.items():
            pyogrio.write_dataframe(
                _typed(frame),
                path,
                layer=name,
                driver="GPKG",
                geometry_type=_geometry_type(frame),
                promote_to_multi=False,
                layer_options={"GEOMETRY_NAME": "geom", "FID": "fid"},
            )


@contextmanager
def _written_quickly() -> Iterator[None]:
    """Pin the date of last change, and leave it to the system when the disk is written.

    A package is written beside its place and moved in whole: waiting for the disk at every layer
    saves nothing, and costs most of the time.
    """
    wanted = {"OGR_CURRENT_DATE": _LAST_CHANGE, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _geometry_type(frame: gpd.GeoDataFrame) -> str:
    """Return the one type a layer holds, or Unknown, which GeoPackage reads as any."""
    kinds = set(frame.geom_type.dropna())
    return kinds.pop() if len(kinds) == 1 else "Unknown"


def _typed(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the frame with loose columns in the kind of column they hold."""
    typed = frame.copy(deep=False)
    for name in frame.columns:
        if name != frame.geometry.name and frame[name].dtype == object:
            typed[name] = _typed_column(frame[name])
    return typed


def _typed_column(values: pd.Series[Any]) -> pd.Series[Any]:
    kind = pd.api.types.infer_dtype(values, skipna=True)
    if kind == "boolean":
        return values.astype("boolean")
    if kind == "integer":
        return values.astype("Int64")
    if kind in ("floating", "mixed-integer-float", "decimal"):
        return values.astype("Float64")
    return values.map(_as_text).astype("string")


def _as_text(value: Any) -> Any:
    if isinstance(value, list | tuple | dict):
        return json.dumps(value, ensure_ascii=False)
    return None if pd.isna(value) else str(value)


def _write_raster(path: Path, raster: Raster, name: str, tags: Mapping[str, str]) -> None:
    values = raster.values if raster.values.ndim == 3 else raster.values[np.newaxis]
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "height": raster.grid.shape[0],
        "width": raster.grid.shape[1],
        "count": len(values),
        "dtype": values.dtype,
        "crs": raster.grid.crs.to_wkt(),
        "transform": raster.grid.transform,
        "tiled": True,
        "blockxsize": _BLOCK,
        "blockysize": _BLOCK,
        "bigtiff": "if_safer",
        # Threads print an error of the library's own where the file holds a mask of several bands.
        "num_threads": allowed() if raster.valid is None else 1,
    }
    if name == PHOTO:
        profile |= {"compress": "jpeg", "jpeg_quality": _JPEG_QUALITY, "photometric": "ycbcr"}
    else:
        float_like = np.issubdtype(values.dtype, np.floating)
        profile |= {
            "compress": "deflate",
            "zlevel": _DEFLATE_LEVEL,
            "predictor": 3 if float_like else 2,
            "interleave": "band",
        }
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "w", **profile) as target:
        target.write(values)
        if raster.valid is not None:
            target.write_mask(raster.valid)
        if raster.bands and name != PHOTO:
            target.colorinterp = [ColorInterp.gray] + [ColorInterp.undefined] * (len(values) - 1)
            for index, band in enumerate(raster.bands, 1):
                target.set_band_description(index, band)
        target.update_tags(**tags)


def read_raster(path: Path) -> Raster:
    """Return a raster of a folder that `save_layers` filled."""
    with rasterio.open(path) as source:
        crs = CRS.from_wkt(source.crs.to_wkt())
        grid = Grid.from_transform(source.transform, source.shape, crs)
        bands = tuple(d for d in source.descriptions if d)
        values: AnyArray = source.read()
        has_mask = MaskFlags.per_dataset in source.mask_flag_enums[0]
        valid = source.dataset_mask() > 0 if has_mask else None
    if path.stem == PHOTO:
        bands = ("red", "green", "blue")
    return Raster(values if bands else values[0], grid, valid, bands)


def write_json(path: Path, value: Any) -> None:
    """Write JSON with sorted keys and a final newline, so that same input gives same bytes."""
    text = json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def read_json(path: Path) -> Any:
    """Return the JSON of a results folder; raises `SurveyError` if it is damaged."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _damaged(path, error) from None


def _damaged(path: Path, error: Exception) -> SurveyError:
    return SurveyError(
        f"is damaged or missing: {error}",
        where=path,
        remedy="Run 'sitegeo survey' again with --overwrite",
    )
