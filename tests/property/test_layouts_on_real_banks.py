"""Every layout on shores as they are: the bundled place's blinds, and mapped lakes and ponds.

Sources of the shores, where they are at hand: USDA and Chesapeake Conservancy (ponds), and a
Danish and an American lake; see the README of that folder. What must hold is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from test_layouts_on_banks import NAMES, hold, laid

import sitegeo
from sitegeo.spreads.frame import HideFrame
from sitegeo.units import yd

WINDS = range(-180, 180, 5)
SHORES = {
    "ponds-md/truth.gpkg": 26918,
    "fetch-reference/gurre_lake.sqlite": 25832,
    "fetch-reference/lake_sunapee_nhdplusv2.gpkg": 26919,
}
FRONT = Point(0, 0).buffer(yd(40)).intersection(box(yd(-40), yd(3), yd(40), yd(40)))


def waters_near(frame: HideFrame, water: BaseGeometry) -> BaseGeometry:
    x, y = frame.x, frame.y
    return frame.to_local(shapely.clip_by_rect(water, x - 120, y - 120, x + 120, y + 120))


def along_the_shore(lake: Polygon, count: int) -> Iterator[HideFrame]:
    """Yield hides a metre back from the shore, looking out across it."""
    shore = lake.exterior
    if not shore.is_ccw:
        shore = shore.reverse()
    for at in np.arange(count) * shore.length / count:
        before, after = (np.array(shore.interpolate(at + s).coords[0]) for s in (-6, 6))
        run = (after - before) / max(np.hypot(*(after - before)), 1e-9)
        out = np.array([-run[1], run[0]])  # the water lies to the left of a ring so turned
        x, y = (before + after) / 2 - out
        yield HideFrame(x, y, float(np.degrees(np.arctan2(*out))) % 360)


def try_every_layout(places: list[tuple[HideFrame, BaseGeometry]]) -> tuple[int, int]:
    """Lay every layout at every wind, shared out among the hides; return tries and refusals.

    Counted are the hides with open water before them; the others need only refuse or hold.
    """
    tried = refused = 0
    for number, (frame, water) in enumerate(places):
        near = waters_near(frame, water)
        good = near.intersection(FRONT).area > 0.95 * FRONT.area
        for name in NAMES:
            decoys = 20 if name == "pair" else 36
            for phi in WINDS[number % 8 :: 8]:
                spread = laid(name, phi, near, decoys)
                tried += good
                refused += good and spread.refused is not None
                if spread.refused is None:
                    hold(spread, phi, near, decoys)
                else:
                    assert len(spread.refused) > 20
                    assert not len(spread.decoys)
    return tried, refused


def test_the_banks_of_the_bundled_place(demo_survey: Path) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    blinds = survey.layers["candidates"]
    blinds = blinds[blinds["kind"].isin(["tree line", "point", "cove"])]
    water = survey.layers["water"].union_all()
    places = [
        (HideFrame(b.geometry.x, b.geometry.y, survey.grid.to_grid_bearing(b["facing_deg"])), water)
        for _, b in blinds.iloc[:: len(blinds) // 8].iterrows()
    ]
    tried, refused = try_every_layout(places)
    assert tried > 100
    assert refused < 0.05 * tried


@pytest.mark.parametrize("shore", SHORES)
def test_mapped_shores(shore: str, places: Path) -> None:
    file = places / shore
    if not file.exists():
        pytest.skip(f"no {shore} here")
    layer = "water" if "truth" in shore else None
    lakes = gpd.read_file(file, layer=layer).to_crs(SHORES[shore]).explode()
    lakes = lakes[lakes.geom_type == "Polygon"].geometry
    lake = max(lakes, key=lambda polygon: polygon.area)
    tried, refused = try_every_layout([(frame, lake) for frame in along_the_shore(lake, 8)])
    assert refused <= 0.05 * tried
