"""Height rasters of the scene: single tree crowns, the ground and the lake's depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy import ndimage as ndi
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import Grid

from . import blueprint as plan
from .shapes import Array, Image, soften, texture
from .terrain import Scene

# crown radius as a share of tree height, and its spread
CROWNS = {
    "broadleaf": (0.27, 0.05),
    "woods": (0.26, 0.05),
    "mixed": (0.25, 0.06),
    "flooded": (0.33, 0.07),
    "hedge": (0.42, 0.10),
    "lone": (0.36, 0.07),
}
CONIFER, DEAD = 1, 2


@dataclass(frozen=True)
class Trees:
    """Every tree: pixel position, height and crown radius in metres, kind, and its own tint."""

    row: Array
    col: Array
    height_m: Array
    radius_m: Array
    kind: Array
    tint: Array


@dataclass(frozen=True)
class Heights:
    """Rasters on the scene's grid, metres; `crown` is a tree's number plus one, 0 for none."""

    canopy: Image
    crown: np.ndarray
    brush: Image
    reeds: Image
    ground: Image
    depth: Image
    shore: Image
    trees: Trees


def inside(shape: BaseGeometry, grid: Grid, *, finer: int = 1) -> Image:
    """Return the share of each pixel inside a geometry, from `finer` squared subpixels."""
    out = np.zeros(grid.shape, dtype=np.float32)
    if shape.is_empty:
        return out
    w, s, e, n = shape.bounds
    row, col = grid.rowcol([w, e], [n, s])
    r0, c0 = max(int(row[0]), 0), max(int(col[0]), 0)
    rows = min(int(row[1]) + 1, grid.shape[0]) - r0
    cols = min(int(col[1]) + 1, grid.shape[1]) - c0
    if min(rows, cols) < 1:
        return out
    fine = rasterize(
        [(shape, 1)],
        out_shape=(rows * finer, cols * finer),
        transform=from_origin(grid.west + c0, grid.north - r0, 1 / finer, 1 / finer),
        dtype="uint8",
    )
    blocks = fine.reshape(rows, finer, cols, finer)
    out[r0 : r0 + rows, c0 : c0 + cols] = blocks.mean(axis=(1, 3), dtype=np.float32)
    return out


def make_heights(scene: Scene) -> Heights:
    """Return the scene's height rasters."""
    rng = np.random.default_rng([scene.seed, 2])
    grid = scene.grid
    water = inside(scene.ground["water"], grid) > 0
    lake = inside(scene.ground["reservoir"], grid) > 0
    shore = signed_distance(lake)
    trees = _trees(scene, rng)
    canopy, crown = _stamp(trees, grid.shape)
    rough = texture(grid.shape, rng, wavelengths_m=(2.2, 9.0), slope=0.4)
    canopy = np.where(canopy > 0, np.maximum(canopy * (1 + 0.045 * rough), 0.4), 0)
    brush, reeds = _low_cover(scene, rng, water, canopy, out=shore)
    return Heights(
        canopy=canopy.astype(np.float32),
        crown=crown,
        brush=brush,
        reeds=reeds,
        ground=_ground(scene, rng, shore, water),
        depth=_depth(scene, rng, shore, lake, water),
        shore=shore,
        trees=trees,
    )


def signed_distance(mask: np.ndarray) -> Image:
    """Return the distance to the edge of a mask in pixels: positive inside, negative outside."""
    return np.asarray(
        ndi.distance_transform_edt(mask) - ndi.distance_transform_edt(~mask), dtype=np.float32
    )


def away_from(shape: BaseGeometry, grid: Grid, *, reach_m: float) -> Image:
    """Return the distance outside a geometry, no further than `reach_m`; 0 inside."""
    out = np.full(grid.shape, reach_m, dtype=np.float32)
    near = shape.buffer(reach_m + 2).intersection(shapely.box(*grid.bounds))
    w, s, e, n = near.bounds
    (r0, r1), (c0, c1) = grid.rowcol([w, e], [n, s])
    window = np.s_[r0 : r1 + 1, c0 : c1 + 1]
    mask = inside(shape, grid)[window] > 0
    out[window] = np.minimum(ndi.distance_transform_edt(~mask), reach_m)
    return out


def _trees(scene: Scene, rng: np.random.Generator) -> Trees:
    patch = texture(scene.grid.shape, rng, wavelengths_m=(35.0, 400.0), slope=1.0)
    found = []
    stands = scene.stands
    columns = (stands["species"], stands["height_m"], stands["spacing_m"], stands.geometry)
    for species, usual_m, spacing, shape in zip(*columns, strict=True):
        x, y = _scatter(shape, spacing, rng)
        row, col = scene.grid.rowcol(x, y)
        keep = np.ones(x.size, dtype=bool)
        if species == "hedge":  # gaps: a hedgerow is never whole
            keep = rng.random(x.size) < 0.78
        elif species == "woods":  # ragged edges, and a glade here and there
            edge = shapely.distance(shape.boundary, shapely.points(x, y))
            keep = (patch[row, col] < 1.9) & (edge > 7.0 + 6.0 * patch[row, col])
        age = 1.0 + 0.10 * patch[row, col] * (species in ("woods", "flooded"))
        height = usual_m * age * rng.normal(1.0, 0.10, x.size).clip(0.72, 1.22)
        rows = np.column_stack([x, y, height])[keep]
        found.append(_tree_rows(scene, rng, species, rows))
    lone = np.column_stack(_lone_trees(scene, rng, patch))
    t = np.vstack([*found, _tree_rows(scene, rng, "lone", lone)])
    t = t[np.argsort(t[:, 2], kind="stable")]
    grid = scene.grid
    return Trees(grid.north - t[:, 1] - 0.5, t[:, 0] - grid.west - 0.5, *t[:, 2:].T)


def _tree_rows(scene: Scene, rng: np.random.Generator, species: str, trees: Array) -> Array:
    """Return x, y, height, crown radius, kind and tint of trees given by the first three."""
    x, y, height = trees.T
    share, spread = CROWNS[species]
    radius = height * rng.normal(share, spread, x.size).clip(share / 2, share * 1.6)
    radius = radius.clip(1.2)
    kind = np.zeros(x.size)
    if species in ("broadleaf", "mixed", "woods"):
        conifer = rng.random(x.size) < (0.4 if species == "mixed" else 0.07)
        kind[conifer] = CONIFER
        radius[conifer] *= 0.72
    rows = np.column_stack([x, y, height, radius, kind, rng.normal(0, 1, x.size)])
    if species == "flooded":
        rows[rng.random(x.size) < 0.1, 4] = DEAD
        gap = shapely.distance(scene.ground["openings"], shapely.points(x, y))
        rows = rows[gap >= radius - 0.3]
    return rows


def _scatter(shape: BaseGeometry, spacing: float, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return a jittered triangular grid of points inside a geometry."""
    if shape.is_empty:
        return np.empty(0), np.empty(0)
    w, s, e, n = shape.bounds
    x, y = np.meshgrid(np.arange(w, e, spacing), np.arange(s, n, spacing * 0.87))
    x[1::2] += spacing / 2
    x = (x + rng.uniform(-0.44, 0.44, x.shape) * spacing).ravel()
    y = (y + rng.uniform(-0.44, 0.44, y.shape) * spacing).ravel()
    keep = shapely.contains_xy(shape, x, y)
    return x[keep], y[keep]


def _lone_trees(scene: Scene, rng: np.random.Generator, patch: Image) -> tuple[Array, Array, Array]:
    """Return trees outside the stands: round houses, in groves, rarely and singly on the bank."""
    g = scene.ground
    grid = scene.grid
    roads = scene.layers["roads"]
    bare = shapely.union_all([
        g["water"].buffer(4), roads.buffer(roads["width_m"] / 2 + 4).union_all(),
        scene.layers["dwellings"].buffer(5).union_all(), g["lots"].buffer(6), g["dam"].buffer(34),
        scene.parcels.buffer(2).union_all(), g["belts"].buffer(16), g["marsh"],
    ])  # fmt: skip
    bank = g["reservoir"].buffer(48)
    shapely.prepare(bare)
    shapely.prepare(bank)
    everywhere = shapely.box(*grid.bounds)
    yards = _scatter(g["yards"], 14.0, rng)
    groves = _scatter(everywhere, 9.5, rng)
    row, col = grid.rowcol(*groves)
    thick = 1.3 * patch[row, col] - 1.5
    keep = (rng.random(thick.size) < thick.clip(0.012, 0.75)) & ~shapely.contains_xy(bank, *groves)
    singles = _scatter(everywhere, 62.0, rng)
    on_bank = shapely.contains_xy(bank, *singles)
    x = np.concatenate([yards[0], groves[0][keep], singles[0][on_bank]])
    y = np.concatenate([yards[1], groves[1][keep], singles[1][on_bank]])
    free = ~shapely.contains_xy(bare, x, y)
    return x[free], y[free], rng.normal(8.5, 2.2, int(free.sum())).clip(4, 14)


def _stamp(trees: Trees, shape: tuple[int, int]) -> tuple[Image, np.ndarray]:
    """Return the highest crown over each pixel, and whose it is."""
    canopy = np.zeros(shape, dtype=np.float32)
    crown = np.zeros(shape, dtype=np.int32)
    for i in range(trees.row.size):
        r = trees.radius_m[i]
        r0, c0 = max(0, int(trees.row[i] - r)), max(0, int(trees.col[i] - r))
        r1, c1 = int(trees.row[i] + r) + 2, int(trees.col[i] + r) + 2
        window = canopy[r0:r1, c0:c1]
        if window.size == 0:
            continue
        dy = np.arange(r0, r0 + window.shape[0])[:, None] - trees.row[i]
        dx = np.arange(c0, c0 + window.shape[1])[None, :] - trees.col[i]
        d2 = (dx * dx + dy * dy) / (r * r)
        if trees.kind[i] == CONIFER:
            dome = 1.0 - 0.75 * np.sqrt(d2)
        else:
            dome = 0.5 + 0.5 * np.sqrt(np.maximum(1.0 - d2, 0.0))
        height = np.where(d2 <= 1.0, trees.height_m[i] * dome, 0.0)
        higher = height > window
        window[higher] = height[higher]
        crown[r0:r1, c0:c1][higher] = i + 1
    return canopy, crown


def _low_cover(
    scene: Scene, rng: np.random.Generator, water: np.ndarray, canopy: Image, *, out: Image
) -> tuple[Image, Image]:
    """Return heights of brush on rough land, and of reeds in and along the water."""
    grid, g = scene.grid, scene.ground
    broad = texture(grid.shape, rng, wavelengths_m=(14.0, 160.0), slope=1.1)
    fine = texture(grid.shape, rng, wavelengths_m=(2.0, 9.0), slope=0.5)
    roads = scene.layers["roads"]
    tended = shapely.union_all([
        scene.parcels.union_all(), g["yards"], g["lots"].buffer(6), g["dam"].buffer(40),
        roads.buffer(roads["width_m"] / 2 + 3).union_all(), g["ramp"].buffer(8),
        scene.layers["dwellings"].buffer(6).union_all(),
    ])  # fmt: skip
    rough = (inside(tended, grid) == 0) & ~water
    bushy = broad + 0.9 * fine - 1.55
    brush = np.where(rough & (bushy > 0), (0.7 + 1.6 * bushy).clip(0.6, 2.7), 0.0)
    # willows stand on the tips of the points, with gaps where deer and people go through
    willows = (inside(g["tips"], grid) > 0) & rough & (broad + fine > -1.2)
    brush = np.where(willows, (1.7 + 0.35 * fine).clip(0.8, 2.6), brush)
    clump = inside(g["brush"], grid) > 0
    brush = np.where(clump, (1.9 + 0.35 * fine).clip(0.8, 2.8), brush)
    # reeds fringe the marsh arm: thick near its edge, broken towards open water
    marsh, lake = inside(g["marsh"], grid) > 0, inside(g["reservoir"], grid) > 0
    fringe = (13.0 + 9.0 * broad).clip(3.0, 34.0)
    reedy = marsh & lake & (out < fringe) & (fine > -1.6)
    sedge = marsh & ~lake & (-out < 26 + 10 * broad) & rough
    stand = (inside(g["reeds"], grid) > 0) & (fine > -1.9)
    tufts = (inside(g["flat"], grid) > 0) & (fine + 0.35 * broad > 1.9) & (out > 2)
    reeds = np.where(reedy | stand, (2.0 + 0.25 * fine).clip(1.2, 2.7), 0.0)
    reeds = np.where(sedge, (1.1 + 0.25 * fine).clip(0.5, 1.8), reeds)
    reeds = np.where(tufts, 0.6, reeds)
    low = canopy < 1.0
    return (brush * low).astype(np.float32), (reeds * low).astype(np.float32)


def _ground(scene: Scene, rng: np.random.Generator, shore: Image, water: np.ndarray) -> Image:
    """Return the land surface; the water surface where there is water."""
    grid, g = scene.grid, scene.ground
    away = np.maximum(-shore, 0.0)
    hills = texture(grid.shape, rng, wavelengths_m=(180.0, 1400.0), slope=1.4)
    fine = texture(grid.shape, rng, wavelengths_m=(12.0, 90.0), slope=1.3)
    rise = 0.35 + 0.045 * np.minimum(away, 60) + 0.016 * np.maximum(away - 60, 0)
    z = rise + (2.6 * hills + 0.16 * fine) * (away / 220.0).clip(0.0, 1.0)
    wet = inside(g["marsh"].union(g["bottom"]), grid)
    z -= soften(wet, 14) * np.minimum(z - 0.25, 1.9).clip(0)
    # the valley below the dam lies lower than the lake, and the outlet stream in it lower still
    dam = away_from(g["dam"].buffer(6), grid, reach_m=60.0)
    streams = scene.layers["water"].geometry
    valley = away_from(streams.iloc[2], grid, reach_m=260.0)
    lower = np.exp(-((valley / 95.0) ** 2)) * (away > 0) * (valley < 260.0)
    z = z * (1 - lower) + lower * (-6.0 + 0.035 * valley)
    crest = 2.6 - 0.42 * np.maximum(dam - 5.0, 0.0)
    land = shore <= 0
    z = np.where(land & (dam < 60) & (away < 70), np.maximum(z, crest), z)
    creek = away_from(streams.iloc[1], grid, reach_m=40.0)
    z = np.minimum(z, np.where(creek < 40.0, 0.25 + 0.05 * creek, np.inf))
    z = soften(np.where(land, z, 0.0), 1.5)
    z = np.where(land, np.where(water, z, np.maximum(z, -6.5)), 0.0)
    return np.asarray(plan.WATER_LEVEL_M + z, dtype=np.float32)


def _depth(
    scene: Scene, rng: np.random.Generator, shore: Image, lake: np.ndarray, water: np.ndarray
) -> Image:
    """Return the water's depth, NaN on land: shelving banks, a sunken creek, shallow arms."""
    grid, g = scene.grid, scene.ground
    out = np.maximum(shore, 0.0)
    broad = soften(texture(grid.shape, rng, wavelengths_m=(90.0, 700.0), slope=1.2), 4)
    fine = texture(grid.shape, rng, wavelengths_m=(10.0, 80.0), slope=1.3)
    steep = (1.0 + 0.25 * broad).clip(0.5, 1.6)
    depth = 5.2 * (1 - np.exp(-out * steep / 85.0)) * (1 + 0.07 * broad) + 0.06 * fine * (out > 15)
    dam = away_from(g["dam"], grid, reach_m=450.0)
    depth += 2.2 * np.exp(-((dam / 150.0) ** 2)) * (out / 30).clip(0, 1)

    def shallow(shape: BaseGeometry, level: Image | float, soft: float) -> None:
        nonlocal depth
        share = soften(inside(shape, grid), soft)
        depth = depth * (1 - share) + np.minimum(depth, level) * share

    shallow(g["marsh"], 0.45 + 0.12 * broad + 0.05 * fine, 22.0)
    shallow(g["flat"], 0.34 + 0.08 * broad + 0.05 * fine, 9.0)
    shallow(g["timber"], 0.65 + 0.10 * broad + 0.04 * fine, 9.0)
    shallow(g["reeds"].buffer(5), 0.45, 3.0)
    shallow(g["brush"].buffer(5), 0.35, 3.0)
    depth = np.where(lake, depth, 0.5).clip(0.1, 9.0)
    return np.where(water, depth, np.nan).astype(np.float32)
