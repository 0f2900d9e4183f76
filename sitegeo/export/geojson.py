"""GeoJSON as RFC 7946 has it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.export.wgs84 import to_wgs84

_WHOLE = frozenset({"count", "order"})


def feature_collection(features: gpd.GeoDataFrame) -> dict[str, Any]:
    """Return a FeatureCollection in WGS 84: right-hand rule, 7 decimals, no ``crs`` member.

    Properties keep the order of the columns; what is missing or not finite becomes null.

    Raises
    ------
    CrsError
        If the frame has no coordinate reference system.
    """
    degrees = to_wgs84(features)
    names = [c for c in degrees.columns if c != degrees.geometry.name]
    columns = [[_plain(v, whole=n in _WHOLE) for v in degrees[n]] for n in names]
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "geometry": _geometry(shape),
                "properties": dict(zip(names, values, strict=True)),
            }
            for shape, *values in zip(degrees.geometry, *columns, strict=True)
        ],
    }


def write(features: gpd.GeoDataFrame, path: Path) -> None:
    """Write `feature_collection` of a frame, one feature a line; same frame, same bytes."""
    lines = ",\n".join(_dump(f) for f in feature_collection(features)["features"])
    body = f"[\n{lines}\n]" if lines else "[]"
    text = f'{{"type": "FeatureCollection", "features": {body}}}\n'
    path.write_bytes(text.encode("utf-8"))


def _dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _geometry(shape: Any) -> dict[str, Any] | None:
    if shape is None or shape.is_empty:
        return None
    mapping: dict[str, Any] = json.loads(shapely.to_geojson(shape))
    return mapping


def _plain(value: Any, *, whole: bool) -> Any:
    """Return a value as JSON knows it."""
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(v, whole=whole) for v in value]
    if isinstance(value, dict):
        return {str(k): _plain(v, whole=False) for k, v in value.items()}
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or pd.isna(value):
        return None
    if isinstance(value, float):
        if not np.isfinite(value):
            return None
        return int(value) if whole and value.is_integer() else value
    return value if isinstance(value, bool | int) else str(value)
