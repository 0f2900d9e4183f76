"""Shapes and bearings of a place as the page holds them: rounded degrees, true bearings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import wrap360
from sitegeo.core.grid import convergence_deg
from sitegeo.core.typing import FloatArray


class Degrees:
    """Turns shapes of one metric CRS into degrees on WGS 84, rounded to 1e-6 (0.1 m)."""

    def __init__(self, crs: CRS) -> None:
        self.crs = crs
        self._forward = Transformer.from_crs(crs, 4326, always_xy=True)

    def geometries(self, shapes: Sequence[BaseGeometry]) -> list[dict[str, Any]]:
        """Return shapes as GeoJSON geometries."""

        def convert(xy: Any) -> Any:
            return np.round(np.column_stack(self._forward.transform(xy[:, 0], xy[:, 1])), 6) + 0.0

        flat = shapely.force_2d(np.array(shapes, dtype=object))
        return [json.loads(text) for text in shapely.to_geojson(shapely.transform(flat, convert))]

    def lat_lon(self, point: Point) -> list[float]:
        """Return latitude and longitude to 1e-7 degrees: a grid reference to the metre needs it."""
        lon, lat = self._forward.transform(point.x, point.y)
        return [round(lat, 7) + 0.0, round(lon, 7) + 0.0]

    def scale_at(self, x_y: tuple[float, float]) -> dict[str, float]:
        """Return metres of a degree of longitude and of latitude, on the ellipsoid."""
        lon, lat = self._forward.transform(*x_y)
        geod, step = Geod(ellps="WGS84"), 1e-3
        across = geod.inv(lon - step, lat, lon + step, lat)[2] / (2 * step)
        up = geod.inv(lon, lat - step, lon, lat + step)[2] / (2 * step)
        return {"lon_m": round(across, 3), "lat_m": round(up, 3)}

    def line_steps(self, lines: Sequence[FloatArray], origin: Sequence[float]) -> list[list[int]]:
        """Return lines of (n, 2) metres as millionths of a degree, each point from the last.

        A line is longitude, latitude, longitude, ...; its first point is measured from `origin`, a
        latitude and longitude.
        """
        if not lines:
            return []
        lon, lat = self._forward.transform(*np.concatenate(lines).T)
        millionths = np.column_stack([lon - origin[1], lat - origin[0]]) * 1e6
        points = np.round(millionths).astype(np.int64)
        cuts = np.cumsum([len(line) for line in lines])[:-1]
        runs = (np.diff(run, axis=0, prepend=0) for run in np.split(points, cuts))
        return [run.ravel().tolist() for run in runs]

    def grid_bearing(self, true_deg: float, at: Point) -> float:
        """Return a true bearing as one from grid north."""
        return true_deg - convergence_deg(self.crs, at.x, at.y)

    def true_bearing(self, grid_deg: float, at: Point) -> float:
        """Return a bearing from grid north as a true one, 0 to 360."""
        return float(wrap360(grid_deg + convergence_deg(self.crs, at.x, at.y)))
