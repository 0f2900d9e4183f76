"""Heights of plants: measured before assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from helpers_terrain import cover_of, ground

from sitegeo.core import contracts
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.errors import RasterError
from sitegeo.landcover.canopy import canopy_height


@dataclass(frozen=True)
class Assume:
    canopy_height_m: float = 14.0
    canopy_height_error_m: float = 4.0


CLASSES = np.array([[Cover.TREE, Cover.LOW, Cover.WATER, Cover.TREE]], np.uint8)


def test_assumed_where_nothing_is_given() -> None:
    found, error = canopy_height(cover=cover_of(CLASSES), assume=Assume())
    contracts.check(error, contracts.contract("canopy_error"))
    assert error.values[0, [0, 2, 3]].tolist() == [4.0, 0.0, 4.0]
    contracts.check(found, contracts.contract("canopy_height"))
    assert found.values.tolist() == [[14.0, 1.5, 0.0, 14.0]]


def test_surface_less_ground_counts_only_on_plants() -> None:
    cover = cover_of(CLASSES)
    surface = Raster(np.array([[130.0, 102.0, 105.0, 95.0]]), cover.grid)
    bare = Raster(np.full((1, 4), 100.0), cover.grid)
    found, _ = canopy_height(cover=cover, surface=surface, ground=bare, assume=Assume())
    # A bird over water is not a tree; a surface below ground is no height.
    assert found.values.tolist() == [[30.0, 2.0, 0.0, 0.0]]


def test_a_canopy_beats_the_rest_where_it_holds_data() -> None:
    cover = cover_of(CLASSES)
    known = np.array([[True, True, True, False]])
    canopy = Raster(np.array([[8.0, 0.7, 0.0, -9999.0]]), cover.grid, known)
    found, _ = canopy_height(cover=cover, canopy=canopy, assume=Assume())
    assert found.values == pytest.approx(np.array([[8.0, 0.7, 0.0, 14.0]]))


def test_another_grid_is_refused() -> None:
    canopy = Raster(np.zeros((1, 5)), ground(1, 5))
    with pytest.raises(RasterError):
        canopy_height(cover=cover_of(CLASSES), canopy=canopy, assume=Assume())
