"""What goes into the map page, without a browser."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import io
import json
import re
from html.parser import HTMLParser

import geopandas as gpd
import map_sample
import numpy as np
import pyproj
import pytest
from PIL import Image
from shapely.geometry import Point, box, shape
from shapely.ops import unary_union

from sitegeo.core.grid import Grid, Raster
from sitegeo.errors import CrsError
from sitegeo.webmap import lettering, render
from sitegeo.webmap.page import PAGE_BYTES
from sitegeo.webmap.page_data import page_data
from sitegeo.webmap.photo import photo_images


@pytest.fixture(scope="module")
def page() -> str:
    return render(map_sample.content())


def metres(geometry: dict) -> gpd.GeoSeries:
    return gpd.GeoSeries([shape(geometry)], crs=4326).to_crs(map_sample.CRS)


def test_same_content_same_bytes(page):
    assert render(map_sample.content()) == page
    turning = map_sample.content(turn=map_sample.turn())
    assert render(turning) == render(turning) != page


def test_nothing_is_linked(page):
    body = page.replace("http://www.w3.org/", "")
    assert not re.search(r"<(script|img|link|iframe)\b[^>]*\b(src|href)=", body)
    assert "@import" not in body
    # What is left points into the document itself, or is an old browser's switch of Leaflet's.
    assert all(u.startswith("#") for u in re.findall(r"url\(([^)]*)\)", body))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    assert "http" not in policy


class _Read(HTMLParser):
    """What a browser finds in a page: elements by name, their attributes and their text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict, str]] = []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs), ""))

    def handle_endtag(self, tag):
        self.found.append((f"/{tag}", {}, ""))

    def handle_data(self, data):
        if self.found:
            tag, attrs, text = self.found[-1]
            self.found[-1] = tag, attrs, text + data


@pytest.mark.parametrize(
    "title", ["</title><script>alert(1)</script>", "{{ data }} default-src * 'sha256-x'", "A & B"]
)
def test_a_title_is_text_and_the_policy_lets_in_the_pages_own_scripts_alone(title):
    read = _Read()
    read.feed(render(map_sample.content(title=title)))
    assert [text for tag, _, text in read.found if tag == "title"] == [title]
    policies = [a["content"] for _, a, _ in read.found if a.get("http-equiv")]
    for tag, count in (("script", 3), ("style", 2)):
        held = [text for t, attrs, text in read.found if t == tag and not attrs]
        digests = [hashlib.sha256(text.encode()).digest() for text in held]
        allowed = [f"'sha256-{base64.b64encode(d).decode()}'" for d in digests]
        assert len(allowed) == count
        assert f"{tag}-src {' '.join(allowed)};" in policies[0]
    assert len(policies) == 1


def test_the_inputs_are_left_alone():
    content = map_sample.content()
    before = content.features.copy(), content.blinds.copy()
    render(content)
    assert content.features.equals(before[0])
    assert content.blinds.equals(before[1])


def test_a_missing_layer_is_not_an_empty_one():
    states = {x["name"]: x["state"] for x in page_data(map_sample.content())["layers"]}
    assert states["dwellings"] == "not checked"
    assert states["huntable"] == "none mapped"
    assert states["roads"] == "mapped"


@pytest.mark.parametrize("name", ["setbacks", "closed_areas"])
def test_drawn_limits_are_never_smaller_than_the_limit(name):
    frame = map_sample.layers()[name]
    drawn = next(x for x in page_data(map_sample.content())["layers"] if x["name"] == name)
    back = unary_union([metres(s["shape"]).iloc[0] for s in drawn["shapes"]])
    assert back.covers(unary_union(list(frame.geometry)))
    assert back.difference(unary_union(list(frame.geometry)).buffer(2.5)).is_empty


@pytest.mark.parametrize(("note", "short"), [("", False), ("drawn too small", True)])
def test_a_setback_drawn_too_small_is_told_in_the_legend(note, short):
    frames = map_sample.layers()
    frames["setbacks"] = frames["setbacks"].assign(note=note)
    content = dataclasses.replace(map_sample.content(), layers=frames)
    told = {x["name"]: x.get("short", False) for x in page_data(content)["layers"]}
    assert told.pop("setbacks") is short
    assert not any(told.values())


def test_shapes_lie_where_they_were():
    data = page_data(map_sample.content())
    mass = next(i for i in data["plan"] if i["name"] == "MASS")
    wanted = map_sample.features().set_index("name").geometry["MASS"]
    assert metres(mass["shape"]).iloc[0].hausdorff_distance(wanted) < 0.15
    lat, lon = data["around"]["hide"]
    there = gpd.GeoSeries([Point(lon, lat)], crs=4326).to_crs(map_sample.CRS).iloc[0]
    assert there.distance(Point(map_sample.HIDE)) < 0.15


def test_metres_of_a_degree_agree_with_the_geodesic():
    """Against GeographicLib's geodesic as pyproj carries it."""
    data = page_data(map_sample.content())
    lat, lon = data["around"]["hide"]
    geod = pyproj.Geod(ellps="WGS84")
    east = geod.inv(lon, lat, lon + 0.001, lat)[2]
    north = geod.inv(lon, lat, lon, lat + 0.001)[2]
    assert data["scale"]["lon_m"] * 0.001 == pytest.approx(east, rel=1e-5)
    assert data["scale"]["lat_m"] * 0.001 == pytest.approx(north, rel=1e-5)


def test_a_closed_arc_is_a_band_and_not_a_cone():
    data = page_data(map_sample.content())
    band = next(i for i in data["plan"] if i["role"] == "fire_closed")
    ranges = [
        Point(p).distance(Point(map_sample.HIDE))
        for p in metres(band["shape"]).iloc[0].exterior.coords
    ]
    assert min(ranges) > 6
    assert max(ranges) < 9


def test_labels_keep_apart_and_beside_the_drawing():
    groups = [box(x, y, x + 4, y + 4) for x, y in ((0, 0), (1, 1), (0, 2), (30, 0), (31, 1))]
    marks = lettering.place_labels(groups)
    for side in ("left", "right"):
        heights = sorted(m.at.y for m in marks if m.side == side)
        assert len(heights) >= 2
        assert min(np.diff(heights)) >= 4.2 - 1e-9
    assert all(m.at.x < 0 if m.side == "left" else m.at.x > 35 for m in marks)
    assert all(g.buffer(1e-6).covers(m.tip) for g, m in zip(groups, marks, strict=True))
    wider = lettering.place_labels(groups, beside=[box(-9, 0, 44, 1)])
    assert all(m.at.x < -9 if m.side == "left" else m.at.x > 44 for m in wider)


def test_words_about_a_closed_arc_stand_outside_its_band():
    data = page_data(map_sample.content())
    closed = next(i for i in data["plan"] if i["role"] == "fire_closed")
    east = map_sample.features().set_index("name").geometry["east"]
    assert len(closed["places"]) == 5
    for lat, lon in closed["places"]:
        spot = gpd.GeoSeries([Point(lon, lat)], crs=4326).to_crs(map_sample.CRS).iloc[0]
        assert 8.5 < spot.distance(Point(map_sample.HIDE)) < 12
        assert spot.distance(east) < 0.1


def test_the_arrow_stays_by_a_drawing_far_from_water():
    drawing = box(-20, 0, 20, 30)
    centre = lettering.arrow_centre(Point(0, 0), 315, Point(0, 400).buffer(300), drawing)
    assert centre.distance(drawing) < 40
    low = lettering.arrow_centre(Point(0, 0), 315, None, drawing, tall=True)
    assert abs(low.x) < 20 + lettering.ARROW_M / 2
    assert not -5 < low.y < 35


@pytest.mark.parametrize("from_deg", [0, 45, 135, 270])
def test_the_arrow_lies_on_water_clear_of_the_drawing(from_deg):
    water = Point(0, 60).buffer(100)
    drawing = box(-20, 0, 20, 30)
    centre = lettering.arrow_centre(Point(0, 0), from_deg, water, drawing)
    assert water.covers(centre.buffer(lettering.ARROW_M / 2 - 1))
    assert centre.distance(drawing) > 5


def test_the_photo_lies_where_it_was_taken():
    """A white square of 20 m must land on its own longitude and latitude."""
    values = np.full((3, 400, 400), 40, np.uint8)
    values[:, 100:120, 300:320] = 255
    grid = Grid(map_sample.CRS, 420_000.0, 5_100_600.0, 1.0, (400, 400))
    photo = Raster(values, grid, bands=("red", "green", "blue"))
    (picture,) = photo_images(photo, budget_bytes=2_000_000)
    prefix, data = picture.uri.split(",")
    assert prefix == "data:image/webp;base64"
    image = Image.open(io.BytesIO(base64.b64decode(data)))
    red, alpha = np.asarray(image.getchannel("R")), np.asarray(image.getchannel("A"))
    rows, cols = np.nonzero(red > 150)
    (south, west), (north, east) = picture.bounds
    mercator = pyproj.Transformer.from_crs(4326, 3857, always_xy=True)
    (x0, x1), (y0, y1) = mercator.transform([west, east], [south, north])
    x = x0 + (cols.mean() + 0.5) / red.shape[1] * (x1 - x0)
    y = y1 - (rows.mean() + 0.5) / red.shape[0] * (y1 - y0)
    to_metres = pyproj.Transformer.from_crs(3857, map_sample.CRS, always_xy=True)
    assert np.hypot(*np.subtract(to_metres.transform(x, y), (420_310, 5_100_490))) < 1.0
    # The turned photo leaves its corners open.
    assert alpha[0, 0] == 0 or alpha[0, -1] == 0
    assert alpha[200, 200] == 255


def test_the_page_keeps_its_budget_whatever_the_photo():
    """Noise is what compresses worst."""
    noise = map_sample.photo(size=2600, pixel_m=0.25)
    values = np.random.default_rng(1).integers(0, 256, noise.values.shape).astype(np.uint8)
    text = render(map_sample.content(photo=dataclasses.replace(noise, values=values)))
    assert 1_000_000 < len(text.encode()) <= PAGE_BYTES
    assert text.count("data:image/webp") == 2  # the whole, and a sharp piece round the hide


@pytest.mark.parametrize(
    "what", ["no photo", "calm", "refused", "no layers", "no blinds", "metres"]
)
def test_a_page_of_less(what):
    plan = map_sample.features()
    changes = {
        "no photo": {"photo": None},
        "calm": {"wind_from_deg": None, "wind_words": "calm"},
        "refused": {"features": plan[plan["role"] == "hide"]},
        "no layers": {"layers": {}, "photo": None},
        "no blinds": {"blinds": map_sample.blinds().iloc[:0], "features": plan.iloc[:0]},
        "metres": {"units": "m"},
    }[what]
    text = render(map_sample.content(**changes))
    data = json.loads(re.search(r'id="sheet-data">(.*?)</script>', text, re.DOTALL)[1])
    assert len(data["layers"]) == 12
    assert (data["around"] is None) == (what == "no blinds")
    if what == "calm":
        assert data["around"]["arrow"] is None


def test_frames_of_different_crs_are_refused():
    elsewhere = map_sample.layers() | {"roads": map_sample.layers()["roads"].to_crs(32616)}
    with pytest.raises(CrsError, match="roads"):
        render(map_sample.content(layers=elsewhere))
