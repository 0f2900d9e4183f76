"""Every planted position of the demo place is found, and at most one of a kind besides.

The bundled place goes through its photo and layers; other seeds are drawn from their geometry
alone, without a photo, so that many can be tried.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from bundled_place import scene
from rasterio.features import rasterize

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.shore.positions import positions
from sitegeo.shore.shoreline import shoreline
from sitegeo.surveys.survey import Survey

NEAR_M = 15.0


def require_planted_found(found: gpd.GeoDataFrame, truth: gpd.GeoDataFrame) -> None:
    truth = truth.to_crs(found.crs)
    must = truth[truth["expect"] == "must"]
    for kind, planted in must.groupby("kind"):
        finds = found[found["kind"] == kind]
        missed = [i for i, g in zip(planted["id"], planted.geometry, strict=True)
                  if finds.empty or finds.distance(g).min() > NEAR_M]  # fmt: skip
        assert not missed, f"{kind}: {missed}"
        fair = truth[truth["kind"] == kind]
        false = [i for i, g in zip(finds["id"], finds.geometry, strict=True)
                 if fair.distance(g).min() > NEAR_M]  # fmt: skip
        assert len(false) <= 1, f"{kind}: {false}"


def test_in_the_bundled_place(demo_place: Path, demo_survey: Path) -> None:
    found = Survey.open(demo_survey).layers["positions"]
    require_planted_found(found, gpd.read_file(demo_place.parent / "truth.geojson"))


@pytest.mark.parametrize("seed", [2, 9, 21])
def test_in_other_places_drawn_without_a_photo(seed: int) -> None:
    drawn = scene(seed)
    grid, ground = drawn.grid, drawn.ground
    classes = np.full(grid.shape, int(Cover.OPEN), np.uint8)
    height = np.zeros(grid.shape, np.float32)
    depth = np.full(grid.shape, np.nan, np.float32)

    def within(name: str) -> np.ndarray:
        return rasterize([ground[name]], grid.shape, transform=grid.transform).astype(bool)

    for stand, tall in zip(drawn.stands.geometry, drawn.stands["height_m"], strict=True):
        if not stand.is_empty:
            trees = rasterize([stand], grid.shape, transform=grid.transform).astype(bool)
            classes[trees], height[trees] = Cover.TREE, tall
    water = within("water") & (classes != Cover.TREE)
    classes[water], depth[water] = Cover.WATER, 3.0
    depth[within("flat") & water] = 0.3
    for name in ("reeds", "brush", "marsh", "tips"):
        classes[within(name)] = Cover.LOW
    cover = Raster(
        np.stack([classes, np.full_like(classes, 90)]), grid, None, ("class", "confidence")
    )
    canopy_height = Raster(height, grid)
    lakes, _, stations = shoreline(cover=cover, canopy_height=canopy_height)
    found = positions(
        stations=stations,
        cover=cover,
        canopy_height=canopy_height,
        water=lakes,
        depth=Raster(depth, grid),
    )
    require_planted_found(found, drawn.truth)
