"""One position found, and the table of all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from sitegeo.core.contracts import POSITION_KINDS

_NUMBERS = (
    "length_m",
    "width_m",
    "belt_depth_m",
    "bearing_deg",
    "facing_deg",
    "canopy_height_m",
    "canopy_height_p90_m",
    "canopy_height_error_m",
    "canopy_density",
    "area_m2",
)


@dataclass(frozen=True)
class Position:
    """A position: where, of what kind, its measures (empty where they mean nothing), and why."""

    kind: str
    geometry: BaseGeometry
    confidence: float
    why: str
    length_m: float | None = None
    width_m: float | None = None
    belt_depth_m: float | None = None
    bearing_deg: float | None = None
    facing_deg: float | None = None
    canopy_height_m: float | None = None
    canopy_height_p90_m: float | None = None
    canopy_height_error_m: float | None = None
    canopy_density: float | None = None
    area_m2: float | None = None


def positions_layer(finds: Sequence[Position], crs: CRS) -> gpd.GeoDataFrame:
    """Return the positions layer: ids by kind, north to south, then west to east."""
    ranked = sorted(
        finds,
        key=lambda f: (
            f.kind,
            -round(f.geometry.centroid.y, 3),
            round(f.geometry.centroid.x, 3),
            f.geometry.wkt,
        ),
    )
    ids, counts = [], dict.fromkeys(POSITION_KINDS, 0)
    for find in ranked:
        counts[find.kind] += 1
        ids.append(f"{POSITION_KINDS[find.kind]}{counts[find.kind]:03d}")
    columns: dict[str, object] = {"id": ids, "kind": [f.kind for f in ranked]}
    for name in _NUMBERS:
        columns[name] = np.array([_number(getattr(f, name)) for f in ranked], float)
    columns["confidence"] = np.array([round(f.confidence, 3) for f in ranked], float)
    columns["why"] = [f.why for f in ranked]
    layer = gpd.GeoDataFrame(columns, geometry=[f.geometry for f in ranked], crs=crs)
    return layer.sort_values("id", ignore_index=True)


def _number(value: float | None) -> float:
    return np.nan if value is None else round(float(value), 3)
