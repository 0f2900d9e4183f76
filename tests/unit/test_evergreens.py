"""Evergreens: told by land cover or a winter photo, and sheltering all winter."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.wind import Wind
from sitegeo.errors import PlaceError
from sitegeo.exposure.atlas import Atlas, write_atlas
from sitegeo.exposure.field import exposure
from sitegeo.exposure.surface import OBSTACLE_CLASSES, WITH_EVERGREENS, classes_of, obstacles
from sitegeo.landcover.evergreen import evergreen
from sitegeo.landcover.leaves import NOT_TOLD
from sitegeo.places.config import Assume
from sitegeo.places.rasters import evergreen_raster, reclassify_land_cover

SHAPE = (120, 160)
# In Minnesota, where broadleaf trees are bare in January.
GRID = Grid(CRS.from_epsg(32615), 500_000.0, 4_990_000.0, 4.0, SHAPE)
NORTH_WIND = Wind(0.0, 5.4, spread_deg=10.0)
WEST, EAST = slice(0, 80), slice(80, 160)


def cover():
    """Water with a wood along its north bank."""
    classes = np.full(SHAPE, Cover.WATER, np.uint8)
    classes[:20] = Cover.TREE
    classes[-2:] = Cover.OPEN
    return Raster(np.stack([classes, np.full(SHAPE, 90, np.uint8)]), GRID, None,
                  ("class", "confidence"))  # fmt: skip


def photo(*, west, east, bands=("red", "green", "blue", "nir")):
    """A photo in which the two halves of the wood have these vegetation indices, with noise."""
    rng = np.random.default_rng(2)
    index = np.full(SHAPE, -0.3)
    index[:20, WEST], index[:20, EAST] = west, east
    index += rng.normal(0, 0.06, SHAPE)
    planes = {"red": 100 * (1 - index), "nir": 100 * (1 + index), "green": 90 + 0 * index}
    values = np.stack([planes.get(b, planes["green"]) for b in bands]).astype(np.uint8)
    return Raster(values, GRID, None, tuple(bands))


def needles(found):
    return found.values[:20, WEST].mean(), found.values[:20, EAST].mean()


def test_a_winter_photo_with_infrared_tells_the_green_trees():
    mixed = evergreen(cover=cover(), imagery=photo(west=0.02, east=0.45), taken="2024-01-20")
    bare, green = needles(mixed)
    assert bare < 0.05
    assert green > 0.95
    assert not mixed.values[20:].any()
    for index, share in ((0.45, 1.0), (0.02, 0.0)):
        one = evergreen(cover=cover(), imagery=photo(west=index, east=index), taken="2024-01-20")
        assert one.values[:20].mean() == pytest.approx(share, abs=0.001)


@pytest.mark.parametrize(
    ("taken", "bands"),
    [
        ("2024-07-20", ("red", "green", "blue", "nir")),
        (None, ("red", "green", "blue", "nir")),
        ("2024-01-20", ("red", "green", "blue")),
    ],
)
def test_a_summer_photo_or_one_without_infrared_cannot_tell(taken, bands):
    found = evergreen(cover=cover(), imagery=photo(west=0.02, east=0.45, bands=bands), taken=taken)
    assert (found.values == NOT_TOLD).all()
    assert classes_of(surface(found)) == OBSTACLE_CLASSES


def test_land_cover_may_name_evergreens():
    codes = np.full(SHAPE, 1, np.int16)
    codes[:20, WEST], codes[:20, EAST] = 41, 42
    table = {"1": "water", "41": "tree", "42": "evergreen"}
    raster = Raster(codes, GRID)
    assert set(np.unique(reclassify_land_cover(raster, table, where="x").values)) == {1, 2}
    told = evergreen_raster(raster, table)
    found = evergreen(cover=cover(), imagery=photo(west=0.4, east=0.4), landcover_evergreen=told)
    assert needles(found) == (0.0, 1.0)
    assert evergreen_raster(raster, {"1": "water", "42": "tree"}) is None
    with pytest.raises(PlaceError, match="classes") as refused:
        reclassify_land_cover(raster, {"1": "conifers"}, where="x")
    assert "evergreen" in str(refused.value)


def surface(told=None):
    height = Raster(np.where(cover().band("class") == Cover.TREE, np.float32(18), np.float32(0)),
                    GRID)  # fmt: skip
    return obstacles(cover=cover(), canopy_height=height, assume=Assume(), evergreen=told)


def east_half():
    told = np.zeros(SHAPE, np.uint8)
    told[:20, EAST] = 1
    return Raster(told, GRID)


def ratio(raster, leaf_off):
    blown = exposure(obstacles=raster, wind=NORTH_WIND, assume=Assume(leaf_off=leaf_off))
    # Ten heights off either half, away from where they meet.
    return blown.band("local_ratio")[65, [30, 130]]


def test_needles_shelter_all_winter_and_broadleaf_trees_do_not():
    both = surface(east_half())
    assert classes_of(both) == WITH_EVERGREENS
    assert classes_of(surface()) == OBSTACLE_CLASSES
    summer, winter = ratio(both, False), ratio(both, True)
    # The table's 10-height row: 50 % of the open wind in leaf, 65 % bare.
    assert summer == pytest.approx([0.50, 0.50], abs=0.03)
    assert winter == pytest.approx([0.65, 0.50], abs=0.03)
    assert ratio(surface(), True) == pytest.approx([0.65, 0.65], abs=0.03)
    # In leaf they are trees like all others, to the byte.
    plain = exposure(obstacles=surface(), wind=NORTH_WIND, assume=Assume())
    same = exposure(obstacles=both, wind=NORTH_WIND, assume=Assume())
    assert np.array_equal(plain.values, same.values, equal_nan=True)


def test_the_atlas_keeps_evergreens_apart(tmp_path):
    write_atlas(surface(east_half()), tmp_path, sectors=12)
    atlas = Atlas.open(tmp_path)
    assert atlas.classes == WITH_EVERGREENS
    # Ten heights off either half: broadleaf trees in the one band, evergreens in the other.
    seen = atlas.horizon(0)[:, 65, [30, 130]]
    open_band, evergreen_band = (atlas.classes.index(n) for n in ("open", "evergreen"))
    assert seen[open_band, 0] == pytest.approx(0.1, rel=0.1)
    assert seen[evergreen_band, 1] == pytest.approx(0.1, rel=0.1)
    assert seen[evergreen_band, 0] < seen[open_band, 0]
    assert seen[open_band, 1] < seen[evergreen_band, 1]
