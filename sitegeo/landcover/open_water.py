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
from sitegeo.landcover.water_params import WaterParams

Planes = dict[str, Float32Array]
"""Planes of one shape by name: bands of a photo, or what is measured of them."""

_SMOOTHEST = 1e-3
"""Least brightness spread that is told apart: a quarter of an 8-bit step."""


@dataclass(frozen=True)
class ObjectVerdicts:
    """Which objects of a photo are water; index 0 is no object.

    Parameters
    ----------
    score
        0 to 1 for each object.
    accepted, refused
        Whether it is water, and whether it surely is not.
    limits
        Shape (limits, objects): what the edge of each is drawn by, beside its pixels.
    """

    score: FloatArray
    accepted: BoolArray
    refused: BoolArray
    limits: FloatArray


class WaterReader(Protocol):
    """How water is read from bands of one kind."""

    @property
    def margin(self) -> int:
        """How far about a pixel its planes look, in pixels."""

    @property
    def bank_px(self) -> int:
        """Width of the bank of an object."""

    @property
    def reach(self) -> int:
        """How far about an object its edge is looked for, in pixels; no less than the bank."""

    @property
    def needs_sure_land(self) -> bool:
        """Whether `edge` must be given what is surely land."""

    @property
    def min_area_m2(self) -> float:
        """Smaller waters are dropped."""

    def planes(self, bands: Planes, *, judging: bool = True) -> Planes:
        """Return what is measured at each pixel, from `margin` pixels about it.

        Where objects are judged already, what only serves to judge them may be left out.
        """

    def fit(self, sample: Planes) -> WaterReader:
        """Return the reader with the levels of a photo, from a sample of its planes."""

    def seeds(self, planes: Planes, valid: BoolArray) -> BoolArray:
        """Return pixels sure enough to make objects of; looks at two pixels about each."""

    def object_planes(self, planes: Planes) -> list[Float32Array]:
        """Return the planes whose means over each object are wanted."""

    def bank_planes(self, planes: Planes) -> list[Float32Array]:
        """Return the planes whose means over its bank are wanted."""

    def judge(self, objects: Objects) -> ObjectVerdicts:
        """Return which objects are water."""

    def sure_land(self, planes: Planes, objects: Int32Array) -> BoolArray:
        """Return what is surely land.

        `objects` holds the accepted objects, -1 where one was refused.
        """

    def edge(
        self,
        planes: Planes,
        objects: Int32Array,
        *,
        near: Int32Array,
        verdicts: ObjectVerdicts,
        sure_land: BoolArray | None = None,
    ) -> BoolArray:
        """Return the pixels of water, from `reach` pixels about each.

        Parameters
        ----------
        planes
            What is measured at each pixel, with `judging` off.
        objects
            The accepted object of each pixel, 0 for none, -1 where one was refused.
        near
            The accepted object each pixel may belong to.
        verdicts
            The verdicts on all objects of the photo.
        sure_land
            Land of some size, where `needs_sure_land`.

        Returns
        -------
        BoolArray
            Shape (rows, columns).
        """


@dataclass(frozen=True)
class InfraredWaterReader:
    """Reads water by green and infrared: McFeeters' (1996) index, thresholded after Otsu (1979).

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
    def needs_sure_land(self) -> bool:
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

    def fit(self, sample: Planes) -> InfraredWaterReader:
        index, nir = sample["index"], sample["nir"]
        land = nir > otsu(nir)
        level = float(nir[land].mean()) if land.any() else 1.0
        limits = self.params.infrared
        all_wet = np.median(index) > limits.plain_water
        if all_wet and level < limits.apart * float(nir[~land].mean()):
            # All of it is water: there is no land to compare with, so its green stands in.
            level = limits.stand_in * float(np.median(sample["green"]))
        return replace(
            self,
            # McFeeters' threshold is 0; the data may move it, not replace it.
            cut=float(np.clip(otsu(index), *limits.cut_limits)),
            land_level=level,
            land_rough=float(np.median(sample["rough"][land])) if land.any() else 0.0,
        )

    def seeds(self, planes: Planes, valid: BoolArray) -> BoolArray:
        darkest = self.params.infrared.seed_dark * self.land_level
        return open_by_cross(valid & (planes["index"] > self.cut) & (planes["nir"] < darkest))

    def object_planes(self, planes: Planes) -> list[Float32Array]:
        return [planes["nir"], planes["index"], planes["rough"]]

    def bank_planes(self, planes: Planes) -> list[Float32Array]:
        return [planes["index"], planes["nir"]]

    def judge(self, objects: Objects) -> ObjectVerdicts:
        level, index, rough = objects.mean
        limits = self.params.infrared
        dark = 1 - smoothstep(level / self.land_level, *limits.dark)
        smooth = 1 - smoothstep(rough - self.land_rough, *limits.smooth)
        strong = smoothstep(index, *limits.strong)
        roomy = _roomy(objects.half_width * self.pixel_m, self.params.room)
        score = (limits.dark_weight * dark + smooth + strong + roomy) / (limits.dark_weight + 3)
        # Shade darkens a soil and keeps its colour: much of its bank then has nearly its index.
        alike = objects.bank_above(limits.shade_index * index)
        score *= 1 - limits.shade_loss * smoothstep(alike, *limits.shade)
        # Asphalt, slate and tar are grey out into the infrared; water is not.
        score *= 1 - limits.grey_loss * (1 - smoothstep(index, *limits.grey))
        bank_level = np.where(objects.bank_pixels > 0, objects.bank[1], self.land_level)
        good = score >= self.params.accept
        return ObjectVerdicts(score, good, ~good, ((level + bank_level) / 2)[None])

    def sure_land(self, planes: Planes, objects: Int32Array) -> BoolArray:  # noqa: ARG002
        return np.asarray(planes["nir"] > self.land_level)

    def edge(
        self,
        planes: Planes,
        objects: Int32Array,  # noqa: ARG002
        *,
        near: Int32Array,
        verdicts: ObjectVerdicts,
        sure_land: BoolArray | None = None,  # noqa: ARG002
    ) -> BoolArray:
        """Return the pixels darker in infrared than half-way between object and bank.

        Parameters
        ----------
        planes, objects, near, verdicts, sure_land
            As in `WaterReader.edge`; `objects` and `sure_land` are not needed.

        Returns
        -------
        BoolArray
            Shape (rows, columns).
        """
        limit = verdicts.limits[0].astype(np.float32)[near]
        wet = planes["index"] > min(self.cut, 0.0) - self.params.infrared.edge_slack
        return np.asarray(wet & (near > 0) & (planes["nir"] < limit))


@dataclass(frozen=True)
class ColourWaterReader:
    """Reads water by red, green and blue: worse than with infrared, above all for small ponds.

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
        several_m = self.params.colour.window_px * self.pixel_m
        window_m = max(self.params.texture_m, min(several_m, 2 * self.params.texture_m))
        return window_radius_px(window_m, self.pixel_m)

    @property
    def margin(self) -> int:
        return 3 * self.radius + 2

    @property
    def bank_px(self) -> int:
        return 1

    @property
    def needs_sure_land(self) -> bool:
        return True

    @property
    def reach(self) -> int:
        least = self.params.colour.least_reach_px
        return max(least, round(self.params.grow_m / self.pixel_m))

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

    def fit(self, sample: Planes) -> ColourWaterReader:
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
            land_rough=float(np.percentile(rough[land], self.params.colour.rough_percentile)),
            land_blue=float(np.median(_blueness(*_colours(sample))[land])),
        )

    def seeds(self, planes: Planes, valid: BoolArray) -> BoolArray:
        dim = valid & (planes["red"] < self.red_cut)
        return open_by_cross(dim & (planes["rough"] < self.rough_cut))

    def object_planes(self, planes: Planes) -> list[Float32Array]:
        return [planes[n] for n in ("red", "green", "blue", "rough")]

    def bank_planes(self, planes: Planes) -> list[Float32Array]:
        return [planes["red"]]

    def _land(self, planes: Planes) -> BoolArray:
        """Return what cannot be water: rough, or bright and not blue or green."""
        red, green, blue = _colours(planes)
        limits = self.params.colour
        cool = (np.maximum(green, blue) - red) / np.maximum(red + green + blue, 1e-6)
        warm = _blueness(red, green, blue) < self.land_blue - limits.land_blue_slack
        warm_or_grey = (cool < limits.land_cool) | warm
        rough = planes["rough"] > self.land_rough - limits.land_rough_slack
        return np.asarray(rough | ((red > self.red_cut) & warm_or_grey))

    def judge(self, objects: Objects) -> ObjectVerdicts:
        red, green, blue, rough = objects.mean
        area_m2 = objects.pixels * self.pixel_m**2
        width_m = objects.half_width * self.pixel_m
        grain = rough - self.land_rough
        limits = self.params.colour
        smooth = 1 - smoothstep(grain, *limits.smooth)
        compact = smoothstep(width_m / np.sqrt(np.maximum(area_m2, 1e-6) / np.pi), *limits.compact)
        cool = smoothstep(_blueness(red, green, blue) - self.land_blue, *limits.cool)
        dark = 1 - smoothstep(red / max(self.red_cut, 1e-6), *limits.dark)
        weight = limits.smooth_weight
        roomy = _roomy(width_m, self.params.room)
        score = (weight * smooth + compact + roomy + cool + dark) / (weight + 4)
        # What is hardly smoother than the land is not water for being dark and wide.
        lost = limits.rough_loss
        score *= 1 - lost + lost * np.minimum(smooth / limits.smooth_enough, 1)
        # A close green crop is dark in red, wide and even; green water is calmer still.
        crop = smoothstep(excess_green(red, green, blue), *limits.crop_green)
        crop *= 1 - smoothstep(blue / np.maximum(green, 1e-6), *limits.clear)
        score *= 1 - limits.crop_loss * crop * smoothstep(grain, *limits.calm)
        score[area_m2 < limits.least_share * self.params.min_area_m2] = 0
        good = score >= self.params.accept
        refused = ~good & (area_m2 >= limits.refuse_share * self.params.min_area_m2)
        return ObjectVerdicts(score, good, refused, np.empty((0, len(score))))

    def sure_land(self, planes: Planes, objects: Int32Array) -> BoolArray:
        return ((planes["land"] > 0) | (objects < 0)) & (objects <= 0)

    def edge(
        self,
        planes: Planes,
        objects: Int32Array,
        *,
        near: Int32Array,
        verdicts: ObjectVerdicts,  # noqa: ARG002
        sure_land: BoolArray | None = None,
    ) -> BoolArray:
        """Return the pixels won from sure land at the strongest change of colour.

        Parameters
        ----------
        planes, objects, near, verdicts, sure_land
            As in `WaterReader.edge`; `verdicts` are not needed.

        Returns
        -------
        BoolArray
            Shape (rows, columns).
        """
        assert sure_land is not None
        other = (sure_land & (objects <= 0)) | (near == 0)
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
    return np.asarray(np.log10(std + np.float32(_SMOOTHEST)), np.float32)


def _roomy(width_m: FloatArray, room: tuple[float, float]) -> FloatArray:
    return np.asarray(smoothstep(np.log10(width_m + 1e-6), *room))
