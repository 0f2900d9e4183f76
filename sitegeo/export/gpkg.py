"""Several layers in one GeoPackage, in their own CRS, byte for byte the same each time."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio

from sitegeo.errors import CrsError, LayerError

_PINNED = "2000-01-01T00:00:00.000Z"
_RESERVED = frozenset({"fid", "geom"})


def write_layers(path: Path, frames: Mapping[str, gpd.GeoDataFrame]) -> None:
    """Write a new GeoPackage with one layer a frame, replacing what was there.

    Flags, counts, numbers and text keep their kind, missing values stay missing, and an empty
    frame becomes an empty layer. The date of last change is pinned.

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
    wanted = {"OGR_CURRENT_DATE": _PINNED, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
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
