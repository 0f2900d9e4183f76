"""sitegeo gather as a person runs it, against services on this machine."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from helpers_gather import (
    AT,
    all_sources,
    client,
    cog,
    item,
    served,
    source,
    write_geojson,
)

import sitegeo
from sitegeo.cli import main
from sitegeo.gather.gathering import gather
from sitegeo.gather.sources import GatherArea, list_sources
from sitegeo.gather.writing import write_gathered
from sitegeo.weather.files import read_winds

WHERE = f"{AT[0]},{AT[1]}"


def run(*words: object) -> int:
    """Run the command line here; returns its exit code."""
    with pytest.raises(SystemExit) as ended:
        main([str(w) for w in words])
    return int(ended.value.code or 0)


@pytest.fixture
def words(local_services: tuple[str, Path], tmp_path: Path) -> list[object]:
    """The command without its --out."""
    path = tmp_path / "sources.toml"
    path.write_text(all_sources(local_services[0]), encoding="utf-8")
    return ["gather", "--at", WHERE, "--radius", "150m", "--sources", path,
            "--cache", tmp_path / "cache"]  # fmt: skip


def undated(folder: Path) -> dict[str, bytes]:
    """Files of a gathered place, days left out."""
    found = {p.name: p.read_bytes() for p in sorted(folder.iterdir())}
    return {n: re.sub(rb"\d{4}-\d\d-\d\d", b"day", b) if n.endswith(("json", "toml")) else b
            for n, b in found.items()}  # fmt: skip


def test_gather_again_offline_and_a_forecast(
    words: list[object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, winds = tmp_path / "out", tmp_path / "winds.csv"
    assert run(*words, "--out", out, "--forecast", winds, "--title", "Demo") == 0
    shown = capsys.readouterr()
    assert shown.out.splitlines() == [f"forecast  {winds}", f"place     {out / 'place.toml'}"]
    assert "© The osm makers (CC0)" in shown.err
    assert "no depth: no source of it covers this spot" in shown.err
    assert winds.read_text(encoding="utf-8").startswith("# © The meteo makers (CC0)\ntime,")
    hours = read_winds(winds).hours
    assert hours[0].time.isoformat() == "2026-12-05T05:00:00-06:00"
    assert hours[2].wind is None
    assert run(*words, "--out", out) == 1
    assert "Add --overwrite" in capsys.readouterr().err
    assert run(*words, "--out", tmp_path / "two", "--title", "Demo", "--offline", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "sitegeo/gather/1"
    first = undated(out)
    first.pop("gather.json")  # it tells the forecast, too
    second = undated(tmp_path / "two")
    second.pop("gather.json")
    assert first == second


def test_a_forecast_alone(words: list[object], tmp_path: Path) -> None:
    assert run(*words, "--forecast", tmp_path / "winds.csv", "-q") == 0
    assert len(read_winds(tmp_path / "winds.csv").hours) == 3


def test_killed_and_run_again(
    words: list[object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The signal that cannot be caught, in the middle of fetching."""
    script = [sys.executable, "-m", "sitegeo", *map(str, words), "--title", "Demo"]
    with subprocess.Popen([*script, "--out", str(tmp_path / "out")]) as process:
        while len(list((tmp_path / "cache").rglob("*"))) < 12 and process.poll() is None:
            time.sleep(0.005)
        process.kill()
    assert process.returncode != 0
    assert not (tmp_path / "out").exists()
    assert run(*words, "--title", "Demo", "--out", tmp_path / "out") == 0
    afresh = [*words[:-1], tmp_path / "other", "--title", "Demo"]
    assert run(*afresh, "--out", tmp_path / "undisturbed") == 0
    assert undated(tmp_path / "out") == undated(tmp_path / "undisturbed")


def test_a_service_that_fails_is_said_and_the_rest_written(
    local_services: tuple[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = all_sources(local_services[0])
    text = text.replace('"/overpass"', '"/bad/remark"').replace("/overpass", "/bad/remark")
    text = text.replace("/arcgis/dwellings", "/bad/cut")
    path = tmp_path / "sources.toml"
    path.write_text(text, encoding="utf-8")
    told = ["--sources", path, "--cache", tmp_path / "cache"]
    assert run("gather", "--at", WHERE, "--radius", "100m", "--out", tmp_path / "out", *told) == 0
    said = capsys.readouterr().err
    assert "no roads: Local osm: the service gave up: runtime error: Query timed out" in said
    assert "no dwellings: " in said
    place = sitegeo.read_place(tmp_path / "out" / "place.toml")
    assert {"roads", "dwellings"} & set(place.vectors) == set()
    assert "# no roads: " in (tmp_path / "out" / "place.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("given", "code", "said"),
    [
        (["--at", "44,-90"], 2, "Give --at LAT,LON with --out DIR"),
        (["--out", "x"], 2, "Give --at LAT,LON"),
        (["--at", "95,0", "--out", "x"], 2, "not a latitude and a longitude"),
        (["--at", "44,-90", "--out", "x", "--radius", "2"], 2, "not a length with its unit"),
        (["--at", "44,-90", "--out", "x", "--radius", "2 leagues"], 2, "not a length"),
        (["--at", "44,-90", "--out", "x", "--radius", "20km"], 2, "between 50 m and 10 km"),
        (["--at", "44,-90", "--out", "x", "--offline", "--fresh"], 2, "not both"),
        (["--at", "44,-90", "--out", "x", "--sources", "none.toml"], 1, "no such file"),
    ],
)
def test_words_that_make_no_sense(
    given: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("gather", *given) == code
    assert said in capsys.readouterr().err


def test_nothing_in_the_cache_offline(
    words: list[object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*words, "--out", tmp_path / "out", "--offline") == 1
    said = capsys.readouterr().err
    assert "no photo of this spot was found" in said
    assert "nothing is fetched offline" in said
    assert "Traceback" not in said


def test_an_extract_in_place_of_overpass(
    words: list[object], local_services: tuple[str, Path], tmp_path: Path
) -> None:
    extract = local_services[1] / "answer.osm"
    before = json.loads(client(tmp_path / "c").fetcher().bytes(f"{local_services[0]}/counts"))
    assert run(*words, "--out", tmp_path / "out", "--osm", extract, "-q") == 0
    after = json.loads(client(tmp_path / "d").fetcher().bytes(f"{local_services[0]}/counts"))
    assert after.get("/overpass", 0) == before.get("/overpass", 0)
    assert "roads" in sitegeo.read_place(tmp_path / "out" / "place.toml").vectors
    assert run(*words, "--out", tmp_path / "three", "--osm", tmp_path / "none.pbf", "-q") == 1


def test_the_extra_is_named_where_it_is_missing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import sitegeo.gather

    monkeypatch.setattr(sitegeo.gather, "find_spec", lambda name: None)
    assert run("gather", "--list") == 1
    said = capsys.readouterr().err
    assert "gathering open data needs httpx, osmium, pystac, pystac_client" in said
    assert "sitegeo[gather]" in said


def test_the_list_of_sources_tells_their_terms(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("gather", "--list") == 0
    shown = capsys.readouterr().out
    assert "openstreetmap" in shown
    assert "ODbL 1.0" in shown


# Real places


def layers_of(survey: Any) -> dict[str, gpd.GeoDataFrame]:
    return {n: v for n, v in survey.layers.items() if isinstance(v, gpd.GeoDataFrame)}


def test_a_gathered_place_gives_the_survey_of_the_files(places: Path, tmp_path: Path) -> None:
    """A place cut from real open data: through the services, and from the files directly."""
    folder, root = places / "ponds-md", tmp_path / "served"
    if not folder.is_dir():
        pytest.skip("no ponds-md here")
    with rasterio.open(folder / "imagery.tif") as photo:
        bounds, crs = photo.bounds, photo.crs
        lon, lat = photo.lnglat()
    served_photo = cog(folder / "imagery.tif", root / "files" / "photo.tif", bounds)
    (root / "items.json").write_text(
        json.dumps([item(served_photo, root, collection="aerial", day="2013-07-01")])
    )
    road = gpd.read_file(folder / "truth.gpkg", layer="road")
    layers = {
        "water": gpd.read_file(folder / "truth.gpkg", layer="water"),
        "road": road.clip(shapely.box(*bounds).buffer(-200)).explode().simplify(5.0).to_frame(),
    }
    for name, frame in layers.items():
        frame.to_file(tmp_path / "files.gpkg", layer=name)
        write_geojson(frame, root / f"{name}.geojson")
    bands = '["red", "green", "blue", "nir"]'
    area = GatherArea(lat, lon, 240.0)
    with served(root) as base:
        options = f'collection = "aerial"\nassets = ["image"]\nbands = {bands}'
        (tmp_path / "sources.toml").write_text(
            "alone = true\n"
            + source(base, "photo", "stac", "/stac", ["imagery"], options)
            + source(base, "water", "ogc_features", "/ogc", ["water"], 'collection = "water"')
            + source(base, "road", "ogc_features", "/ogc", ["roads"], 'collection = "road"')
        )
        made = client(tmp_path / "cache")
        found = gather(area, list_sources([tmp_path / "sources.toml"]), made)
    picture = found.pictures["imagery"]
    assert made.fetched_bytes <= 2 * picture.values.nbytes + sum(
        p.stat().st_size for p in root.glob("*.geojson")
    )
    path = write_gathered(found, tmp_path / "place", title="cut", finest_m=1.0)
    direct = tmp_path / "direct"
    direct.mkdir()
    with rasterio.open(folder / "imagery.tif") as photo:
        corner = ~photo.transform @ (picture.transform.c, picture.transform.f)
        window = rasterio.windows.Window(*map(round, corner), *picture.valid.shape[::-1])
        values = photo.read(window=window)
        profile = photo.profile | {"width": window.width, "height": window.height}
        profile |= {"transform": photo.window_transform(window), "compress": "deflate"}
    with rasterio.open(direct / "photo.tif", "w", **profile) as out:
        out.write(values)
    (direct / "place.toml").write_text(
        f'title = "cut"\n[layers]\nimagery = "photo.tif"\n'
        f'water = {{ path = "{tmp_path}/files.gpkg", layer = "water" }}\n'
        f'roads = {{ path = "{tmp_path}/files.gpkg", layer = "road" }}\n'
        f"[imagery]\nbands = {bands}\nfinest_m = 1.0\ntaken = 2013-07-01\n"
    )
    one = sitegeo.survey(sitegeo.read_place(path))
    two = sitegeo.survey(sitegeo.read_place(direct / "place.toml"))
    assert one.record["grid"] == two.record["grid"]
    assert str(crs.to_epsg()) in one.record["crs"]
    assert "no dwellings layer: setbacks from dwellings are not checked" in one.warnings
    assert one.warnings == two.warnings
    assert "imagery: © The photo makers (CC0)" in [c["words"] for c in one.record["credits"]]
    assert np.array_equal(one.layers["cover"].values, two.layers["cover"].values)
    left, right = layers_of(one), layers_of(two)
    assert set(left) == set(right)
    assert len(left["positions"]) > 3
    for name, frame in left.items():
        other = right[name]
        assert len(frame) == len(other), name
        if "id" in frame:
            assert list(frame["id"]) == list(other["id"]), name
            gaps = shapely.hausdorff_distance(frame.geometry.to_numpy(), other.geometry.to_numpy())
            assert (gaps < 0.01).all(), name
