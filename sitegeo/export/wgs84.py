"""The one way out of a place's metric CRS: WGS 84 as RFC 7946 and GPX want it.

GDAL's GeoJSON and GPX drivers write whatever numbers they are given, so the conversion is made
here and nowhere in a writer.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from sitegeo.core.typing import FloatArray
from sitegeo.errors import CrsError

DECIMALS = 7
"""Decimals of a degree written: 0.011 m on the ground."""


def to_wgs84(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the frame in WGS 84, longitude first, flat, rounded, exteriors counterclockwise.

    Shapes that cross the antimeridian are cut at it (RFC 7946 section 3.1.9).

    Raises
    ------
    CrsError
        If the frame has no coordinate reference system.
    """
    if frame.crs is None:
        raise CrsError(
            "cannot export a layer without a coordinate reference system",
            remedy="Set the frame's crs; sitegeo never guesses",
        )
    degrees = frame.to_crs(4326)
    shapes = shapely.force_2d(degrees.geometry.to_numpy())
    shapes = np.array([_cut_at_antimeridian(s) for s in shapes], dtype=object)
    shapes = shapely.transform(shapes, _rounded)
    return degrees.set_geometry(
        gpd.GeoSeries(shapely.orient_polygons(shapes), index=degrees.index, crs=4326)
    )


def _rounded(xy: FloatArray) -> FloatArray:
    # Adding zero turns -0.0 into 0.0.
    return np.round(xy, DECIMALS) + 0.0


def _cut_at_antimeridian(shape: Any) -> Any:
    if shape is None or shape.is_empty or shape.bounds[2] - shape.bounds[0] <= 180:
        return shape
    unrolled = shapely.transform(shape, lambda xy: xy + [360.0, 0.0] * (xy[:, :1] < 0))
    east = unrolled.intersection(shapely.box(0, -90, 180, 90))
    west = unrolled.intersection(shapely.box(180, -90, 360, 90))
    return east.union(shapely.transform(west, lambda xy: xy - [360.0, 0.0]))
