"""A four-band aerial photo of the scene: surfaces, light, shadow, glint, haze, blur and noise."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import shapely
from astral import Observer
from astral.sun import azimuth, elevation
from pyproj import Transformer
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import Grid

from . import blueprint as plan
from .heights import Heights, away_from, inside
from .shapes import Array, Image, soften, texture
from .terrain import Scene

Tone = tuple[float, float, float, float]  # red, green, blue, near-infrared, 0-255 in full sun

GRASS: Tone = (118, 122, 92, 150)
DRY: Tone = (156, 146, 112, 142)
LAWN: Tone = (108, 126, 76, 172)
SEDGE: Tone = (104, 112, 74, 132)
BRUSH: Tone = (88, 98, 72, 136)
REEDS: Tone = (124, 118, 78, 128)
LILY: Tone = (96, 122, 76, 158)
MUD: Tone = (126, 112, 90, 96)
GRAVEL: Tone = (196, 186, 164, 168)
ASPHALT: Tone = (128, 130, 130, 112)
DIRT: Tone = (166, 146, 118, 142)
CONCRETE: Tone = (206, 204, 196, 184)
RIPRAP: Tone = (168, 164, 156, 142)
DEEP: Tone = (40, 54, 58, 20)
TURBID: Tone = (96, 92, 62, 40)
BOTTOM: Tone = (118, 108, 78, 62)
PEAT: Tone = (58, 54, 38, 30)
WEED: Tone = (58, 70, 42, 56)
LEAF: Tone = (82, 102, 68, 178)
NEEDLE: Tone = (58, 74, 60, 108)
SNAG: Tone = (142, 136, 124, 128)
WILLOW: Tone = (98, 108, 80, 150)
CROPS: dict[str, Tone] = {
    "corn": (92, 112, 66, 172),
    "soy": (138, 138, 74, 176),
    "hay": (110, 130, 80, 184),
    "stubble": (186, 170, 128, 160),
    "ploughed": (104, 86, 62, 84),
}
ROOFS: tuple[Tone, ...] = (
    (74, 72, 74, 70), (104, 96, 92, 98), (58, 60, 66, 56), (136, 110, 98, 122),
    (150, 150, 152, 140),
)  # fmt: skip
BARNS: tuple[Tone, ...] = ((214, 216, 218, 200), (142, 74, 66, 128))
SHADE = np.array([0.30, 0.35, 0.44, 0.34])  # skylight alone, as a share of full sun
PLANTS = np.array([0.9, 1.0, 0.8, 1.5])  # how a plant's brightness swings, band by band


def sun(grid: Grid) -> tuple[float, float]:
    """Return the sun's grid bearing and elevation in degrees when the photo was taken."""
    west, south, east, north = grid.bounds
    to_geodetic = Transformer.from_crs(grid.crs, grid.crs.geodetic_crs, always_xy=True)
    lon, lat = to_geodetic.transform((west + east) / 2, (south + north) / 2)
    when = datetime.fromisoformat(plan.TAKEN)
    here = Observer(latitude=lat, longitude=lon, elevation=0.0)
    return float(grid.to_grid_bearing(azimuth(here, when))), float(elevation(here, when))


def take_photo(scene: Scene, heights: Heights) -> np.ndarray:
    """Return the photo: uint8, (4, rows, cols), bands red, green, blue, near-infrared."""
    rng = np.random.default_rng([scene.seed, 3])
    canvas = _Canvas(scene, rng)
    _paint_land(canvas, scene, heights)
    wet = _paint_water(canvas, scene, heights)
    _paint_low_cover(canvas, heights)
    roofs = _paint_built(canvas, scene)
    _paint_trees(canvas, heights)
    canvas.light(_light(scene, heights, roofs), wet * (heights.canopy <= 0))
    _glint(canvas, scene, heights, wet)
    return canvas.develop()


class _Canvas:
    """Four float bands and the noise fields shared by the surfaces painted on them."""

    def __init__(self, scene: Scene, rng: np.random.Generator) -> None:
        self.rng = rng
        self.grid = scene.grid
        self.bands = np.zeros((4, *scene.grid.shape), dtype=np.float32)
        shape = scene.grid.shape
        self.broad = texture(shape, rng, wavelengths_m=(60.0, 900.0), slope=1.2)
        self.mid = texture(shape, rng, wavelengths_m=(9.0, 90.0), slope=1.1)
        self.fine = texture(shape, rng, wavelengths_m=(2.0, 12.0), slope=0.7)

    def tone(self, tone: Tone, swing: Image | float = 0.0) -> Image:
        """Return a surface: `tone` times one plus `swing`, in every band."""
        return np.asarray(tone, np.float32)[:, None, None] * (1.0 + np.asarray(swing, np.float32))

    def lay(self, paint: Image, share: Image) -> None:
        """Mix `paint` over what is there, by each pixel's share of it."""
        rows, cols = (np.flatnonzero(share.any(axis=a)) for a in (1, 0))
        if rows.size:
            window = np.s_[..., rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
            part = self.bands[window]
            part += (np.broadcast_to(paint, self.bands.shape)[window] - part) * share[
                window[1:]
            ].astype(np.float32)

    def mottle(self, broad: float, mid: float, fine: float) -> Image:
        """Return brightness noise with a given standard deviation at three scales."""
        return np.asarray(broad * self.broad + mid * self.mid + fine * self.fine)

    def light(self, lit: Image, wet: Image) -> None:
        """Apply sun and shade; water gives back less of its shade than land does."""
        sunny = np.minimum(lit, 1.0)
        for b in range(4):
            dark = SHADE[b] + (0.68 - SHADE[b]) * wet
            self.bands[b] *= dark + (1.0 - dark) * sunny + np.maximum(lit - 1.0, 0.0)

    def develop(self) -> np.ndarray:
        """Return the finished photo: blur of the lens, haze, grain, eight bits."""
        rows, cols = self.grid.shape
        across = np.linspace(-0.5, 0.5, cols)[None, :]
        down = np.linspace(-0.5, 0.5, rows)[:, None]
        veil = 1.0 + 0.5 * across - 0.35 * down + 0.16 * self.broad
        out = np.empty((4, rows, cols), dtype=np.uint8)
        for b, (haze, gain) in enumerate(((15.0, 0.96), (18.0, 0.95), (27.0, 0.90), (6.0, 0.99))):
            plane = soften(self.bands[b], 0.62) * gain + haze * veil
            grain = self.rng.standard_normal(plane.shape, dtype=np.float32)
            plane += grain * (0.9 + 0.006 * plane)
            out[b] = np.clip(np.rint(plane), 1, 255)
        return out


def _paint_land(c: _Canvas, scene: Scene, heights: Heights) -> None:
    g, grid = scene.ground, c.grid
    dry = (0.42 + 0.26 * c.broad + 0.22 * c.mid + 0.10 * c.fine).clip(0, 1)
    c.bands[:] = c.tone(GRASS, c.mottle(0.05, 0.07, 0.08))
    lush = (0.5 * c.mid - 0.6 * c.broad - 0.2).clip(0, 1)
    c.lay(c.tone((96, 116, 76, 166), c.mottle(0.03, 0.06, 0.08)), lush)
    c.lay(c.tone(DRY, c.mottle(0.03, 0.05, 0.07)), dry)
    wet = soften(inside(g["marsh"].union(g["bottom"]), grid), 6)
    c.lay(c.tone(SEDGE, c.mottle(0.08, 0.10, 0.10)), wet * (0.8 + 0.2 * c.mid).clip(0, 1))
    mown = soften(inside(g["yards"], grid), 2)
    c.lay(c.tone(LAWN, c.mottle(0.03, 0.06, 0.05)), mown)
    parcels = scene.parcels
    for field in zip(parcels.geometry, parcels["crop"], parcels["rows_deg"], strict=True):
        _paint_field(c, *field)
    under = soften((heights.canopy > 0).astype(np.float32), 1.5)
    c.lay(c.tone((78, 80, 62, 104), c.mottle(0.05, 0.08, 0.08)), under * 0.85)
    # a strip of mud and trampled bank, wider where the shore shelves
    edge = away_from(g["water"], grid, reach_m=12.0)
    width = (1.6 + 0.7 * c.mid + 0.9 * c.broad).clip(0.3, 5.0)
    c.lay(c.tone(MUD, c.mottle(0.05, 0.08, 0.06)), (1.3 - edge / width).clip(0, 1) * (edge > 0))
    dam = g["dam"]
    grassed = soften(inside(dam.buffer(30), grid), 4) * (0.8 + 0.15 * c.mid).clip(0, 1)
    c.lay(c.tone(LAWN, c.mottle(0.05, 0.05, 0.06)), grassed)
    c.lay(c.tone(RIPRAP, 0.16 * c.fine), inside(dam.buffer(7, cap_style="flat"), grid, finer=2))


def _paint_field(c: _Canvas, shape: BaseGeometry, crop: str, rows_deg: float) -> None:
    """Paint one parcel: rows, patches of better and worse soil, tramlines, a wet hollow."""
    w, s, e, n = shape.bounds
    (r0, r1), (c0, c1) = c.grid.rowcol([w, e], [n, s])
    rows, cols = c.grid.shape
    window = np.s_[max(r0 - 2, 0) : min(r1 + 3, rows), max(c0 - 2, 0) : min(c1 + 3, cols)]
    share = soften(inside(shape, c.grid)[window], 0.8)
    yy, xx = np.mgrid[window]
    angle = np.radians(rows_deg)
    across = xx * np.sin(angle) + yy * np.cos(angle)
    own = c.rng.normal(0, 1, 4)
    drill = {"corn": 3.0, "soy": 6.1, "hay": 7.5, "stubble": 4.6, "ploughed": 3.4}[crop]
    swing = 0.05 * np.sin(2 * np.pi * across / drill) * (1 + 0.5 * c.mid[window])
    if crop in ("stubble", "hay"):  # the width of a mower or combine
        swing += 0.05 * np.sign(np.sin(2 * np.pi * across / (2 * drill * 2.0)))
    else:
        swing -= 0.10 * (np.mod(across, 27.0) < 1.6)
    patch = 0.10 * c.mid[window] + 0.07 * c.broad[window] + 0.05 * c.fine[window]
    tone = np.asarray(CROPS[crop]) * (1 + 0.05 * own[0]) + 4.0 * own[[1, 2, 2, 3]]
    paint = tone[:, None, None] * (1 + swing + patch)
    if crop == "ploughed":  # wet hollows: dark in every band, darkest in the infrared
        hollow = (c.mid[window] + 0.6 * c.broad[window] - 1.1).clip(0, 1)
        paint = paint * (1 - hollow * np.array([0.34, 0.32, 0.24, 0.48])[:, None, None])
    elif crop in ("soy", "corn"):  # ripening unevenly: yellow where the infrared falls
        ripe = (0.6 * c.mid[window] + 0.5 * c.broad[window] + 0.4 * own[1]).clip(-0.5, 1)
        paint = paint + ripe * np.array([26, 14, 4, -26])[:, None, None]
    part = c.bands[:, window[0], window[1]]
    part += (paint - part) * share


def _paint_water(c: _Canvas, scene: Scene, heights: Heights) -> Image:
    """Paint the water and return each pixel's share of it."""
    g, grid = scene.ground, c.grid
    wet = inside(g["water"], grid, finer=3)
    depth = np.nan_to_num(heights.depth, nan=0.15)
    ripple = texture(grid.shape, c.rng, wavelengths_m=(2.5, 14.0), slope=0.3, stretch=(35.0, 3.0))
    swell = texture(grid.shape, c.rng, wavelengths_m=(40.0, 600.0), slope=1.1, stretch=(35.0, 2.5))
    # mud comes in with the creek, hangs in the arm and trails out into the lake
    marsh = inside(g["marsh"], grid)
    mud = soften(marsh, 45) * 1.25 + 0.10 * swell + 0.05 * c.mid - 0.12
    mud = np.where(heights.shore > 0, mud, 0.85).clip(0.0, 0.95)
    mud = np.maximum(mud, np.exp(-np.maximum(heights.shore, 0) / 9.0) * 0.35 * (1 + 0.5 * c.mid))
    weedy = ((depth > 0.5) & (depth < 2.1) & (c.mid + 0.7 * c.broad > 0.5)).astype(np.float32)
    weedy = soften(weedy, 1.2) * (0.75 + 0.2 * c.fine)
    fade = np.array([0.85, 0.62, 0.80, 3.2])[:, None, None]  # loss of light, 1/m of depth
    bed = c.tone(BOTTOM, 0.12 * c.mid + 0.05 * c.fine)
    bed += (c.tone(PEAT, 0.10 * c.mid) - bed) * soften(marsh, 12)
    bed += (c.tone(WEED, 0.12 * c.fine) - bed) * weedy.clip(0, 1)
    seen = np.exp(-2.0 * fade * depth * (1 + 2.5 * mud))
    column = c.tone(DEEP, 0.07 * swell + 0.05 * ripple)
    column += (c.tone(TURBID, 0.08 * c.mid + 0.03 * ripple) - column) * mud
    algae = soften(inside(g["timber"], grid), 20) * 0.55
    algae = (algae + 0.10 * c.broad).clip(0, 0.6)
    column += (c.tone((62, 84, 52, 48), 0.06 * c.mid) - column) * algae
    c.lay(column * (1 - seen) + bed * seen + 2.0 * ripple, wet)
    # lily pads and floating leaves in the arm
    out = heights.shore
    pads = (c.mid + 0.45 * c.fine - 0.02 * np.abs(out - 22) - 0.55).clip(0, 1) * 1.6
    c.lay(c.tone(LILY, 0.12 * c.fine), wet * (marsh * pads * (depth < 1.0)).clip(0, 0.9))
    return wet


def _paint_low_cover(c: _Canvas, heights: Heights) -> None:
    swing = c.mottle(0.05, 0.08, 0.13)
    c.lay(c.tone(BRUSH, swing), (heights.brush / 1.6).clip(0, 0.92))
    c.lay(c.tone(REEDS, swing), (heights.reeds / 1.5).clip(0, 0.90))


def _paint_built(c: _Canvas, scene: Scene) -> Image:
    """Paint roads, lots, docks and roofs; return building heights."""
    g, grid = scene.ground, c.grid
    tones = {"paved": ASPHALT, "gravel": GRAVEL, "dirt": DIRT}
    roads = scene.layers["roads"]
    for surface in ("dirt", "gravel", "paved"):
        some = roads[roads["surface"] == surface]
        verge = some.buffer(some["width_m"] / 2 + 2.0).union_all()
        c.lay(c.tone(DRY, 0.08 * c.fine), 0.7 * inside(verge, grid, finer=2))
        lane = some.buffer(some["width_m"] / 2).union_all()
        c.lay(c.tone(tones[surface], c.mottle(0.03, 0.05, 0.03)), inside(lane, grid, finer=3))
        if surface != "paved":  # grass between the wheel tracks
            crown = some.buffer(0.5).union_all()
            c.lay(c.tone(GRASS), 0.45 * inside(crown, grid, finer=3) * (c.mid > -0.3))
        else:
            line = some.buffer(0.18).union_all()
            c.lay(c.tone((214, 206, 150, 190)), inside(line, grid, finer=3))
    c.lay(c.tone(GRAVEL, c.mottle(0.02, 0.05, 0.03)), inside(g["lots"], grid, finer=2))
    c.lay(c.tone(CONCRETE, 0.02 * c.fine), inside(g["ramp"], grid, finer=3) * 0.95)
    c.lay(c.tone((168, 156, 140, 150), 0.05 * c.fine), inside(g["docks"], grid, finer=3))
    _paint_cars(c, scene)
    tall = np.zeros(grid.shape, dtype=np.float32)
    houses = scene.layers["dwellings"]
    for i, (kind, house) in enumerate(zip(houses["kind"], houses.geometry, strict=True)):
        barn = kind == "barn"
        tone = BARNS[i % 2] if barn else ROOFS[i % len(ROOFS)]
        share = inside(house, grid, finer=4)
        p = shapely.get_coordinates(house.minimum_rotated_rectangle)
        sides = np.diff(p[:3], axis=0)
        u = sides[np.argmin(np.hypot(*sides.T))]  # across the ridge
        u = u / np.hypot(*u)
        row, col = np.nonzero(share)
        x, y = grid.xy(row, col)
        off = (x - house.centroid.x) * u[0] + (y - house.centroid.y) * u[1]
        slope = 1.0 + 0.24 * (u @ _toward_sun(grid)[:2]) * np.tanh(off)
        roof = np.asarray(tone)[:, None] * slope
        c.bands[:, row, col] += (roof - c.bands[:, row, col]) * share[row, col]
        tall = np.maximum(tall, (share > 0.5) * (8.5 if barn else 5.5))
    return tall


def _paint_cars(c: _Canvas, scene: Scene) -> None:
    """Park a few cars and trailers in the lots."""
    for lot in shapely.get_parts(scene.ground["lots"]):
        x0, y0 = lot.centroid.coords[0]
        for k in range(-3, 4):
            if c.rng.random() < 0.45:
                continue
            at = c.grid.rowcol(x0 + 4.3 * k, y0 + 6.0 + c.rng.normal(0, 0.8))
            row, col = (int(v) for v in at)
            tone = c.rng.choice([[222, 222, 224, 210], [60, 62, 68, 58], [150, 60, 56, 120]])
            c.bands[:, row : row + 5, col : col + 2] = np.asarray(tone)[:, None, None]


def _paint_trees(c: _Canvas, heights: Heights) -> None:
    """Paint crowns, each with its own colour, lighter towards its top."""
    t = heights.trees
    palette = np.array([LEAF, NEEDLE, SNAG])[t.kind.astype(int)]
    flooded = np.interp(t.height_m, [9, 15], [0.5, 0.0])[:, None]
    palette = palette + (np.array(WILLOW) - palette) * flooded * (t.kind == 0)[:, None]
    tint = 0.085 * t.tint[:, None] * PLANTS
    early = (t.tint > 1.75)[:, None] * np.array([38, 10, -6, -8])  # first autumn colour
    own = np.vstack([np.zeros((1, 4)), palette * (1 + tint) + early]).astype(np.float32)
    here = heights.crown > 0
    top = heights.canopy[here] / np.concatenate([[1.0], t.height_m])[heights.crown[here]]
    soft = soften(here.astype(np.float32), 0.5)[here].clip(0.55, 1.0)
    for b in range(4):
        paint = own[heights.crown[here], b] * (0.66 + 0.42 * top) * (1 + 0.09 * c.fine[here])
        c.bands[b][here] += (paint - c.bands[b][here]) * soft


def _toward_sun(grid: Grid) -> Array:
    bearing, height = np.radians(sun(grid))
    return np.array([
        np.cos(height) * np.sin(bearing), np.cos(height) * np.cos(bearing), np.sin(height)
    ])  # fmt: skip


def _light(scene: Scene, heights: Heights, roofs: Image) -> Image:
    """Return direct light: 1 on open level ground in the sun, 0 in shadow, more on sunny sides."""
    east, north, up = _toward_sun(scene.grid)
    tall = np.maximum.reduce([heights.canopy, heights.brush, heights.reeds, roofs])
    soft = soften(np.maximum(heights.canopy, heights.brush), 0.7)
    dzdy, dzdx = np.gradient(soft)
    norm = np.sqrt(dzdx**2 + dzdy**2 + 1.0)
    face = (-dzdx * east + dzdy * north + up) / norm / up
    face = np.where(soft > 0.3, 0.25 + 0.75 * face.clip(0.0, 1.5), 1.0)
    level = np.hypot(east, north)
    spared = tall + 0.9 * (tall > 2.0)  # a crown lets light through where it hardly rises
    blocked = np.zeros_like(tall)
    for step in range(1, int(tall.max() * level / up) + 2):
        dx, dy = round(step * east / level), round(step * north / level)
        # what stands `step` metres towards the sun, against what stands here
        there, here = _overlap(tall.shape, -dy, dx), _overlap(tall.shape, dy, -dx)
        over = tall[there] - step * up / level - spared[here]
        np.maximum(blocked[here], over, out=blocked[here])
    shadow = soften((blocked / 1.2).clip(0.0, 1.0), 0.6)
    return np.asarray(face * (1.0 - shadow), dtype=np.float32)


def _overlap(shape: tuple[int, ...], down: int, right: int) -> tuple[slice, slice]:
    """Return the part of an array that still lies on it after a shift back by (down, right)."""
    rows, cols = (
        slice(max(d, 0), n + min(d, 0)) for n, d in zip(shape, (down, right), strict=True)
    )
    return rows, cols


def _glint(c: _Canvas, scene: Scene, heights: Heights, wet: Image) -> None:
    """Scatter sun glint over a patch of ruffled open water."""
    w, s, e, n = scene.ground["reservoir"].bounds
    row, col = c.grid.rowcol(w + 0.62 * (e - w), s + 0.42 * (n - s))
    yy, xx = np.mgrid[: c.grid.shape[0], : c.grid.shape[1]]
    patch = np.exp(-(((xx - col) / 190.0) ** 2 + ((yy - row) / 120.0) ** 2))
    patch = (patch * (1 + 0.5 * c.mid)).clip(0, 1) * wet * (heights.shore > 25)
    spark = texture(c.grid.shape, c.rng, wavelengths_m=(2.0, 7.0), slope=0.2, stretch=(35.0, 2.0))
    shine = patch * (9.0 + 46.0 * (spark - 0.9).clip(0, 2.2))
    for b, gain in enumerate((1.0, 1.0, 0.97, 0.9)):
        c.bands[b] += gain * shine
