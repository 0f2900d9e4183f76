"""The main job on real open data, where it is at hand.

Sources: USDA aerial photos (public domain) and canton Zurich open data; see the folder's README.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from helpers_cli import sitegeo

PLACES = {
    "reservoir-va": '[layers]\nimagery = "{folder}/imagery.tif"\n',
    "potholes-nd": (
        '[layers]\nimagery = "{folder}/imagery_20140720.tif"\n'
        '[imagery]\nbands = ["red", "green", "blue", "nir"]\n'
    ),
    "lakeshore-zurich": (
        '[layers]\nimagery = "{folder}/ortho_rgb_050cm.tif"\ncanopy = "{folder}/vegheight_1m.tif"\n'
        'ground = "{folder}/dtm_1m.tif"\nsurface = "{folder}/dsm_1m.tif"\n'
        'dwellings = "{tmp}/houses.gpkg"\n'
    ),
}


def houses(mask: Path, out: Path) -> None:
    """Write the outlines of a building mask as a layer of dwellings."""
    import rasterio
    from rasterio.features import shapes
    from shapely.geometry import shape

    with rasterio.open(mask) as source:
        values = source.read(1)
        found = [shape(s) for s, v in shapes(values, values > 0, transform=source.transform)]
        crs = source.crs.to_wkt()
    gpd.GeoDataFrame(geometry=found, crs=crs).to_file(out)


@pytest.mark.parametrize("name", PLACES)
def test_whole_way_through(name: str, places: Path, tmp_path: Path) -> None:
    folder = places / name
    if not folder.is_dir():
        pytest.skip(f"no {name} here")
    if "houses" in PLACES[name]:
        houses(folder / "building_mask_1m.tif", tmp_path / "houses.gpkg")
    place = tmp_path / "place.toml"
    place.write_text(f'title = "{name}"\n' + PLACES[name].format(folder=folder, tmp=tmp_path))
    survey, plan = tmp_path / "survey", tmp_path / "plan"
    done = sitegeo("survey", place, "--out", survey)
    assert done.returncode == 0, done.stderr
    water = gpd.read_file(survey / "survey.gpkg", layer="water")
    assert water["area_m2"].sum() > 10_000
    ranked = sitegeo("rank", survey, "--wind", "SW 10 mph", "--json")
    assert ranked.returncode == 0, ranked.stderr
    found = json.loads(ranked.stdout)
    blinds = found["blinds"]
    # Villas line the Zurich shore: there every blind may well lie inside a setback.
    names = [b["id"] for b in blinds] or [r["id"] for r in found["rejected"]]
    assert names
    wanted = ["clear", "inside", "close"] if "houses" in PLACES[name] else ["not checked"]
    for blind in blinds:
        assert blind["setbacks"]["dwelling"]["verdict"] in wanted
        assert blind["setbacks"]["road"]["verdict"] == "not checked"
        assert blind["ground"] == "unknown"
    done = sitegeo("plan", survey, "--wind", "SW 10 mph", "--blind", names[0], "--out", plan)
    assert done.returncode == 0, done.stderr
    assert (plan / "map.html").stat().st_size < 6_000_000
    checked = sitegeo("check", plan, "--json")
    assert checked.returncode == 3


def test_reservoir_area(places: Path, tmp_path: Path) -> None:
    """The folder's README gives about 2.0 to 2.2 ha of water."""
    folder = places / "reservoir-va"
    if not folder.is_dir():
        pytest.skip("no reservoir-va here")
    place = tmp_path / "place.toml"
    place.write_text('title = "r"\n' + PLACES["reservoir-va"].format(folder=folder))
    assert sitegeo("survey", place, "--out", tmp_path / "s").returncode == 0
    water = gpd.read_file(tmp_path / "s" / "survey.gpkg", layer="water")
    assert 1.9e4 <= water["area_m2"].sum() <= 2.3e4
