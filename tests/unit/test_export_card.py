"""The card: one page, to scale, embedded fonts, the plan's numbers, nothing over the edge."""

from __future__ import annotations

import io
import json
import math
import re
import shutil
import subprocess
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pypdf
import pyproj
import pytest
import segno
import zxingcpp
from helpers_card import hostile, refused, sample_card, undated
from PIL import Image
from pypdf.generic import ContentStream
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

import sitegeo
from sitegeo.errors import UsageError
from sitegeo.export.card import PAPER_SIZES_PT, card_pdf
from sitegeo.export.card_content import CardContent
from sitegeo.export.hatches import HATCHES, Hatch, hatch_strokes, spread_part
from sitegeo.units import YARD_M

CARDS = {
    "sample": sample_card(),
    "undated": undated(),
    "refused": refused(),
    "calm": sample_card(wind_from_deg=None, wind_words="calm"),
    "hostile": hostile(),
    "bare": refused(notes=(), legs=(), sun=(), no_fire=()),
}
LOOKS = [("letter", False), ("a4", True)]


def page_of(pdf: bytes) -> Any:
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 1
    return reader.pages[0]


def words_of(content: CardContent, **look: Any) -> str:
    return " ".join(page_of(card_pdf(content, **look)).extract_text().split())


def operations(pdf: bytes) -> list[tuple[list[Any], bytes]]:
    page = page_of(pdf)
    stream = ContentStream(page.get_contents(), page.pdf)
    return list(stream.operations)


def circles(pdf: bytes) -> list[tuple[float, float, float]]:
    """Centre and radius of every circle: a move, then four Bezier quarters."""
    found = []
    ops = operations(pdf)
    for n in range(len(ops) - 4):
        group = ops[n : n + 5]
        if [o[1] for o in group] != [b"m", b"c", b"c", b"c", b"c"]:
            continue
        ends = [tuple(map(float, g[0][-2:])) for g in group[1:]]
        xs, ys = [e[0] for e in ends], [e[1] for e in ends]
        wide, high = max(xs) - min(xs), max(ys) - min(ys)
        assert wide == pytest.approx(high, abs=0.02)
        found.append(((max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2, wide / 2))
    return found


@pytest.mark.parametrize(("page", "night"), LOOKS)
@pytest.mark.parametrize("name", CARDS)
def test_one_page_of_its_paper_the_same_bytes_twice(name: str, page: Any, night: bool) -> None:
    pdf = card_pdf(CARDS[name], page=page, night=night)
    assert pdf == card_pdf(CARDS[name], page=page, night=night)
    box = page_of(pdf).mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(PAPER_SIZES_PT[page], abs=0.01)


def test_paper_sizes_are_the_standards() -> None:
    # ISO 216: A4 is 210 by 297 mm. Letter is 8.5 by 11 inches (ANSI A).
    assert PAPER_SIZES_PT["a4"] == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.01)
    assert PAPER_SIZES_PT["letter"] == (8.5 * 72, 11 * 72)
    with pytest.raises(UsageError, match="paper"):
        card_pdf(sample_card(), page="a3")  # type: ignore[arg-type]


def test_every_font_is_embedded() -> None:
    fonts = page_of(card_pdf(sample_card()))["/Resources"]["/Font"]
    used = {str(ops[0][0]) for ops in operations(card_pdf(sample_card())) if ops[1] == b"Tf"}
    assert used
    for name in used:
        font = fonts[name].get_object()
        assert "/FontFile2" in font["/FontDescriptor"], name


def test_the_plans_numbers_are_on_it() -> None:
    card = sample_card()
    text = words_of(card)
    for item in card.items:
        assert f"{round(item.bearing_true_deg):03d}°" in text
        assert item.bearing_magnetic_deg is not None
        assert f"{round(item.bearing_magnetic_deg):03d}°" in text
        assert str(round(item.range_m / YARD_M)) in text
        if item.count:
            assert str(item.count) in text
    for said in (
        "P001a", "Sedge Flowage", "Wind NW 12 mph", "15T XJ 96154 89145", "15T XJ 96690 88842",
        "from Launch Lane ramp", "304°", "673 yd", "sunrise 07:21", "Sun, not shooting hours",
        "2026-12-05", "Hide clear of the mapped dwellings by 322 yd", "life jacket",
        "count 36 back in", "boat", "6 ft",
    ):  # fmt: skip
        assert said in text, said


def test_paces_come_from_the_gear() -> None:
    # 20 yd is 18.288 m: 24.4 paces of 0.75 m, 20.3 of 0.9 m.
    motion = [i for i in sample_card().items if i.role == "motion"]
    assert " 24" in words_of(sample_card(items=tuple(motion)))
    assert " 20 20" in words_of(sample_card(items=tuple(motion), pace_m=0.9))


def test_without_a_date_no_magnetic_bearing_is_given() -> None:
    text = words_of(undated())
    assert "No magnetic bearings" in text
    assert "magnetic is true" not in text.lower()
    assert "254°" not in text  # 251.9 + 2.2, the magnetic one
    assert "252°" in text


def test_a_refused_plan_says_why() -> None:
    text = words_of(refused())
    assert "No spread here: the water in range is too narrow for an open pocket" in text
    assert "decoys" not in text


def test_a_headline_of_three_lines_is_whole() -> None:
    """A second sentence there says what may not be shot."""
    why = "Wind in your face, quartering from the left: birds come over or round the hide. " * 4
    words = why + "Let birds over or behind you go: no fire there."
    assert words in words_of(sample_card(headline=words))


def test_calm_claims_no_direction() -> None:
    text = words_of(CARDS["calm"])
    assert "CALM" in text
    assert "WIND" not in text


@pytest.mark.parametrize(("page", "night"), LOOKS)
def test_rings_are_drawn_to_the_scale_printed(page: Any, night: bool) -> None:
    pdf = card_pdf(sample_card(), page=page, night=night)
    scale = int(re.search(r"1:(\d+)", page_of(pdf).extract_text()).group(1))  # type: ignore[union-attr]
    ten_yd_pt = 10 * 0.9144 / scale * 1000 / 25.4 * 72
    rings = [c for c in circles(pdf) if c[2] > 15]
    assert len(rings) >= 4
    assert len({(round(x, 1), round(y, 1)) for x, y, _ in rings}) == 1
    assert [r for *_, r in rings] == pytest.approx(
        [ten_yd_pt * n for n in range(1, len(rings) + 1)], rel=1e-3
    )


def test_groups_stand_at_their_bearing_and_range() -> None:
    card = sample_card()
    pdf = card_pdf(card)
    rings = [c for c in circles(pdf) if c[2] > 15]
    x0, y0, ten_yd = rings[0]
    discs = [c for c in circles(pdf) if 8.5 < c[2] < 9.5]
    for item in (i for i in card.items if i.role != "pocket"):
        r = item.range_m / (10 * YARD_M) * ten_yd
        a = math.radians(item.bearing_true_deg)
        at = (x0 + r * math.sin(a), y0 + r * math.cos(a))
        assert min(math.dist(at, d[:2]) for d in discs) < 0.5, item.name


def test_the_code_is_the_hides_geo_uri() -> None:
    # segno's own matrix, quiet zone of 4 modules left out (ISO/IEC 18004).
    card = sample_card()
    matrix = segno.make("geo:44.129195,-90.548086", error="m", micro=False).matrix
    n = len(matrix)
    squares = [
        tuple(map(float, op[0]))
        for op in operations(card_pdf(card))
        if op[1] == b"re" and float(op[0][2]) == pytest.approx(84 / (n + 8), abs=1e-3)
    ]
    x0, top = min(s[0] for s in squares), max(s[1] for s in squares)
    step = 84 / (n + 8)
    drawn = np.zeros((n, n), dtype=int)
    for x, y, *_ in squares:
        drawn[round((top - y) / step), round((x - x0) / step)] = 1
    assert np.array_equal(drawn, np.array([list(row) for row in matrix], dtype=int))


class Watched(Canvas):
    """A canvas that notes where each line of words starts and ends."""

    lines: ClassVar[list[tuple[str, float, float, float, float]]] = []

    def _note(self, text: str, x: float, y: float, share: float) -> None:
        wide = pdfmetrics.stringWidth(text, self._fontname, self._fontsize)
        self.lines.append((text, x - share * wide, x + (1 - share) * wide, y, self._fontsize))

    def drawString(self, x: float, y: float, text: str, **more: Any) -> None:
        self._note(text, x, y, 0.0)
        super().drawString(x, y, text, **more)

    def drawRightString(self, x: float, y: float, text: str, **more: Any) -> None:
        self._note(text, x, y, 1.0)
        super().drawRightString(x, y, text, **more)

    def drawCentredString(self, x: float, y: float, text: str, **more: Any) -> None:
        self._note(text, x, y, 0.5)
        super().drawCentredString(x, y, text, **more)


@pytest.mark.parametrize("name", CARDS)
@pytest.mark.parametrize("page", PAPER_SIZES_PT)
def test_no_words_leave_the_page_or_shrink_from_sight(
    name: str, page: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sitegeo.export.card.Canvas", Watched)
    monkeypatch.setattr(Watched, "lines", [])
    width, height = PAPER_SIZES_PT[page]
    card_pdf(CARDS[name], page=page)
    assert len(Watched.lines) > 10
    for text, start, end, y, size in Watched.lines:
        assert start >= 25, text
        assert end <= width - 25, text
        assert 25 <= y <= height - 25, text
        assert size >= 6.5, text


def test_too_many_words_are_owned_up_to() -> None:
    assert "the rest is in plan.json" in words_of(hostile())
    assert "plan.json" not in words_of(sample_card())


def _viewport(pdf: bytes) -> Any:
    (viewport,) = page_of(pdf)["/VP"]
    return viewport.get_object()


@pytest.mark.parametrize(("page", "night"), LOOKS)
def test_the_drawing_is_a_viewport_a_map_reader_places(page: Any, night: bool) -> None:
    """ISO 32000-2:2020, tables 269 to 272 (numbers from memory); places against pyproj.Geod."""
    card = sample_card()
    pdf = card_pdf(card, page=page, night=night)
    viewport = _viewport(pdf)
    measure = viewport["/Measure"]
    assert (viewport["/Type"], measure["/Type"]) == ("/Viewport", "/Measure")
    assert (measure["/Subtype"], measure["/GCS"]["/EPSG"]) == ("/GEO", 4326)
    assert pyproj.CRS(str(measure["/GCS"]["/WKT"])) == pyproj.CRS(4326)
    west, south, east, north = map(float, viewport["/BBox"])
    shares = np.array(measure["/LPTS"], float).reshape(-1, 2)
    places = np.array(measure["/GPTS"], float).reshape(-1, 2)
    terms = np.column_stack([np.ones(4), shares, shares.prod(axis=1)])
    across_up = np.linalg.solve(terms, places)

    def place(x: float, y: float) -> Any:
        u, v = (x - west) / (east - west), (y - south) / (north - south)
        return np.array([1, u, v, u * v]) @ across_up

    geod = pyproj.Geod(ellps="WGS84")
    rings = [c for c in circles(pdf) if c[2] > 15]
    x0, y0, ten_yd = rings[0]
    for bearing, tens in ((0.0, 0.0), (30.0, 1.0), (200.0, 3.0)):
        turn, r = math.radians(bearing), tens * ten_yd
        lat, lon = place(x0 + r * math.sin(turn), y0 + r * math.cos(turn))
        there = geod.fwd(card.lon, card.lat, bearing, tens * 10 * YARD_M)
        assert geod.inv(lon, lat, *there[:2])[2] < 0.02


def test_gdal_places_the_card(tmp_path: Path) -> None:
    """By GDAL's own reader of geospatial PDF, where it is installed."""
    tool = shutil.which("gdalinfo")
    if tool is None or b"PDF" not in subprocess.check_output([tool, "--formats"]):
        pytest.skip("the card was not read by GDAL: no gdalinfo with PDF")
    pdf = card_pdf(sample_card())
    (tmp_path / "card.pdf").write_bytes(pdf)
    told = json.loads(subprocess.check_output([tool, "-json", "card.pdf"], cwd=tmp_path))
    assert 'ID["EPSG",4326]' in told["coordinateSystem"]["wkt"]
    west, across, _, north, _, down = told["geoTransform"]
    x, y, _ = next(c for c in circles(pdf) if c[2] > 15)
    width, height = told["size"]
    lon = west + across * x / 612 * width
    lat = north + down * (792 - y) / 792 * height
    there = pyproj.Geod(ellps="WGS84").inv(lon, lat, sample_card().lon, sample_card().lat)
    assert there[2] < 0.1


def test_shift_lines_are_printed() -> None:
    card = sample_card(notes=(("If the wind shifts", ("To the north: move the tail.",)),))
    assert "To the north: move the tail." in words_of(card)


def test_night_is_red_on_black() -> None:
    for ops, name in operations(card_pdf(sample_card(), night=True)):
        if name in (b"rg", b"RG"):
            red, green, blue = map(float, ops)
            assert green == blue == 0, (red, green, blue)
    first = next(o for o, n in operations(card_pdf(sample_card(), night=True)) if n == b"rg")
    assert [float(v) for v in first] == [0, 0, 0]


def test_the_card_draws_the_hatchings_of_the_one_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """The map's test of the same name, in a browser, reads the same file."""
    text = (Path(sitegeo.__file__).parent / "export" / "hatches.toml").read_text(encoding="utf-8")
    held = {name: hatch for table in tomllib.loads(text).values() for name, hatch in table.items()}
    assert {name: hatch._asdict() for name, hatch in HATCHES.items()} == held
    drawn = operations(card_pdf(sample_card()))
    monkeypatch.setitem(HATCHES, "mass", Hatch(6, "M0,3 H6"))
    assert operations(card_pdf(sample_card())) != drawn


def test_hatchings_are_told_apart() -> None:
    assert len(set(HATCHES.values())) == len(HATCHES)
    drawn = {name: hatch_strokes(name) for name in HATCHES if name != "lee"}
    assert len({(size, tuple(strokes)) for size, strokes in drawn.values()}) == len(drawn)
    with pytest.raises(ValueError, match="curve"):
        hatch_strokes("lee")
    assert drawn["tail"] == (5, [(0.0, 2.5, 5.0, 2.5)])
    assert drawn["guard"][1] == [(0.0, 3.5, 7.0, 3.5), (3.5, 0.0, 3.5, 7.0)]
    parts = [spread_part(name) for name in ("TAIL2", "MASS", "ODD", "LEE")]
    assert parts == ["tail", "mass", "other", "other"]


def test_the_drawing_needs_no_land_and_bears_a_whole_ring_of_no_fire() -> None:
    card = replace(sample_card(), no_fire=((0.0, 360.0),))
    assert "crossed: no fire" in words_of(card)
    assert "crossed" not in words_of(replace(card, no_fire=()))


@pytest.mark.parametrize("night", [False, True])
@pytest.mark.parametrize("dpi", [200, 300])
def test_a_reader_decodes_the_code_as_printed(tmp_path: Path, dpi: int, night: bool) -> None:
    """By ZXing, an independent reader, from the page as poppler draws it."""
    draw = shutil.which("pdftoppm")
    if draw is None:
        pytest.skip("THE CODE ON THE CARD WAS NOT READ BACK: no pdftoppm (poppler-utils)")
    (tmp_path / "card.pdf").write_bytes(card_pdf(sample_card(), night=night))
    command = [draw, "-r", str(dpi), "-png", "-singlefile", "card.pdf", "card"]
    subprocess.run(command, cwd=tmp_path, check=True)
    with Image.open(tmp_path / "card.png") as image:
        read = zxingcpp.read_barcodes(image.convert("L"))
    assert [code.text for code in read] == ["geo:44.129195,-90.548086"]
