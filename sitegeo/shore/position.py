"""One position and the table of all: what tree lines, headlands, openings and flats give back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import geopandas as gpd
import numpy as np
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from sitegeo.core.contracts import POSITION_KINDS


@dataclass(frozen=True)
class Position:
    """A piece of ground worth a look: where, of what kind, how sure and why, and its measures.

    Parameters
    ----------
    kind
        One of `POSITION_KINDS`.
    geometry
        A line along the shore, the tip or head, or a polygon, in the place's CRS.
    confidence
        0 to 1.
    why
        What was seen, in a sentence.
    length_m, width_m, belt_depth_m
        Length along the shore or of the long side; width across; depth of the tree belt.
    bearing_deg, facing_deg
        True bearings: of the long side, and towards the water.
    canopy_height_m, canopy_height_p90_m, canopy_height_error_m
        Mean, 90th percentile and standard error of the height of the plants.
    canopy_density
        Share of trees, 0 to 1.
    area_m2
        Area of a polygon.

    Notes
    -----
    A measure is None where it means nothing for the kind.
    """

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


_MEASURES = tuple(f.name for f in fields(Position) if f.default is None)


def positions_layer(positions: Sequence[Position], crs: CRS) -> gpd.GeoDataFrame:
    """Return the `positions` layer: ids by kind, numbered north to south, then west to east.

    Examples
    --------
    >>> from pyproj import CRS
    >>> from shapely.geometry import Point
    >>> tips = [Position("point", Point(0, y), 0.7, "the shore turns") for y in (100, 300)]
    >>> layer = positions_layer(tips, CRS.from_epsg(32617))
    >>> list(layer["id"]), list(layer.geometry.y)
    (['P001', 'P002'], [300.0, 100.0])
    """
    ranked = sorted(
        positions,
        key=lambda p: (
            p.kind,
            -round(p.geometry.centroid.y, 3),
            round(p.geometry.centroid.x, 3),
            p.geometry.wkt,
        ),
    )
    ids, counts = [], dict.fromkeys(POSITION_KINDS, 0)
    for position in ranked:
        counts[position.kind] += 1
        ids.append(f"{POSITION_KINDS[position.kind]}{counts[position.kind]:03d}")
    columns: dict[str, object] = {"id": ids, "kind": [p.kind for p in ranked]}
    for name in _MEASURES:
        columns[name] = np.array([_rounded(getattr(p, name)) for p in ranked], float)
    columns["confidence"] = np.array([round(p.confidence, 3) for p in ranked], float)
    columns["why"] = [p.why for p in ranked]
    layer = gpd.GeoDataFrame(columns, geometry=[p.geometry for p in ranked], crs=crs)
    return layer.sort_values("id", ignore_index=True)


def _rounded(value: float | None) -> float:
    return np.nan if value is None else round(float(value), 3)
