"""The contract check: all faults of a layer at once, and none of a good one."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from sitegeo.core.contracts import (
    CONTRACTS,
    POINT,
    POLYGON,
    Column,
    Contract,
    Cover,
    RasterContract,
    check,
    contract,
)
from sitegeo.core.grid import Grid, Raster
from sitegeo.errors import LayerError

HOUSES = Contract(
    "houses",
    POINT,
    {
        "kind": Column("text", choices=("barn", "house")),
        "name": Column("text", nullable=True),
        "height_m": Column("number", "m", nullable=True),
        "facing_deg": Column("number", "deg"),
        "share": Column("number", "0-1"),
        "area_m2": Column("number", "m2"),
        "rooms": Column("count"),
        "lived_in": Column("flag"),
    },
)


def houses(**changed: Any) -> gpd.GeoDataFrame:
    columns = {
        "id": ["a", "b"],
        "kind": ["barn", "house"],
        "name": ["Old barn", None],
        "height_m": [4.0, np.nan],
        "facing_deg": [0.0, 359.9],
        "share": [0.0, 1.0],
        "area_m2": [10, 20],
        "rooms": [0, 3],
        "lived_in": [True, False],
    }
    shapes = changed.pop("geometry", [shapely.Point(0, 0), shapely.Point(1, 1)])
    crs = changed.pop("crs", 32617)
    return gpd.GeoDataFrame(columns | changed, geometry=shapes, crs=crs)


def faults(layer: Any, promised: Any = HOUSES) -> tuple[str, ...]:
    with pytest.raises(LayerError) as caught:
        check(layer, promised, where="step 'x'")
    assert str(caught.value).startswith("step 'x': layer ")
    return caught.value.faults


def test_a_good_layer_passes_empty_or_not() -> None:
    check(houses(), HOUSES)
    check(houses().iloc[:0], HOUSES)
    check(houses(height_m=pd.array([1.5, None], dtype="Float64")), HOUSES)


@pytest.mark.parametrize(
    ("changed", "fault"),
    [
        ({"kind": ["barn", "shed"]}, "column 'kind' holds ['shed'], not one of ['barn', 'house']"),
        ({"kind": ["barn", None]}, "column 'kind' has 1 empty values"),
        ({"name": ["x", 3]}, "column 'name' must hold text"),
        ({"height_m": [-1.0, 2.0]}, "column 'height_m' must not be negative"),
        ({"height_m": [np.inf, 2.0]}, "column 'height_m' must hold finite numbers"),
        ({"height_m": ["4", "5"]}, "column 'height_m' must hold finite numbers"),
        ({"facing_deg": [0.0, 360.0]}, "column 'facing_deg' must be a bearing in [0, 360)"),
        ({"facing_deg": [-1.0, 3.0]}, "column 'facing_deg' must be a bearing in [0, 360)"),
        ({"facing_deg": [np.nan, 3.0]}, "column 'facing_deg' has 1 empty values"),
        ({"share": [0.0, 1.01]}, "column 'share' must lie between 0 and 1"),
        ({"area_m2": [-1, 1]}, "column 'area_m2' must not be negative"),
        ({"rooms": [1.5, 2]}, "column 'rooms' must hold counts"),
        ({"rooms": [-1, 2]}, "column 'rooms' must hold counts"),
        ({"lived_in": ["yes", "no"]}, "column 'lived_in' must hold flags"),
        ({"id": ["b", "a"]}, "rows are not sorted by id"),
        ({"id": ["a", "a"]}, "ids are not unique"),
        ({"id": ["a", ""]}, "ids must be text and never empty"),
        ({"id": [1, 2]}, "ids must be text and never empty"),
        ({"geometry": [shapely.Point(0, 0), None]}, "1 geometries are missing or empty"),
        ({"geometry": [shapely.Point(0, 0), shapely.Point()]}, "1 geometries are missing or empty"),
        (
            {"geometry": [shapely.Point(0, 0), shapely.box(0, 0, 1, 1)]},
            "holds Polygon where Point belong",
        ),
        ({"crs": None}, "no coordinate reference system"),
        ({"crs": 4326}, "the CRS is not projected in metres"),
    ],
)
def test_each_fault_is_named(changed: dict[str, Any], fault: str) -> None:
    assert faults(houses(**changed)) == (fault,)


def test_invalid_shapes_are_counted() -> None:
    bow_tie = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    layer = gpd.GeoDataFrame(geometry=[bow_tie], crs=32617)
    assert faults(layer, Contract("water", POLYGON, {}, has_id=False)) == (
        "1 geometries are invalid",
    )


def test_all_faults_are_told_at_once() -> None:
    layer = houses(kind=["x", "x"], id=["b", "a"], share=[2.0, 2.0], crs=4326).drop(columns="rooms")
    assert len(faults(layer)) == 5


def test_what_is_no_layer_at_all() -> None:
    assert faults(None) == ("is NoneType, not a GeoDataFrame",)
    assert faults(pd.DataFrame()) == ("is DataFrame, not a GeoDataFrame",)
    assert faults(gpd.GeoDataFrame({"id": ["a"]})) == ("has no geometry column",)
    assert faults(houses().drop(columns="id")) == ("column 'id' is missing",)


def test_rasters_promise_their_bands() -> None:
    grid = Grid(CRS.from_epsg(32617), 0.0, 0.0, 1.0, (2, 2))
    plane, stack = np.zeros((2, 2)), np.zeros((2, 2, 2))
    check(Raster(plane, grid), RasterContract("height"))
    check(Raster(stack, grid, bands=("a", "b")), RasterContract("pair", ("a", "b")))
    assert faults(plane, RasterContract("height")) == ("is ndarray, not a Raster",)
    assert faults(Raster(stack, grid, bands=("b", "a")), RasterContract("pair", ("a", "b"))) == (
        "has bands ['b', 'a'], not ['a', 'b']",
    )
    assert faults(Raster(stack, grid), RasterContract("height")) == (
        "holds several bands where a single plane belongs",
    )


def test_contracts_by_name() -> None:
    assert all(contract(name).name == name for name in CONTRACTS)
    with pytest.raises(LayerError, match="layer 'nothing' cannot be used: no such layer is known"):
        contract("nothing")


def test_cover_codes_are_what_saved_surveys_hold() -> None:
    assert [(c.name, int(c)) for c in Cover] == [
        ("NONE", 0), ("WATER", 1), ("TREE", 2), ("LOW", 3), ("OPEN", 4), ("BUILT", 5),
    ]  # fmt: skip
