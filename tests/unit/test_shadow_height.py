"""Tree heights from drawn shadows, whose length is set by the sun's height."""

from __future__ import annotations

import numpy as np
import pytest
from helpers_terrain import centres, cover_of, paint
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.landcover.canopy import canopy_height, height_from_shadows, sun_position
from sitegeo.places.config import Assume

SIZE = 400
EAST, UP = centres(SIZE, SIZE)
TIMES = ("2026-06-20T14:30:00Z", "2026-09-14T20:00:00Z", "2026-03-20T17:30:00+00:00")
WOODS = (np.hypot(EAST + 80, UP - 70) < 60) | ((np.abs(EAST - 90) < 50) & (np.abs(UP + 60) < 25))


def shadowed(height_m: float, taken: str) -> tuple[Raster, Raster]:
    """Woods of one height on a meadow, with the shadow they throw at a time."""
    cover = cover_of(np.where(WOODS, int(Cover.TREE), int(Cover.OPEN)))
    sun = sun_position(cover.grid, taken)
    assert sun is not None
    length = height_m / np.tan(np.deg2rad(sun[1]))
    away = np.deg2rad(sun[0] + 180)
    shade = np.zeros_like(WOODS)
    for along in np.arange(0, length, 0.5):
        moved = (-along * np.cos(away), along * np.sin(away))
        shade |= ndimage.shift(WOODS.astype(np.uint8), moved, order=0) > 0
    photo = paint(WOODS.astype(int), ("meadow", "forest")).astype(float)
    photo[:, shade & ~WOODS] *= np.array([0.36, 0.38, 0.45, 0.33])[:, None]
    values = photo.astype(np.uint8)
    return Raster(values, cover.grid, None, ("red", "green", "blue", "nir")), cover


@pytest.mark.parametrize("taken", TIMES)
@pytest.mark.parametrize("height_m", [8.0, 16.0])
def test_height_of_woods_from_their_shadow(height_m: float, taken: str) -> None:
    photo, cover = shadowed(height_m, taken)
    found = height_from_shadows(photo, cover, taken)
    assert found is not None
    assert found.height_m == pytest.approx(height_m, abs=2.0)
    assert abs(found.height_m - height_m) <= found.error_m + 1.5
    assert found.count >= 40


def test_woods_without_shadow_give_no_height() -> None:
    photo, cover = shadowed(0.0, TIMES[0])
    assert height_from_shadows(photo, cover, TIMES[0]) is None


@pytest.mark.parametrize(
    "taken",
    ["2026-06-20", "2026-06-20T14:30:00", "2026-06-20T08:00:00Z", "not a date"],
    ids=["no time", "no offset from UTC", "night", "no date"],
)
def test_a_sun_that_is_not_known_or_not_up_gives_no_height(taken: str) -> None:
    photo, cover = shadowed(12.0, TIMES[0])
    assert height_from_shadows(photo, cover, taken) is None


def test_the_demo_photo_was_lit_as_its_readme_says(demo_place) -> None:
    from sitegeo.places.place import read_place

    place = read_place(demo_place)
    sun = sun_position(place.grid, str(place.taken))
    assert sun == pytest.approx((133.1, 39.7), abs=0.1)


def test_shadows_stand_in_for_the_assumed_height_only_where_the_time_is_known() -> None:
    photo, cover = shadowed(16.0, TIMES[1])
    assume = Assume(canopy_height_m=9.0)
    told, doubt = canopy_height(cover=cover, assume=assume, imagery=photo, taken=TIMES[1])
    assert np.median(told.values[WOODS]) == pytest.approx(16.0, abs=2.0)
    # The shadows' own error goes with their height, the assumed one with the assumption.
    shadows = height_from_shadows(photo, cover, TIMES[1])
    assert shadows is not None
    assert (doubt.values[WOODS] == np.float32(shadows.error_m)).all()
    untold, guessed = canopy_height(cover=cover, assume=assume, imagery=photo, taken="2026-09-14")
    assert (untold.values[WOODS] == 9.0).all()
    assert (guessed.values[WOODS] == np.float32(assume.canopy_height_error_m)).all()
    measured = Raster(np.where(WOODS, 5.0, 0.0).astype(np.float32), cover.grid)
    given, measured_error = canopy_height(
        cover=cover, assume=assume, imagery=photo, taken=TIMES[1], canopy=measured
    )
    assert (given.values[WOODS] == 5.0).all()
    assert (measured_error.values[WOODS] < guessed.values[WOODS]).all()
