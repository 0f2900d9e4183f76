"""Verdicts of places over two UTM zones and over the date line, from files to distances."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from helpers_law import law_of, points, rule
from helpers_places import write_photo, write_place
from pyproj import CRS, Geod, Transformer

import sitegeo
from sitegeo.law.context import Terms, terms_from_record
from sitegeo.law.setbacks import setback_verdicts

GEOD = Geod(ellps="WGS84")
STEP_DEG = 1e-5
WIDE, HIGH = 420, 300


def place_at(folder: Path, lon: float, lat: float, houses: list[tuple[float, float]], crs: CRS):
    """Read a place of a small photo about a point, with houses a bearing and distance away."""
    west, north = lon - STEP_DEG * WIDE / 2, lat + STEP_DEG * HIGH / 2
    values = np.random.default_rng(1).integers(20, 200, (4, HIGH, WIDE), dtype=np.uint8)
    affine = Affine(STEP_DEG, 0, west, 0, -STEP_DEG, north)
    if crs.is_projected:
        x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
        affine = Affine(1, 0, x - WIDE / 2, 0, -1, y + HIGH / 2)
    write_photo(folder / "photo.tif", values, crs=crs.to_wkt(), transform=affine)
    at = [GEOD.fwd(lon, lat, bearing, metres)[:2] for bearing, metres in houses]
    frame = gpd.GeoDataFrame({"kind": ["house"] * len(at)}, geometry=shapely.points(at), crs=4326)
    frame.to_file(folder / "houses.gpkg")
    return sitegeo.read_place(write_place(folder, 'dwellings = "houses.gpkg"\n'))


def judged(place, lon: float, lat: float, limit_m: float):
    law = law_of(rule("r", "dwelling", limit_m)).as_chosen()
    x, y = Transformer.from_crs(4326, place.crs, always_xy=True).transform(lon, lat)
    table = setback_verdicts(
        points((x, y), crs=place.crs),
        law,
        dwellings=place.vectors["dwellings"],
        roads=None,
        terms=Terms(),
    )
    return table.iloc[0]


@pytest.mark.parametrize("crs", [4326, 32617, 32618])
def test_a_place_over_two_zones(tmp_path: Path, crs: int) -> None:
    """78° W is the edge of zones 17 and 18; a house lies in the one, the hide in the other."""
    lon, lat = -78.0003, 38.9
    place = place_at(tmp_path, lon, lat, [(90.0, 190.0), (250.0, 400.0)], CRS(crs))
    near = judged(place, lon, lat, 150.0)
    # 20 m for a house known as a point.
    assert near["distance_m"] == pytest.approx(170.0, abs=0.02)
    assert near["bearing_deg"] == pytest.approx(90.0, abs=0.01)
    assert near["verdict"] == "close"
    assert judged(place, lon, lat, 140.0)["verdict"] == "clear"
    assert judged(place, lon, lat, 170.1)["verdict"] == "inside"


@pytest.mark.parametrize("stream_above", [200_000, 0])
def test_a_place_over_the_date_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stream_above: int
) -> None:
    """Taveuni's own longitude: a house 190 m east lies at 179.99…° west."""
    monkeypatch.setattr("sitegeo.places.vectors.STREAM_ABOVE", stream_above)
    lon, lat = 179.9995, -16.8
    place = place_at(tmp_path, lon, lat, [(90.0, 190.0), (260.0, 300.0)], CRS(32760))
    assert place.vectors["dwellings"].shape[0] == 2
    near = judged(place, lon, lat, 140.0)
    assert near["distance_m"] == pytest.approx(170.0, abs=0.02)
    assert near["bearing_deg"] == pytest.approx(90.0, abs=0.01)
    assert (near["verdict"], judged(place, lon, lat, 175.0)["verdict"]) == ("clear", "inside")


def test_an_extent_from_one_side_of_the_date_line_to_the_other_claims_nothing() -> None:
    """A file's extent in degrees runs round the world there: it is no proof of coverage."""
    record = {
        "inputs": [{"role": "dwellings", "crs": "EPSG:4326", "extent": [-180, -17, 180, -16.5]}]
    }
    area = terms_from_record(record, crs=CRS(32760), on=date(2026, 12, 5)).covered["dwellings"]
    x, y = Transformer.from_crs(4326, 32760, always_xy=True).transform(179.9995, -16.8)
    assert not area.covers(shapely.Point(x, y).buffer(200.0))
