"""A small place served by open services on this machine, made of the bundled demo place."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import rasterio
import rasterio.shutil
import shapely
from pyproj import Transformer
from rasterio.io import MemoryFile
from rasterio.windows import Window, from_bounds
from shapely.geometry import mapping

from sitegeo.gather.cache import Cache
from sitegeo.gather.client import Client, Limits

HERE = Path(__file__).parent
AT = (44.12793, -90.55007)
"""The middle of the demo place."""
WORLD = (695_550.0, 4_888_550.0, 696_450.0, 4_889_450.0)
"""What is served of it, in its own CRS."""
BANDS = ["red", "green", "blue", "nir"]


@contextmanager
def served(root: Path) -> Iterator[str]:
    """Give the address of services that serve a folder."""
    script = str(HERE / "local_services.py")
    with subprocess.Popen(
        [sys.executable, script, str(root)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield f"http://127.0.0.1:{process.stdout.readline().strip()}"
        finally:
            process.kill()


class Clock:
    """Time that passes only by sleeping."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.slept: list[float] = []

    def now(self) -> datetime:
        return datetime(2026, 11, 20, 12, tzinfo=UTC) + timedelta(seconds=self.seconds)

    def __call__(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            self.slept.append(seconds)
            self.seconds += seconds


def client(folder: Path, clock: Clock | None = None, **options: Any) -> Client:
    """A client that never really waits."""
    clock = clock or Clock()
    options.setdefault("limits", Limits(silence_s=20.0))
    return Client(Cache(folder), now=clock.now, clock=clock, sleep=clock.sleep, **options)


def cog(source: Path, target: Path, bounds: Sequence[float], **options: Any) -> Path:
    """Write part of a raster as a cloud-optimised file with tiles of 128 pixels."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(source) as held:
        window = from_bounds(*bounds, transform=held.transform).round_offsets().round_lengths()
        window = window.intersection(Window(0, 0, held.width, held.height))
        values = held.read(window=window)
        profile = {"driver": "GTiff", "count": held.count, "dtype": values.dtype, "crs": held.crs}
        profile |= {"width": values.shape[2], "height": values.shape[1], "nodata": held.nodata}
        profile |= {"transform": held.window_transform(window)}
    with MemoryFile() as memory:
        with memory.open(**profile) as out:
            out.write(values)
        with memory.open() as made:
            rasterio.shutil.copy(
                made, target, driver="COG", blocksize=128, compress="deflate", **options
            )
    return target


def item(path: Path, root: Path, *, collection: str, day: str, asset: str = "image") -> Any:
    """A STAC item of a file under the served folder."""
    with rasterio.open(path) as held:
        to_wgs84 = Transformer.from_crs(held.crs, "EPSG:4326", always_xy=True)
        box = list(to_wgs84.transform_bounds(*held.bounds))
        corners = shapely.segmentize(shapely.box(*held.bounds), 100)
    shape = shapely.transform(corners, lambda xy: shapely_xy(to_wgs84, xy))
    return {
        "type": "Feature",
        "stac_version": "1.0.0",
        "id": path.stem,
        "collection": collection,
        "bbox": box,
        "geometry": mapping(shape),
        "properties": {"datetime": f"{day}T00:00:00Z"},
        "links": [],
        "assets": {asset: {"href": f"BASE/{path.relative_to(root).as_posix()}"}},
    }


def shapely_xy(transformer: Transformer, xy: Any) -> Any:
    import numpy as np

    return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))


def osm_xml(roads: gpd.GeoDataFrame, dwellings: gpd.GeoDataFrame) -> bytes:
    """Roads and houses as Overpass answers (form: wiki.openstreetmap.org/wiki/OSM_XML)."""
    nodes: list[str] = []
    ways: list[str] = []

    def way(points: Any, tags: dict[str, str], *, closed: bool) -> None:
        first = len(nodes) + 1
        points = list(points)[:-1] if closed else list(points)
        for lon, lat in points:
            nodes.append(f'<node id="{len(nodes) + 1}" lat="{lat:.9f}" lon="{lon:.9f}"/>')
        refs = [*range(first, len(nodes) + 1), *([first] if closed else [])]
        inside = "".join(f'<nd ref="{r}"/>' for r in refs)
        inside += "".join(f'<tag k="{k}" v="{v}"/>' for k, v in tags.items())
        ways.append(f'<way id="{len(ways) + 1}">{inside}</way>')

    for _, row in roads.to_crs(4326).iterrows():
        surface = {} if row["surface"] is None else {"surface": row["surface"]}
        for part in shapely.get_parts(row.geometry):
            way(part.coords, {"highway": row["class"], **surface}, closed=False)
    for _, row in dwellings.to_crs(4326).iterrows():
        way(row.geometry.exterior.coords, {"building": row["kind"] or "yes"}, closed=True)
    text = '<?xml version="1.0" encoding="UTF-8"?><osm version="0.6">'
    return (text + "".join(nodes) + "".join(ways) + "</osm>").encode()


def write_geojson(frame: gpd.GeoDataFrame, path: Path) -> None:
    frame.to_crs(4326).to_file(path, driver="GeoJSON", COORDINATE_PRECISION=15)


def serve_demo(root: Path, demo: Path) -> None:
    """Fill a folder with what the services give of the bundled demo place."""
    folder, files = demo.parent, root / "files"
    west, south, east, north = WORLD
    middle = (west + east) / 2
    # Two sheets of one year that overlap, an older whole one, a newer corner.
    sheets = {
        "sheet_west": ((west, south, middle + 30, north), "2025-09-14"),
        "sheet_east": ((middle - 30, south, east, north), "2025-09-20"),
        "old": ((west, south, east, north), "2019-08-01"),
        "corner": ((west, north - 200, west + 200, north), "2026-06-01"),
    }
    items = [
        item(
            cog(folder / "imagery.tif", files / f"signed/{name}.tif", bounds),
            root, collection="aerial", day=day,
        )
        for name, (bounds, day) in sheets.items()
    ]  # fmt: skip
    for role in ("canopy", "ground"):
        path = cog(folder / f"{role}.tif", files / f"{role}.tif", (west, south, east, north))
        items.append(item(path, root, collection=role, day="2021-04-01", asset="data"))
    (root / "items.json").write_text(json.dumps(items))
    write_catalogue(files / "catalogue", items)
    layers = {n: gpd.read_file(folder / "layers.gpkg", layer=n) for n in (
        "water", "roads", "dwellings", "public_land", "access")}  # fmt: skip
    (root / "answer.osm").write_bytes(osm_xml(layers["roads"], layers["dwellings"]))
    for name in ("water", "dwellings", "public_land", "access"):
        write_geojson(layers[name], root / f"{name}.geojson")
    with zipfile.ZipFile(files / "access.zip", "w") as packed:
        packed.write(root / "access.geojson", "state/access.geojson")
        packed.writestr("state/readme.txt", "open data")
    (files / "small.json").write_text('{"fine": true}')
    (files / "photo.vrt").write_text("<VRTDataset/>")
    times = [1796468400 + 3600 * i for i in range(3)]
    columns = {"time": times, "wind_speed_10m": [5.0, 0.2, None]}
    columns |= {"wind_direction_10m": [315, 0, 200], "wind_gusts_10m": [8.0, 0.4, None]}
    units = {"time": "unixtime", "wind_speed_10m": "m/s", "wind_gusts_10m": "m/s"}
    meteo = {"timezone": "America/Chicago", "utc_offset_seconds": -21600}
    (root / "meteo.json").write_text(
        json.dumps({**meteo, "hourly": columns, "hourly_units": units})
    )
    period = {"startTime": "2026-12-05T05:00:00-06:00", "windSpeed": "10 mph"}
    period |= {"windDirection": "NW", "temperature": 28, "temperatureUnit": "F"}
    (root / "hourly.json").write_text(json.dumps({"properties": {"periods": [period]}}))


def write_catalogue(folder: Path, items: list[Any]) -> None:
    """Write a catalogue of plain files: a root, a collection each, an item a file."""
    folder.mkdir(parents=True)
    names = sorted({i["collection"] for i in items})
    about = {"stac_version": "1.0.0", "description": "x"}
    children = [{"rel": "child", "href": f"./{n}/collection.json"} for n in names]
    broken = {"rel": "child", "href": "file:///etc/passwd"}
    root = {"type": "Catalog", "id": "plain", "links": children, **about}
    (folder / "catalog.json").write_text(json.dumps(root))
    (folder / "hostile.json").write_text(json.dumps({**root, "links": [broken]}))
    for name in names:
        (folder / name).mkdir()
        mine = [i for i in items if i["collection"] == name]
        links = [{"rel": "item", "href": f"./{i['id']}.json"} for i in mine]
        boxes = [i["bbox"] for i in mine]
        extent = {"spatial": {"bbox": boxes}, "temporal": {"interval": [[None, None]]}}
        held = {"type": "Collection", "id": name, "license": "PDDL-1.0", "extent": extent}
        text = json.dumps({**held, "links": links, **about})
        (folder / name / "collection.json").write_text(text)
        for one in mine:
            href = next(iter(one["assets"].values()))["href"]
            key = next(iter(one["assets"]))
            relative = {key: {"href": href.replace("BASE/files/", "../../")}}
            (folder / name / f"{one['id']}.json").write_text(
                json.dumps({**one, "assets": relative})
            )


CREDIT = 'licence = "CC0"\nattribution = "© The {name} makers"\n'


def source(
    base: str, name: str, service: str, url: str, gives: Sequence[str], options: str = ""
) -> str:
    """One table of a file of sources."""
    return (
        f'[[source]]\nid = "{name}"\nservice = "{service}"\ngives = {json.dumps(list(gives))}\n'
        f'url = "{base}{url}"\ntitle = "Local {name}"\npause_s = 0\n'
        + CREDIT.format(name=name)
        + f"[source.options]\n{options}\n"
    )


IMAGERY = (
    'collection = "aerial"\nassets = ["image"]\nbands = ["red", "green", "blue", "nir"]\n'
    'together = "year"\nvoid = 0\ntoken_url = "{base}/token"'
)
HUNTING = (
    'fields = {name = "name", manager = "manager", hunting = "hunting"}\n'
    'fixed = {hunting = "unknown"}\n[source.options.values.hunting]\nopen = "unknown"\n'
    'closed = "closed"\n'
)


def all_sources(base: str) -> str:
    """The file of sources of the served demo place."""
    one: Callable[..., str] = lambda *a, **k: source(base, *a, **k)  # noqa: E731
    return "alone = true\n" + "".join(
        [
            one("photo", "stac", "/stac", ["imagery"], IMAGERY.format(base=base)),
            one("heights", "stac", "/stac", ["canopy"], 'collection = "canopy"\nassets = ["data"]'),
            one("levels", "stac", "/files/catalogue/catalog.json", ["ground"],
                'collection = "ground"\nassets = ["data"]'),
            one("osm", "overpass", "/overpass", ["roads", "dwellings"]),
            one("lakes", "ogc_features", "/ogc", ["water"], 'collection = "water"'),
            one("state", "wfs", "/wfs", ["public_land"],
                'collection = "public_land"\npage = 2\n' + HUNTING),
            one("ramps", "download", "/files/access.zip", ["access"],
                'fields = {kind = "kind", name = "name"}'),
            one("houses", "arcgis", "/arcgis/dwellings", ["dwellings"], 'fields = {kind = "kind"}'),
            one("meteo", "open_meteo", "/meteo", ["forecast", "zone"]),
        ]
    )  # fmt: skip
