"""Open water in a photo, object by object.

A pixel alone cannot be told from a wet road or a slate roof: all have more green than infrared.
So dark, wet-looking pixels are gathered into objects, and each is judged as a whole on what
water has together: it is dark, smooth, of the right colour, and has room. Only then is its edge
drawn, against its own bank.

What is done here is done with arrays of a part of a photo; `water_bodies` brings the parts
together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sitegeo.angles import smoothstep
from sitegeo.core.typing import BoolArray, Float32Array, FloatArray, Int32Array
from sitegeo.landcover.filters import (
    BINOMIAL_3,
    convolve,
    open_by_cross,
    split_at_ridges,
    texture,
    window_minimum,
)
from sitegeo.landcover.indices import excess_green, ndwi, otsu, window_radius_px
from sitegeo.landcover.labelling import Objects

Planes = dict[str, Float32Array]

# Index between which a dark object turns from surely grey to surely not, and the index of a
# photo that can only be water; infrared of land and water differ at least by the factor.
_GREY = (0.08, 0.2)
_PLAIN_WATER = 0.3
_APART = 1.5

# Excess green (Woebbecke et al. 1995) between which an object turns as green as a crop, and the
# blue to green beyond which the green is that of clear or glacial water.
_CROP_GREEN = (0.22, 0.3)
_CLEAR = (0.8, 0.95)
# Logarithm of roughness against the land's: calm as water, and as rough as a close crop.
_CALM = (-0.9, -0.7)


@dataclass(frozen=True)
class WaterParams:
    """How open water is recognised.

    Parameters
    ----------
    min_area_m2
        Smaller waters are dropped.
    min_area_rgb_m2
        The same without infrared, where a patch of shade looks like a small pond.
    min_island_m2
        Smaller gaps in water (glint, a boat) are filled.
    island_m2
        Land amid water smaller than this is an island.
    texture_m
        Window in which smoothness is measured.
    bank_m
        Width of the ring about an object taken as its bank.
    accept
        Objects scoring less than this, 0 to 1, are not water.
    grow_m, spot_m2
        Without infrared: how far about an object its edge is looked for, and the area from which
        a rough spot amid calm water (weed, ripples) is land.
    """

    min_area_m2: float = 200.0
    min_area_rgb_m2: float = 800.0
    min_island_m2: float = 25.0
    island_m2: float = 5_000.0
    texture_m: float = 5.0
    bank_m: float = 4.0
    accept: float = 0.5
    grow_m: float = 60.0
    spot_m2: float = 800.0


@dataclass(frozen=True)
class ObjectVerdicts:
    """The score of each object, 0 to 1, whether it is water or surely not, and its edge."""

    score: FloatArray
    accepted: BoolArray
    refused: BoolArray
    limits: FloatArray


@dataclass(frozen=True)
class Edges:
    """What the edge of water is drawn by: the objects judged, and land of some size if told."""

    judged: ObjectVerdicts
    ashore: BoolArray | None = None


class WaterReader(Protocol):
    """How water is read from bands of one kind."""

    @property
    def margin(self) -> int:
        """How far about a pixel its planes look."""

    @property
    def bank_px(self) -> int:
        """Width of the bank of an object."""

    @property
    def reach(self) -> int:
        """How far about an object its edge is looked for, in pixels; no less than the bank."""

    @property
    def wants_land(self) -> bool:
        """Whether `edge` must be told what is surely land."""

    @property
    def min_area_m2(self) -> float:
        """Smaller waters are dropped."""

    def planes(self, bands: Planes, *, judging: bool = True) -> Planes:
        """Return what is measured at each pixel, from `margin` pixels about it.

        Where objects are judged already, what only serves to judge them may be left out.
        """

    def learned(self, sample: Planes) -> WaterReader:
        """Return the reader with the levels of a photo, from a sample of its planes."""

    def seeds(self, planes: Planes, valid: BoolArray) -> BoolArray:
        """Return pixels sure enough to make objects of; looks at two pixels about each."""

    def held(self, planes: Planes) -> list[Float32Array]:
        """Return the planes whose means over each object are wanted."""

    def bank(self, planes: Planes) -> list[Float32Array]:
        """Return the same for its bank."""

    def judge(self, objects: Objects) -> ObjectVerdicts:
        """Return which objects are water."""

    def ashore(self, planes: Planes, objects: Int32Array) -> BoolArray:
        """Return what is surely land.

        `objects` holds the accepted objects, -1 where one was refused.
        """

    def edge(self, planes: Planes, objects: Int32Array, near: Int32Array, seen: Edges) -> BoolArray:
        """Return the pixels of water, from `reach` pixels about each.

        `near` holds the accepted object each pixel may belong to.
        """


@dataclass(frozen=True)
class InfraredWaterReader:
    """Water by McFeeters' (1996) index, thresholded after Otsu (1979).

    The limit at the edge of each object is half-way between its own infrared level and its
    bank's.
    """

    pixel_m: float
    params: WaterParams
    cut: float = 0.0
    land_level: float = 1.0
    land_rough: float = 0.0

    @property
    def radius(self) -> int:
        return window_radius_px(self.params.texture_m, self.pixel_m)

    @property
    def margin(self) -> int:
        return 3 * self.radius + 1

    @property
    def bank_px(self) -> int:
        return max(1, round(self.params.bank_m / self.pixel_m))

    @property
    def reach(self) -> int:
        return self.bank_px

    @property
    def wants_land(self) -> bool:
        return False

    @property
    def min_area_m2(self) -> float:
        return self.params.min_area_m2

    def planes(self, bands: Planes, *, judging: bool = True) -> Planes:
        green, nir = convolve(bands["green"], BINOMIAL_3), convolve(bands["nir"], BINOMIAL_3)
        planes = {"index": ndwi(green, nir), "nir": nir}
        if judging:
            rough = window_minimum(texture(nir, self.radius), self.radius)
            planes |= {"green": green, "rough": _log_rough(rough)}
        return planes

    def learned(self, sample: Planes) -> InfraredWaterReader:
        index, nir = sample["index"], sample["nir"]
        land = nir > otsu(nir)
        level = float(nir[land].mean()) if land.any() else 1.0
        if level < _APART * float(nir[~land].mean()) and np.median(index) > _PLAIN_WATER:
            # All of it is water: there is no land to compare with, so its green stands in.
            level = 2.0 * float(np.median(sample["green"]))
        return replace(
            self,
            # McFeeters' threshold is 0; the data may move it, not replace it.
            cut=float(np.clip(otsu(index), -0.05, 0.3)),
            land_level=level,
            land_rough=float(np.median(sample["rough"][land])) if land.any() else 0.0,
        )

    def seeds(self, planes: Planes, valid: BoolArray) -> BoolArray:
        wet = valid & (planes["index"] > self.cut) & (planes["nir"] < 0.6 * self.land_level)
        return open_by_cross(wet)

    def held(self, planes: Planes) -> list[Float32Array]:
        return [planes["nir"], planes["index"], planes["rough"]]

    def bank(self, planes: Planes) -> list[Float32Array]:
        return [planes["index"], planes["nir"]]

    def judge(self, objects: Objects) -> ObjectVerdicts:
        level, index, rough = objects.mean
        dark = 1 - smoothstep(level / self.land_level, 0.25, 0.6)
        smooth = 1 - smoothstep(rough - self.land_rough, -0.9, 0.0)
        strong = smoothstep(index, 0.0, 0.5)
        score = (2 * dark + smooth + strong + _roomy(objects.half_width * self.pixel_m)) / 5
        # Shade darkens a soil and keeps its colour: much of its bank then has nearly its index.
        score *= 1 - 0.4 * smoothstep(objects.bank_above(0.5 * index), 0.08, 0.25)
        # Asphalt, slate and tar are grey out into the infrared; water is not.
        score *= 1 - 0.4 * (1 - smoothstep(index, *_GREY))
        bank_level = np.where(objects.bank_pixels > 0, objects.bank[1], self.land_level)
        good = score >= self.params.accept
        return ObjectVerdicts(score, good, ~good, ((level + bank_level) / 2)[None])

    def ashore(self, planes: Planes, objects: Int32Array) -> BoolArray:  # noqa: ARG002
        return np.asarray(planes["nir"] > self.land_level)

    def edge(self, planes: Planes, objects: Int32Array, near: Int32Array, seen: Edges) -> BoolArray:  # noqa: ARG002
        limit = seen.judged.limits[0].astype(np.float32)[near]
        wet = planes["index"] > min(self.cut, 0.0) - 0.1
        return np.asarray(wet & (near > 0) & (planes["nir"] < limit))


@dataclass(frozen=True)
class ColourWaterReader:
    """Water of a photo without infrared: worse, above all for small ponds.

    Objects are smooth, dark in red, compact and no less blue than the land; what lies between
    them and certain land is parted at the strongest change of colour.
    """

    pixel_m: float
    params: WaterParams
    red_cut: float = 0.0
    rough_cut: float = 0.0
    land_rough: float = 0.0
    land_blue: float = 0.0

    @property
    def radius(self) -> int:
        # Nine pixels say little of a texture: five across are taken where that is still small.
        window_m = max(self.params.texture_m, min(5 * self.pixel_m, 2 * self.params.texture_m))
        return window_radius_px(window_m, self.pixel_m)

    @property
    def margin(self) -> int:
        return 3 * self.radius + 2

    @property
    def bank_px(self) -> int:
        return 1

    @property
    def wants_land(self) -> bool:
        return True

    @property
    def reach(self) -> int:
        return max(6, round(self.params.grow_m / self.pixel_m))

    @property
    def min_area_m2(self) -> float:
        return self.params.min_area_rgb_m2

    def planes(self, bands: Planes, *, judging: bool = True) -> Planes:
        red, green, blue = (convolve(bands[n], BINOMIAL_3) for n in ("red", "green", "blue"))
        spread = np.maximum(texture(green, self.radius), texture(red, self.radius))
        planes = {"red": red, "green": green, "blue": blue,
                  "rough": _log_rough(window_minimum(spread, self.radius))}  # fmt: skip
        if not judging:
            land = self._land(planes).astype(np.float32)
            planes |= {"land": land, "slope": _slope(red, green, blue)}
        return planes

    def learned(self, sample: Planes) -> ColourWaterReader:
        red, rough = sample["red"], sample["rough"]
        red_cut = otsu(red)
        dim = red < red_cut
        rough_cut = otsu(rough[dim]) if dim.any() else 0.0
        land = rough > rough_cut
        if not land.any():
            return replace(self, red_cut=red_cut, rough_cut=rough_cut)
        return replace(
            self,
            red_cut=red_cut,
            rough_cut=rough_cut,
            land_rough=float(np.percentile(rough[land], 75)),
            land_blue=float(np.median(_blueness(*_colours(sample))[land])),
        )

    def seeds(self, planes: Planes, valid: BoolArray) -> BoolArray:
        dim = valid & (planes["red"] < self.red_cut)
        return open_by_cross(dim & (planes["rough"] < self.rough_cut))

    def held(self, planes: Planes) -> list[Float32Array]:
        return [planes[n] for n in ("red", "green", "blue", "rough")]

    def bank(self, planes: Planes) -> list[Float32Array]:
        return [planes["red"]]

    def _land(self, planes: Planes) -> BoolArray:
        """Return what cannot be water: rough, or bright and not blue or green."""
        red, green, blue = _colours(planes)
        cool = (np.maximum(green, blue) - red) / np.maximum(red + green + blue, 1e-6)
        warm_or_grey = (cool < 0.03) | (_blueness(red, green, blue) < self.land_blue - 0.05)
        rough = planes["rough"] > self.land_rough - 0.35
        return np.asarray(rough | ((red > self.red_cut) & warm_or_grey))

    def judge(self, objects: Objects) -> ObjectVerdicts:
        red, green, blue, rough = objects.mean
        area_m2 = objects.pixels * self.pixel_m**2
        width_m = objects.half_width * self.pixel_m
        grain = rough - self.land_rough
        smooth = 1 - smoothstep(grain, -0.9, -0.4)
        compact = smoothstep(width_m / np.sqrt(np.maximum(area_m2, 1e-6) / np.pi), 0.15, 0.6)
        cool = smoothstep(_blueness(red, green, blue) - self.land_blue, -0.05, 0.1)
        dark = 1 - smoothstep(red / max(self.red_cut, 1e-6), 0.4, 1.0)
        score = (2 * smooth + compact + _roomy(width_m) + cool + dark) / 6
        # What is hardly smoother than the land is not water for being dark and wide.
        score *= 0.5 + 0.5 * np.minimum(4 * smooth, 1)
        # A close green crop is dark in red, wide and even; green water is calmer still.
        crop = smoothstep(excess_green(red, green, blue), *_CROP_GREEN)
        crop *= 1 - smoothstep(blue / np.maximum(green, 1e-6), *_CLEAR)
        score *= 1 - 0.5 * crop * smoothstep(grain, *_CALM)
        score[area_m2 < self.params.min_area_m2 / 4] = 0
        good = score >= self.params.accept
        refused = ~good & (area_m2 >= self.params.min_area_m2 / 2)
        return ObjectVerdicts(score, good, refused, np.empty((0, len(score))))

    def ashore(self, planes: Planes, objects: Int32Array) -> BoolArray:
        return ((planes["land"] > 0) | (objects < 0)) & (objects <= 0)

    def edge(self, planes: Planes, objects: Int32Array, near: Int32Array, seen: Edges) -> BoolArray:
        assert seen.ashore is not None
        other = (seen.ashore & (objects <= 0)) | (near == 0)
        return split_at_ridges(objects > 0, other, planes["slope"], self.reach) & (near > 0)


def _slope(*bands: Float32Array) -> Float32Array:
    """Return how steeply colour changes at each pixel."""
    total = np.zeros_like(bands[0])
    for band in bands:
        soft = convolve(band, BINOMIAL_3)
        down, across = np.gradient(soft)
        total += np.hypot(down, across)
    return total


def _colours(planes: Planes) -> tuple[Float32Array, Float32Array, Float32Array]:
    return planes["red"], planes["green"], planes["blue"]


def _blueness(red: NDArray, green: NDArray, blue: NDArray) -> NDArray:  # type: ignore[type-arg]
    return np.asarray((blue - (red + green) / 2) / np.maximum(red + green + blue, 1e-6))


def _log_rough(std: Float32Array) -> Float32Array:
    # A quarter of an 8-bit step is as smooth as a photo can show.
    return np.asarray(np.log10(std + np.float32(1e-3)), np.float32)


def _roomy(width_m: FloatArray) -> FloatArray:
    return np.asarray(smoothstep(np.log10(width_m + 1e-6), 0.3, 1.5))
