"""What is published on the way waterfowl land, and what is therefore claimed of it.

Hart et al. 2013, Frontiers in Zoology 10:38: 3,338 flocks of 14 species landing on water in no
wind or a light breeze lie along the magnetic north-south axis; of 2,431 flocks of mallards a light
breeze changed nothing. So in calm air no direction may be claimed from the wind, and in a light
breeze none may be sure. Beaufort numbers in m/s are WMO's: calm to 0.2, light air 0.3 to 1.5,
light breeze 1.6 to 3.3, gentle breeze from 3.4.

Of how they come in, Whitehead, Worrell and Socha 2023 (J. Exp. Biol. 226, jeb244256) publish the
rate of braking, tau-dot, and no speed or angle: nothing here can be held to it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from helpers_terrain import cover_of, heights_of

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.wind import Wind
from sitegeo.places.config import Assume
from sitegeo.shore.positions import positions
from sitegeo.shore.shoreline import shoreline
from sitegeo.siting.approach import find_touchdown
from sitegeo.siting.candidates import candidates
from sitegeo.siting.explain import cautions
from sitegeo.siting.score import blinds

CALM, LIGHT_BREEZE, GENTLE_BREEZE = 0.2, (1.6, 3.3), 3.4
SIZE = 300


@pytest.fixture(scope="module")
def cover() -> Raster:
    """A lake with trees to its south."""
    classes = np.full((SIZE, SIZE), int(Cover.OPEN), np.uint8)
    classes[SIZE // 2 :] = Cover.TREE
    classes[40 : SIZE // 2, 40:-40] = Cover.WATER
    return cover_of(classes)


@pytest.fixture(scope="module")
def sites(cover):
    heights = heights_of(cover, 15.0)
    water, _, stations = shoreline(cover=cover, canopy_height=heights)
    found = positions(stations=stations, cover=cover, canopy_height=heights, water=water)
    return candidates(positions=found, stations=stations, cover=cover, assume=Assume())


def scored(sites, cover: Raster, wind: Wind):
    open_wind = np.broadcast_to(np.array([1e3, 0, 1.0])[:, None, None], (3, *cover.grid.shape))
    exposure = Raster(open_wind, cover.grid, None, ("fetch_m", "at_least", "local_ratio"))
    return blinds(candidates=sites, cover=cover, exposure=exposure, wind=wind)


def test_in_calm_air_the_wind_gives_no_direction(cover, sites) -> None:
    north, *others = (scored(sites, cover, Wind(d, CALM)) for d in (0.0, 90.0, 180.0, 250.0))
    assert len(north) > 0
    assert set(north["wind_side"]) == {"calm"}
    for other in others:
        assert other["layout"].tolist() == north["layout"].tolist()
        np.testing.assert_array_equal(other["phi_deg"], north["phi_deg"])
        np.testing.assert_array_equal(other["score"], north["score"])


def test_in_calm_air_nothing_is_said_of_where_they_come_down(cover, sites) -> None:
    heights = heights_of(cover, 15.0)
    pocket = shapely.Point(cover.grid.west + 150, cover.grid.north - 130).buffer(8)
    given = {"cover": cover, "canopy_height": heights, "pocket": pocket}
    assert find_touchdown(**given, wind=Wind(200.0, CALM)).empty
    assert not find_touchdown(**given, wind=Wind(200.0, GENTLE_BREEZE)).empty


@pytest.mark.parametrize(
    ("speed", "says"),
    [
        (CALM, "not predictable"),
        (LIGHT_BREEZE[0], "may not land into it"),
        (LIGHT_BREEZE[1], "may not land into it"),
        (GENTLE_BREEZE, None),
    ],
)
def test_how_sure_the_direction_is_said_to_be(cover, sites, speed: float, says: str | None) -> None:
    wind = replace(Wind(200.0, 5.0), speed_mps=speed)
    row = scored(sites, cover, wind).iloc[0]
    told = " ".join(cautions(dict(row), wind))
    words = {"not predictable", "may not land into it"}
    assert {w for w in words if w in told} == ({says} if says else set())
