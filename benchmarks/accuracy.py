"""Cover classes against reference layers of real places; prints the tables of docs/accuracy.md.

Run as ``python benchmarks/accuracy.py`` with SITEGEO_PLACES naming the folder of open data. From
the photo alone: no water, land-cover or height layer is given.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.warp import Resampling, reproject
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.landcover.cover import judge_reading
from sitegeo.landcover.photo_cover import photo_cover
from sitegeo.places.imagery import read_imagery

Bools = NDArray[np.bool_]
FOUR = ("red", "green", "blue", "nir")
OURS = (Cover.WATER, Cover.TREE, Cover.LOW, Cover.OPEN, Cover.BUILT)


def main() -> None:
    """Print the tables."""
    folder = Path(os.environ.get("SITEGEO_PLACES", ""))
    if not (folder / "ponds-md").is_dir():
        raise SystemExit("set SITEGEO_PLACES to the folder of open data")
    ponds(folder / "ponds-md")
    coarse(folder / "ponds-md")
    reservoir(folder / "reservoir-va")
    prairie(folder / "potholes-nd")
    lakeshore(folder / "lakeshore-zurich")
    scenes(folder / "scenes")


def ponds(folder: Path) -> None:
    """Four-band and RGB against the land cover of ponds-md."""
    photo, _ = read_imagery(folder / "imagery.tif", bands=FOUR)
    with rasterio.open(folder / "landcover.tif") as source:
        truth = source.read(1)
    names = {1: "water", 2: "tree", 3: "low vegetation", 4: "barren", 5: "impervious", 6: "road"}
    for title, bands in (("four bands", FOUR), ("RGB", FOUR[:3])):
        values = np.stack([photo.band(b) for b in bands])
        found = photo_cover(imagery=Raster(values, photo.grid, photo.valid, bands)).band("class")
        print(f"\n### ponds-md, {title}\n")
        _confusion(found, truth, names)
        inner = _inner(truth)
        print("\n| | all pixels | without the edge band |\n|---|---|---|")
        for label, code, member in (("water", 1, Cover.WATER), ("tree", 2, Cover.TREE)):
            for measure in (iou, f1):
                a, b = (measure((found == member)[k], (truth == code)[k])
                        for k in (truth > 0, (truth > 0) & inner))  # fmt: skip
                print(f"| {label} {measure.__name__} | {a:.3f} | {b:.3f} |")


def coarse(folder: Path) -> None:
    """The same photo with its pixels averaged, against the commonest class of its reference."""
    with rasterio.open(folder / "landcover.tif") as source:
        truth = source.read(1)
    print("\n### ponds-md, coarser pixels, without the edge band\n")
    print("| pixel | water IoU, four bands | water IoU, RGB | tree F1, four bands | tree F1, RGB |")
    print("|---" * 5 + "|")
    for finest_m in (1.0, 2.0, 4.0, 10.0):
        photo, _ = read_imagery(folder / "imagery.tif", bands=FOUR, finest_m=finest_m)
        rows, cols = photo.grid.shape
        n = round(finest_m)
        blocks = truth[: rows * n, : cols * n].reshape(rows, n, cols, n)
        counts = np.stack([(blocks == c).sum(axis=(1, 3)) for c in range(7)])
        common = counts.argmax(axis=0)
        inner = _inner(common) & (common > 0)
        row = []
        for member, code, measure in ((Cover.WATER, 1, iou), (Cover.TREE, 2, f1)):
            for bands in (FOUR, FOUR[:3]):
                values = np.stack([photo.band(b) for b in bands])
                seen = Raster(values, photo.grid, photo.valid, bands)
                found = photo_cover(imagery=seen).band("class")
                row.append(measure((found == member)[inner], (common == code)[inner]))
        print(f"| {finest_m:g} m | {' | '.join(f'{v:.3f}' for v in row)} |")


def reservoir(folder: Path) -> None:
    """Area of the one water of reservoir-va, of which 2.0 to 2.2 ha are known."""
    photo, _ = read_imagery(folder / "imagery.tif", bands=FOUR)
    print("\n### reservoir-va\n\n| bands | water found, ha |\n|---|---|")
    for title, bands in (("four", FOUR), ("RGB", FOUR[:3])):
        values = np.stack([photo.band(b) for b in bands])
        found = photo_cover(imagery=Raster(values, photo.grid, photo.valid, bands)).band("class")
        area = (found == Cover.WATER).sum() * photo.grid.pixel_m**2 / 1e4
        print(f"| {title} | {area:.2f} |")


def prairie(folder: Path) -> None:
    """RGB of potholes-nd against its four bands, since no reference comes with it."""
    photo, _ = read_imagery(folder / "imagery_20140720.tif", bands=FOUR)
    four, colour = (
        photo_cover(
            imagery=Raster(np.stack([photo.band(b) for b in bands]), photo.grid, photo.valid, bands)
        ).band("class")
        == Cover.WATER
        for bands in (FOUR, FOUR[:3])
    )
    hectares = photo.grid.pixel_m**2 / 1e4
    print("\n### potholes-nd, 5 m\n\n| water, four bands | RGB | IoU of the two |\n|---|---|---|")
    print(f"| {four.sum() * hectares:.0f} ha | {colour.sum() * hectares:.0f} ha "
          f"| {iou(four, colour):.3f} |")  # fmt: skip


def lakeshore(folder: Path) -> None:
    """RGB against vegetation of 3 m and more from lidar."""
    photo, _ = read_imagery(folder / "ortho_rgb_050cm.tif", bands=FOUR[:3])
    height = np.zeros(photo.grid.shape, np.float32)
    with rasterio.open(folder / "vegheight_1m.tif") as source:
        reproject(rasterio.band(source, 1), height, dst_transform=photo.grid.transform,
                  dst_crs=photo.grid.crs, resampling=Resampling.nearest)  # fmt: skip
    classes = photo_cover(imagery=photo).band("class")
    found, truth = classes == Cover.TREE, np.nan_to_num(height) >= 3.0
    inner = _inner(truth.astype(int))
    print("\n### lakeshore-zurich, RGB, trees of 3 m and more by lidar\n")
    print("| | all pixels | without the edge band |\n|---|---|---|")
    for measure in (iou, f1):
        row = measure(found, truth), measure(found[inner], truth[inner])
        print(f"| tree {measure.__name__} | {row[0]:.3f} | {row[1]:.3f} |")
    with rasterio.open(folder / "dtm_1m.tif") as source:
        level = np.full(photo.grid.shape, -9999.0, np.float32)
        reproject(rasterio.band(source, 1), level, dst_transform=photo.grid.transform,
                  dst_crs=photo.grid.crs, resampling=Resampling.nearest)  # fmt: skip
    # The lake stands at 405.6 m in the terrain model, which is empty farther out.
    lake = np.nan_to_num(level, nan=-9999.0) < 405.8
    inner = _inner(lake.astype(int))
    wet = classes == Cover.WATER
    print(f"| water iou | {iou(wet, lake):.3f} | {iou(wet[inner], lake[inner]):.3f} |")


DRY = {"arid-pilbara", "asphalt-riverside", "forest-kootenay", "pasture-wv-a", "shadow-eureka",
       "town-kampala"}  # fmt: skip
"""Scenes that hold no water on any date, by their README."""

DRY_DATES = {("basin-palmsprings", "2016"), ("basin-palmsprings", "2018")}
"""Dates on which a scene held none."""


def scenes(folder: Path) -> None:
    """One row a photo of every small scene, the water of the photo alone; none is left out."""
    print("\n### Scenes nobody prepared\n")
    print("| photo | pixel | truth, % water | four bands: found, % | sure, % | IoU | trusted "
          "| RGB: found, % | sure, % | IoU | trusted |")  # fmt: skip
    print("|---" * 11 + "|")
    for path in sorted(folder.glob("*/imagery*.tif")):
        truth = _water_truth(path)
        name = f"{path.parent.name} {path.stem.removeprefix('imagery').strip('_')}".strip()
        told, grid, known = [], None, "?"
        for infrared in (True, False):
            bands = _bands(path, infrared=infrared)
            if bands is None:
                told += ["-"] * 4
                continue
            photo, _ = read_imagery(path, bands=bands, finest_m=0.01)
            found = photo_cover(imagery=photo)
            reading, grid = judge_reading(found), photo.grid
            score = "-"
            if truth is not None:
                wet, counts = (_onto(path, t, photo) for t in truth)
                known = f"{100 * wet[counts & photo.mask].mean():.1f}"
                inner = counts & photo.mask & _inner(wet.astype(int))
                if wet[inner].any():
                    score = f"{iou(found.band('class')[inner] == Cover.WATER, wet[inner]):.2f}"
            sure = reading.water_confidence
            told += [f"{100 * reading.water_share:.1f}", "-" if sure is None else f"{sure:.0f}",
                     score, "yes" if reading.trusted else "no"]  # fmt: skip
        assert grid is not None
        print(f"| {name} | {grid.pixel_m:.2g} m | {known} | {' | '.join(told)} |")


def _bands(path: Path, *, infrared: bool) -> tuple[str, ...] | None:
    """Return what a scene's bands are called, with or without infrared; None where it has not."""
    if "nir_red_green" in path.stem:
        return ("nir", "red", "green") if infrared else None
    with rasterio.open(path) as source:
        count = source.count
    if infrared and count < 4:
        return None
    known = FOUR if infrared else FOUR[:3]
    return known + ("other",) * (count - len(known))


def _water_truth(path: Path) -> tuple[Bools, Bools] | None:
    """Return where a scene is water and where that is known, on its own pixels."""
    folder, date = path.parent, path.stem.removeprefix("imagery").strip("_")
    with rasterio.open(path) as source:
        everywhere = np.ones(source.shape, bool)
    if folder.name in DRY or (folder.name, date) in DRY_DATES:
        return ~everywhere, everywhere
    for name in (f"water_{date}.tif", "water.tif", "water_weak.tif"):
        if (folder / name).exists():
            with rasterio.open(folder / name) as source:
                codes = source.read(1)
            return codes == 1, codes != 255
    if (folder / f"labels_{date}.tif").exists():
        with rasterio.open(folder / f"labels_{date}.tif") as source:
            codes = source.read(1)
        return codes == 1, (codes > 0) & (codes != 2)
    return None


def _onto(path: Path, mask: Bools, photo: Raster) -> Bools:
    """Return a mask on a scene's own pixels brought onto the photo as it was read."""
    out = np.zeros(photo.grid.shape, np.uint8)
    with rasterio.open(path) as source:
        reproject(mask.astype(np.uint8), out, src_transform=source.transform, src_crs=source.crs,
                  dst_transform=photo.grid.transform, dst_crs=photo.grid.crs.to_wkt(),
                  resampling=Resampling.nearest)  # fmt: skip
    return out > 0


def iou(a: Bools, b: Bools) -> float:
    """Intersection over union."""
    return float((a & b).sum() / max((a | b).sum(), 1))


def f1(a: Bools, b: Bools) -> float:
    """Harmonic mean of precision and recall."""
    return float(2 * (a & b).sum() / max(a.sum() + b.sum(), 1))


def _inner(truth: NDArray[np.int_]) -> Bools:
    """Return pixels whose eight neighbours are of their own class."""
    box = np.ones((3, 3), bool)
    low = ndimage.minimum_filter(truth, footprint=box)
    return np.asarray(low == ndimage.maximum_filter(truth, footprint=box))


def _confusion(found: NDArray[np.uint8], truth: NDArray[np.uint8], names: dict[int, str]) -> None:
    heads: Sequence[str] = [c.name.lower() for c in OURS]
    print(f"| truth, % of it found as | {' | '.join(heads)} | pixels |")
    print("|---" * (len(OURS) + 2) + "|")
    for code, name in names.items():
        here = truth == code
        shares = [100 * (found[here] == c).mean() for c in OURS] if here.any() else []
        print(f"| {name} | {' | '.join(f'{s:.1f}' for s in shares)} | {here.sum()} |")


if __name__ == "__main__":
    main()
