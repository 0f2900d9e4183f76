"""The layer of birds seen, as a place brings it."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from helpers_places import NORTH, UTM17, WEST, write_place

import sitegeo
from sitegeo.core.contracts import CONTRACTS, check
from sitegeo.errors import LayerError


def test_points_and_flight_lines_with_date_and_number(tmp_path: Path) -> None:
    line = shapely.LineString([(WEST + 10, NORTH - 10), (WEST + 90, NORTH - 60)])
    gpd.GeoDataFrame(
        {
            "date": ["2025-11-20", "2025-11-21T06:40:00", "last week", None],
            "count": [40, -3, 12, None],
        },
        geometry=[line, line.centroid, line.centroid, line],
        crs=UTM17,
    ).to_file(tmp_path / "seen.geojson")
    place = sitegeo.read_place(write_place(tmp_path, 'observations = "seen.geojson"'))
    found = place.vectors["observations"]
    assert found["date"].fillna("").tolist() == ["2025-11-20", "2025-11-21", "", ""]
    np.testing.assert_array_equal(found["count"], [40, np.nan, 12, np.nan])
    assert set(found.geom_type) == {"LineString", "Point"}
    told = " ".join(n for n in place.notes if n.startswith("observations"))
    assert "1 values of 'date' make no sense" in told
    assert "1 values of 'count' make no sense" in told


def test_the_contract_wants_dates() -> None:
    bad = gpd.GeoDataFrame(
        {"date": ["yesterday"], "count": [4.0]}, geometry=[shapely.Point(0, 0)], crs=UTM17
    )
    with pytest.raises(LayerError, match="ISO 8601"):
        check(bad, CONTRACTS["observations"])


def test_birds_seen_raise_a_blind_and_the_table_says_so(demo_survey: Path) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    wind = sitegeo.Wind.parse("NW 12 mph")
    before = sitegeo.rank(survey, wind, spreads_tried=0).blinds.set_index("id")
    under = before.index[20]
    seen = gpd.GeoDataFrame(
        {"date": ["2026-12-01"], "count": [80.0]},
        geometry=[before.geometry[under].buffer(10)],
        crs=survey.crs,
    )
    layers = {name: survey.layers[name] for name in survey.layers} | {"observations": seen}
    after = sitegeo.rank(sitegeo.Survey(survey.record, layers), wind, spreads_tried=0).blinds
    after = after.set_index("id")
    assert after["score"][under] > before["score"][under]
    assert (after["score"] >= before["score"].reindex(after.index) - 1e-12).all()
    far = after.geometry.distance(before.geometry[under]) > 500
    assert after.loc[far, "score"].equals(before["score"].reindex(after.index[far]))
    assert "80 birds seen here on 2026-12-01" in after["why"][under]
