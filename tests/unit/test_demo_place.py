"""The bundled place: what it holds, that it repeats, and that it is what the generator makes."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from bundled_place import make_place, scene
from bundled_place.heights import inside, make_heights
from bundled_place.photo import sun
from bundled_place.terrain import Scene, make_scene
from bundled_place.weather import forecast, past_winds
from bundled_place.write import write_layers
from rasterio.enums import ColorInterp, MaskFlags
from scipy import ndimage as ndi

from sitegeo.core.grid import Grid

DATA = Path(__file__).resolve().parents[2] / "data"
HOME = DATA / "quennaby"
RASTERS = ("canopy.tif", "ground.tif", "depth.tif")
LAYERS = ("water", "roads", "dwellings", "public_land", "closed_areas", "access")
TEXTS = ("forecast.csv", "past_winds.csv", "place.toml", "truth.geojson")
SEEDS = range(10)
YARD_M = 0.9144


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place made now, with the default seed."""
    return make_place(tmp_path_factory.mktemp("place") / "quennaby").parent


def _layer(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(HOME / "layers.gpkg", layer=name)


def _plane(name: str, band: int = 1) -> np.ndarray:
    with rasterio.open(HOME / name) as file:
        return file.read(band)


def _rows(name: str) -> list[dict[str, str]]:
    with (HOME / name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_committed_files_are_what_the_generator_makes(fresh: Path) -> None:
    assert sorted(p.name for p in HOME.iterdir()) == sorted(p.name for p in fresh.iterdir())
    for name in TEXTS:
        assert (fresh / name).read_text() == (HOME / name).read_text(), name
    for name in LAYERS:
        made = gpd.read_file(fresh / "layers.gpkg", layer=name)
        kept = _layer(name)
        assert shapely.equals_exact(made.geometry.values, kept.geometry.values, 0.02).all(), name
        assert made.drop(columns="geometry").equals(kept.drop(columns="geometry")), name
    for name in RASTERS:
        with rasterio.open(fresh / name) as file:
            made, kept = file.read(1), _plane(name)
        # a rounding step may tip over on another processor, nowhere more than that
        assert (made == kept).mean() > 0.999, name
        assert np.abs(made - kept).mean() < 0.001, name
    with rasterio.open(fresh / "imagery.tif") as a, rasterio.open(HOME / "imagery.tif") as b:
        apart = np.abs(a.read().astype(int) - b.read())
    assert (apart <= 2).mean() > 0.999
    assert apart.mean() < 0.1


def test_same_seed_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On pixels of 4 m, which takes an eighth of the time."""

    def coarse(seed: int) -> Scene:
        made = make_scene(seed)
        grid = made.grid
        rows, columns = (n // 4 for n in grid.shape)
        wide = Grid(grid.crs, grid.west, grid.north, 4 * grid.pixel_m, (rows, columns))
        return replace(made, grid=wide)

    monkeypatch.setattr("bundled_place.write.make_scene", coarse)
    once, again = (make_place(tmp_path / name).parent for name in ("once", "again"))
    for path in sorted(once.iterdir()):
        assert path.read_bytes() == (again / path.name).read_bytes(), path.name


def test_layers_written_twice_are_the_same_bytes(tmp_path: Path) -> None:
    layers = scene(3).layers
    for name in ("a.gpkg", "b.gpkg"):
        write_layers(tmp_path / name, layers)
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()


def test_data_is_small() -> None:
    assert sum(p.stat().st_size for p in DATA.rglob("*") if p.is_file()) <= 8_000_000


def test_photo_has_four_bands_and_none_is_alpha() -> None:
    with rasterio.open(HOME / "imagery.tif") as file:
        assert (file.count, file.dtypes[0], file.shape) == (4, "uint8", (2000, 2000))
        assert file.crs.to_epsg() == 26915
        assert file.descriptions == ("red", "green", "blue", "nir")
        assert ColorInterp.alpha not in file.colorinterp
        assert all(flags == [MaskFlags.all_valid] for flags in file.mask_flag_enums)
        west, _, _, north = file.bounds
    to_geodetic = pyproj.Transformer.from_crs(26915, 4269, always_xy=True)
    lon, lat = to_geodetic.transform(west + 1000, north - 1000)
    assert 43 < lat < 45
    # meridian convergence of the transverse Mercator, first order: dlon * sin(lat) (Snyder 1987)
    assert abs((lon + 93) * math.sin(math.radians(lat))) > 1.0


def test_bands_are_in_the_order_the_place_file_says() -> None:
    red, green, nir = (_plane("imagery.tif", b).astype(float) for b in (1, 2, 4))
    deep = _plane("depth.tif") > 2.5
    trees = _plane("canopy.tif") > 6
    assert nir[deep].mean() < 0.8 * green[deep].mean()  # water takes up infrared
    ndvi = (nir - red) / (nir + red)
    assert ndvi[trees].mean() > 0.25 > 0 > ndvi[deep].mean()


def test_plain_ndwi_alone_is_not_enough() -> None:
    """Roads, roofs and wet ploughland fool NDWI > 0 (McFeeters 1996), as they do on real photos."""
    green, nir = (_plane("imagery.tif", b).astype(float) for b in (2, 4))
    water = inside(scene().ground["water"], scene().grid) > 0.5
    wet = (green - nir) / (green + nir) > 0
    assert (wet & ~water).sum() > 0.05 * water.sum()


def test_depth_lies_over_water_and_ground_meets_it() -> None:
    made = scene()
    water = inside(made.ground["water"], made.grid) > 0
    depth, ground = _plane("depth.tif"), _plane("ground.tif")
    assert np.array_equal(depth > -9999, water)
    assert depth[water].min() > 0
    lake = inside(made.ground["reservoir"], made.grid) > 0
    assert np.allclose(ground[lake], 247.0)
    flat = inside(made.ground["flat"].buffer(-15), made.grid) > 0
    assert np.median(depth[flat]) < 0.6
    bank = ndi.binary_dilation(lake, iterations=40) & ~ndi.binary_dilation(water, iterations=20)
    below = inside(made.ground["dam"].buffer(80), made.grid) > 0
    assert (ground[bank & ~below] > 247.0).mean() > 0.97


def test_layers_hold_what_a_place_needs() -> None:
    roads, houses, land = _layer("roads"), _layer("dwellings"), _layer("public_land")
    assert {"class", "width_m", "surface"} <= set(roads.columns)
    assert set(roads["surface"]) == {"paved", "gravel", "dirt"}
    counts = houses["kind"].value_counts()
    assert counts["dwelling"] >= 8
    assert counts["barn"] == 2
    assert set(land["hunting"]) == {"open", "closed"}
    assert {"name", "manager"} <= set(land.columns)
    closed = _layer("closed_areas")
    assert closed["reason"].notna().all()
    assert closed["from"].notna().any()
    assert closed["from"].isna().any()
    access = _layer("access")
    assert {"ramp", "parking"} == set(access["kind"])
    lake = _layer("water").geometry.iloc[0]
    assert 80 <= lake.area / 1e4 <= 120
    ramp = access.geometry[access["kind"] == "ramp"].iloc[0]
    assert ramp.distance(lake.boundary) < 8
    for name in LAYERS:
        layer = _layer(name)
        assert layer.crs.to_epsg() == 26915
        assert layer.geometry.is_valid.all(), name


def test_setbacks_and_boundaries_bite_good_bank() -> None:
    truth = gpd.read_file(HOME / "truth.geojson").to_crs(26915)
    lines = truth[(truth["kind"] == "tree line") & (truth["expect"] == "must")]
    houses = _layer("dwellings").query("kind == 'dwelling'")
    lake = _layer("water").geometry.iloc[0]
    assert (houses.distance(lake) < 150 * YARD_M).sum() >= 2
    assert (houses.distance(lines.union_all()) < 150 * YARD_M).any()
    assert (houses.distance(lake) > 300).sum() >= 2
    land = _layer("public_land")
    hunted = land[land["hunting"] == "open"].union_all()
    behind = lines.set_index("name").geometry.buffer(20).difference(lake)
    share = behind.intersection(hunted).area / behind.area
    assert share["tall"] > 0.95
    assert 0.3 < share["low"] < 0.9


@pytest.mark.parametrize("seed", SEEDS)
def test_every_seed_plants_a_sound_scene(seed: int) -> None:
    made = scene(seed)
    g = made.ground
    must = made.truth[made.truth["expect"] == "must"]
    counts = must["kind"].value_counts()
    assert (counts["tree line"], counts["point"], counts["cove"], counts["open flat"]) == (
        3, 2, 1, 1,
    )  # fmt: skip
    assert counts["timber opening"] >= 3
    assert counts["cover clump"] >= 5
    gaps = must.geometry[must["kind"] == "timber opening"]
    wide = np.array([shapely.maximum_inscribed_circle(p).length * 2 for p in gaps])
    assert ((wide >= 15) & (wide <= 30)).all()
    assert (gaps.distance(g["timber"].boundary) > 20).all()
    clumps = must.geometry[must["kind"] == "cover clump"]
    assert clumps.within(g["reservoir"]).all()
    assert (clumps.distance(g["reservoir"].boundary) > 30).all()
    assert made.layers["roads"].distance(g["reservoir"]).min() > 3
    assert all(layer.geometry.is_valid.all() for layer in made.layers.values())
    bounds = shapely.box(*made.grid.bounds).buffer(0.02)
    assert all(layer.within(bounds).all() for layer in made.layers.values())


def test_openings_are_the_only_wide_gaps_in_the_timber() -> None:
    made = scene(12)
    heights = make_heights(made)
    timber = inside(made.ground["timber"], made.grid) > 0
    gaps = inside(made.ground["openings"], made.grid) > 0
    bare = heights.canopy < 3
    assert bare[gaps].mean() > 0.98
    assert bare[timber & ~gaps].mean() < 0.1
    radius = ndi.distance_transform_edt(timber & bare)
    assert not (radius[~ndi.binary_dilation(gaps, iterations=6)] > 5).any()


def test_seeds_turn_and_mirror_the_plan() -> None:
    dams = [scene(seed).ground["dam"].centroid for seed in (7, 8, 9, 10, 11)]
    west, south, east, north = scene(7).grid.bounds
    quarter = {(p.x > (west + east) / 2, p.y > (south + north) / 2) for p in dams[:4]}
    assert len(quarter) == 4
    assert dams[4].x < (west + east) / 2 < dams[0].x


def test_shadows_fall_away_from_the_sun() -> None:
    """Of open ground beside trees, the side away from the sun is darker."""
    bearing, height = sun(scene().grid)
    assert 90 < bearing < 180
    assert 35 < height < 45
    canopy, red = _plane("canopy.tif"), _plane("imagery.tif", 1).astype(float)
    ground = (canopy < 0.3) & (_plane("depth.tif") < 0)
    trees = canopy > 10
    dx, dy = (round(10 * f(math.radians(bearing))) for f in (math.sin, math.cos))
    towards = ground & np.roll(trees, (dy, -dx), axis=(0, 1))  # trees lie towards the sun
    beyond = ground & np.roll(trees, (-dy, dx), axis=(0, 1)) & ~towards
    assert red[towards].mean() < 0.7 * red[beyond].mean()


@pytest.mark.parametrize("name", ["forecast.csv", "past_winds.csv"])
def test_winds_are_in_time_order_with_their_zone(name: str) -> None:
    rows = _rows(name)
    assert list(rows[0]) == ["time", "from_deg", "speed_mph", "gust_mph", "temp_f", "spread_deg"]
    times = [datetime.fromisoformat(r["time"]) for r in rows]
    assert all(a < b for a, b in pairwise(times))
    zone = ZoneInfo("America/Chicago")
    assert all(t.utcoffset() == t.replace(tzinfo=zone).utcoffset() for t in times)
    for row in rows:
        assert 0 <= float(row["from_deg"]) < 360
        assert float(row["gust_mph"]) >= float(row["speed_mph"]) >= 0


def test_forecast_has_a_front_gusts_and_a_calm() -> None:
    rows = _rows("forecast.csv")
    times = [datetime.fromisoformat(r["time"]) for r in rows]
    assert len(rows) == 72
    assert {b - a for a, b in pairwise(times)} == {timedelta(hours=1)}
    heading = np.array([float(r["from_deg"]) for r in rows])
    speed = np.array([float(r["speed_mph"]) for r in rows])
    turn = (np.diff(heading) + 180) % 360 - 180
    assert np.abs(turn).max() > 35
    assert (speed <= 3).sum() >= 4
    assert max(float(r["gust_mph"]) for r in rows) >= 25
    assert np.ptp([float(r["temp_f"]) for r in rows]) > 20


def test_past_winds_cover_four_seasons_and_both_offsets() -> None:
    times = [datetime.fromisoformat(r["time"]) for r in _rows("past_winds.csv")]
    assert len({t.year for t in times if t.month >= 10}) == 4
    assert {t.hour for t in times} == {5, 6, 7, 8, 9}
    assert {t.utcoffset() for t in times} == {timedelta(hours=-5), timedelta(hours=-6)}
    days = {(t.month, t.day) for t in times}
    assert {(10, 15), (1, 15)} <= days
    heading = [float(r["from_deg"]) for r in _rows("past_winds.csv")]
    assert (np.histogram(heading, bins=8, range=(0, 360))[0] > 40).all()  # every quarter blows


def test_weather_depends_on_the_seed_alone() -> None:
    assert forecast(5) == forecast(5) != forecast(6)
    assert past_winds(5) == past_winds(5) != past_winds(6)


def test_truth_follows_rfc_7946() -> None:
    """Longitude first, seven decimals, outer rings anticlockwise (RFC 7946, 3.1.1 and 3.1.6)."""
    for feature in json.loads((HOME / "truth.geojson").read_text())["features"]:
        shape = shapely.geometry.shape(feature["geometry"])
        lon, lat = shape.centroid.coords[0]
        assert -91 < lon < -90
        assert 44 < lat < 45
        assert feature["properties"]["expect"] in ("must", "may")
        for part in shapely.get_parts(shape):
            if part.geom_type == "Polygon":
                assert part.exterior.is_ccw
        xy = shapely.get_coordinates(shape)
        assert np.allclose(xy, np.round(xy, 7), atol=1e-12)
