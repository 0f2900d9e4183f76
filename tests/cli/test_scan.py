"""A region scanned in tiles: one answer, whatever the tiles and whatever goes wrong."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow.parquet as pq
import pytest
import rasterio
from helpers_region import NW, SIDE_M, in_process, make_region, run
from rasterio.warp import Resampling, calculate_default_transform, reproject

import sitegeo
from sitegeo.cli import main
from sitegeo.core.wind import Forecast
from sitegeo.rankings.many_winds import MORNING_HOURS
from sitegeo.scan import cluster, tiling
from sitegeo.scan.judging import ScanQuery
from sitegeo.scan.plates import read_plate
from sitegeo.scan.region import read_region
from sitegeo.scan.scanning import Scan
from sitegeo.weather.files import read_winds

# Stated in docs/scale.md.
NINTH_M = 3 * np.ceil(SIDE_M / 9)
SCORE_TOLERANCE, FETCH_TOLERANCE_M = 0.05, 20.0


@pytest.fixture(scope="module")
def small_plates() -> Iterator[None]:
    """Several plates in a small region; of a size that no tiling shares."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tiling, "PLATE_PX", 250)
        patch.setattr(tiling, "PLATE_MARGIN_PX", 50)
        yield


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    with in_process() as held:
        yield held


@pytest.fixture(scope="module")
def region(demo_place: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_region(tmp_path_factory.mktemp("region") / "county", demo_place)


@pytest.fixture(scope="module")
def scans(
    region: Path, client: Any, small_plates: None, tmp_path_factory: pytest.TempPathFactory
) -> dict[int, tuple[Scan, Path]]:
    """The region in one tile and in nine; benchmarks/tilings.py cuts it finer."""
    folder = tmp_path_factory.mktemp("scans")
    found = {}
    for ways in (1, 3):
        out = folder / str(ways)
        if ways > 1:
            shutil.copytree(folder / "1" / ".work" / "plates", out / ".work" / "plates")
        size = 3 * np.ceil(SIDE_M / 3 / ways)
        found[ways**2] = (run(region, out, client, size_m=float(size)), out)
    return found


def test_the_same_blinds_however_it_is_tiled(scans: dict[int, tuple[Scan, Path]]) -> None:
    whole, cut = (scans[n][0].found.blinds.set_index("id").sort_index() for n in (1, 9))
    assert len(scans[9][0].tiles) == 9
    assert len(whole) > 50
    assert list(cut.index) == list(whole.index)
    assert cut.geometry.distance(whole.geometry).max() < 0.01
    turned = (cut["facing_deg"] - whole["facing_deg"] + 180) % 360 - 180
    assert turned.abs().max() < 0.1
    for name in ("rejected_by", "same_place_as"):
        assert cut[name].fillna("").tolist() == whole[name].fillna("").tolist()
    assert whole["rejected_by"].str.startswith("no spread", na=False).any()
    assert (cut["score"] - whole["score"]).abs().max() <= SCORE_TOLERANCE
    assert (cut["fetch_m"] - whole["fetch_m"]).abs().max() <= FETCH_TOLERANCE_M
    best = scans[9][0].found.blinds
    places = best[best["rejected_by"].isna() & best["same_place_as"].isna()]
    assert places["rank"].tolist() == list(range(1, len(places) + 1))


def test_waters_and_verdicts_are_the_regions(scans: dict[int, tuple[Scan, Path]]) -> None:
    one, many = scans[1][0].found, scans[9][0].found
    assert many.waters["id"].tolist() == one.waters["id"].tolist()
    assert np.allclose(many.waters["area_m2"], one.waters["area_m2"])
    assert set(many.blinds["water"]) <= set(many.waters["id"])
    keys = ["id", "target"]
    a, b = (f.verdicts.sort_values(keys, ignore_index=True) for f in (one, many))
    assert a["verdict"].tolist() == b["verdict"].tolist()


def test_the_files_open_elsewhere_and_a_blind_can_be_planned(
    scans: dict[int, tuple[Scan, Path]],
) -> None:
    found, out = scans[9]
    blinds = gpd.read_parquet(out / "blinds")
    assert len(blinds) == len(found.found.blinds)
    part = next((out / "blinds").rglob("*.parquet"))
    assert "bbox" in pq.read_schema(part).names
    assert len(gpd.read_file(out / "blinds.gpkg", layer="waters")) == len(found.found.waters)
    assert (out / "overview.png").stat().st_size > 10_000
    best = found.found.blinds.iloc[0]
    survey = sitegeo.Survey.open(out / best["survey"])
    assert sitegeo.plan(survey, NW, blind=best["id"]).blind["id"] == best["id"]


def test_run_again_it_does_only_what_is_missing(
    scans: dict[int, tuple[Scan, Path]], region: Path, client: Any, tmp_path: Path
) -> None:
    found, done = scans[9]
    out = tmp_path / "again"
    shutil.copytree(done, out)
    before = json.loads((out / "scan.json").read_text())
    shutil.rmtree(out / "tiles" / found.tiles[2].name)
    again = run(region, out, client, size_m=NINTH_M)
    assert again.counts() == found.counts() | {"surveyed": 1, "kept": 8}
    assert json.loads((out / "scan.json").read_text()) == before


def test_past_mornings_are_shared_out_and_ask_for_no_new_survey(
    scans: dict[int, tuple[Scan, Path]],
    region: Path,
    demo_place: Path,
    client: Any,
    tmp_path: Path,
) -> None:
    shutil.copytree(scans[1][1], tmp_path / "out")
    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "out" / "tiles").rglob("*.tif")}
    record = read_winds(demo_place.parent / "past_winds.csv")
    winds = Forecast(record.hours[:60])
    found = run(region, tmp_path / "out", client, size_m=SIDE_M, asked=ScanQuery(NW, winds=winds))
    assert {p: p.stat().st_mtime_ns for p in before} == before
    blinds = found.found.blinds
    assert json.loads((tmp_path / "out" / "scan.json").read_text())["mornings"] == len(
        found.found.mornings
    )
    share = blinds["share"].dropna()
    # Each share is a count of mornings.
    counts = share * len(found.found.mornings)
    assert np.allclose(counts, counts.round(), atol=1e-6)
    assert 0 < share.max() <= 1
    assert share.nunique() > 3
    hours = [h for h in winds.hours if h.time.hour in MORNING_HOURS and h.wind is not None]
    assert set(found.found.mornings) == {h.time.date().isoformat() for h in hours}


def broken_region(folder: Path, place: Path) -> Path:
    """A region whose second photo is cut short, third of one colour, fourth in another CRS."""
    path = make_region(folder, place)
    photos = folder / "photos"
    cut_short = photos / "1.tif"
    cut_short.write_bytes(cut_short.read_bytes()[: cut_short.stat().st_size // 2])
    with rasterio.open(photos / "2.tif", "r+") as empty:
        empty.write(np.full((empty.count, *empty.shape), 7, empty.dtypes[0]))
    with rasterio.open(photos / "3.tif") as source:
        transform, width, height = calculate_default_transform(
            source.crs, "EPSG:32616", source.width, source.height, *source.bounds
        )
        profile = source.profile | {
            "crs": "EPSG:32616",
            "transform": transform,
            "width": width,
            "height": height,
            "nodata": 0,
        }
        with rasterio.open(photos / "3-elsewhere.tif", "w", **profile) as target:
            for band in range(1, source.count + 1):
                reproject(
                    rasterio.band(source, band),
                    rasterio.band(target, band),
                    resampling=Resampling.nearest,
                )
    (photos / "3.tif").unlink()
    return path


def test_a_photo_cut_short_an_empty_one_and_one_in_another_crs(
    scans: dict[int, tuple[Scan, Path]], demo_place: Path, client: Any, tmp_path: Path
) -> None:
    path = broken_region(tmp_path / "county", demo_place)
    found = run(path, tmp_path / "out", client, size_m=600)
    by_name = {t.name: t for t in found.tiles}
    assert by_name["tile-r000c000"].state == "surveyed"
    unreadable = by_name["tile-r000c001"]
    assert unreadable.state == "unreadable"
    assert "1.tif" in str(unreadable.reason)
    assert by_name["tile-r001c001"].state == "surveyed"
    blinds = found.found.blinds
    assert not blinds["tile"].isin(["tile-r000c001", "tile-r001c000"]).any()
    assert (blinds["tile"] == "tile-r001c001").any()
    record = json.loads((tmp_path / "out" / "scan.json").read_text())
    assert record["counts"]["unreadable"] == 1


def test_workers_started_apart_are_joined_by_address_and_one_may_die(
    scans: dict[int, tuple[Scan, Path]], region: Path, tmp_path: Path
) -> None:
    whole, done = scans[9]
    out = tmp_path / "joined"
    shutil.copytree(done, out)
    for tile in whole.tiles[3:6]:
        shutil.rmtree(out / "tiles" / tile.name)
    address = tmp_path / "scheduler.json"
    code = "import sys; from distributed.cli.{0} import main; main(sys.argv[1:])"
    env = {**os.environ, "SITEGEO_THREADS": "1"}

    def start(what: str, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-c", code.format(f"dask_{what}"), *words]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.Popen([*command, "--scheduler-file", str(address)], env=env, **quiet)

    started = [start("scheduler", "--port", "0", "--no-dashboard", "--host", "127.0.0.1")]
    try:
        started += [start("worker", "--no-nanny", "--nthreads", "1", "--no-dashboard")
                    for _ in range(2)]  # fmt: skip
        until = time.monotonic() + 60
        while not address.exists() and time.monotonic() < until:
            time.sleep(0.1)
        at = json.loads(address.read_text())["address"]
        killed = []

        def kill_one(what: str, finished: int, _of: int) -> None:
            if what == "tiles" and finished == 7 and not killed:
                killed.append(started[1].pid)
                os.kill(started[1].pid, signal.SIGKILL)

        from distributed import Client

        with Client(at, timeout=60) as waiting:
            waiting.wait_for_workers(2, timeout=90)
        with cluster.open_client(address=at, workers=None, memory_bytes=None) as client:
            found = run(region, out, client, size_m=NINTH_M, progress=kill_one)
    finally:
        for process in started:
            process.kill()
            process.wait()
    assert killed
    assert found.counts() == whole.counts() | {"surveyed": 3, "kept": 6}
    assert found.found.blinds["id"].tolist() == whole.found.blinds["id"].tolist()
    assert np.allclose(found.found.blinds["score"], whole.found.blinds["score"], equal_nan=True)


def test_unknown_keys_are_refused_with_the_nearest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "region.toml"
    path.write_text('title = "x"\n[imagery]\nsauce = "a.tif"\n[tiles]\nsize_m = 10\n')
    with pytest.raises(SystemExit) as ended:
        main(["scan", str(path), "--out", str(tmp_path / "out")])
    assert ended.value.code == 1
    told = capsys.readouterr().err
    assert "unknown key 'imagery.sauce' (the nearest known one is 'source')" in told
    assert "at least 200 m" in told


def test_nobody_at_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "JOIN_TIMEOUT_S", 0.5)
    with (
        pytest.raises(sitegeo.SitegeoError, match="--scheduler: no scheduler answers"),
        cluster.open_client(address="tcp://127.0.0.1:9", workers=None, memory_bytes=None),
    ):
        pass


def test_interrupted_it_leaves_what_is_done(region: Path, tmp_path: Path) -> None:
    """Ctrl-C in a terminal reaches every process; the next run takes up what is whole."""
    out = tmp_path / "out"
    command = [sys.executable, "-m", "sitegeo", "scan", region, "--out", out, "--workers", "1"]
    process = subprocess.Popen(
        command, env={**os.environ, "SITEGEO_PROGRESS": "1"}, stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL, text=True, start_new_session=True,
    )  # fmt: skip
    assert process.stderr is not None
    for line in process.stderr:
        if "cover 1 of 1" in line:
            os.killpg(process.pid, signal.SIGINT)
            break
    said = process.stderr.read()
    assert process.wait(timeout=60) == 130
    assert "Traceback" not in said
    assert "Interrupted" in said
    assert not (out / "scan.json").exists()
    described = read_region(region)
    piece = tiling.Piece("plate-r000c000", described.grid, described.grid)
    assert read_plate(described, piece, str(out / ".work" / "plates")).kept
