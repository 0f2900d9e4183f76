"""Land in a photo: trees, low cover, open ground, and what is built or bare.

Plants are green; trees among them are the rough and dark ones, low cover the rough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.typing import BoolArray, ByteArray, Float32Array
from sitegeo.landcover.filters import (
    BINOMIAL_5,
    box_mean,
    convolve,
    gaussian_weights,
    texture,
    window_minimum,
)
from sitegeo.landcover.indices import ndvi, otsu, otsu_low_of_three, window_radius_px
from sitegeo.landcover.open_water import Planes

_CLASSES = (Cover.TREE, Cover.LOW, Cover.OPEN, Cover.BUILT)
_BLUR_2 = gaussian_weights(2.0)

_SMOOTHEST = 1e-3
"""Least contrast that is told apart, as a share of brightness."""


@dataclass(frozen=True)
class LandParams:
    """How land is told apart. All values are judgement, tuned on photos.

    Brightness is 0 to about 1, the photo's brightest.

    Parameters
    ----------
    crown_m
        Window in which the contrast of tree crowns is measured.
    smooth_m
        Classes are smoothed over this distance.
    coarsest_crown_m
        Pixels larger than this show no single crown: only broad stands are taken for trees.
    infrared_limits, colour_limits
        Limits of the greenness from which ground is green: of the vegetation index, and of excess
        green without infrared.
    leaf_slack
        How far the greenness of leaves may lie above the upper of these limits.
    crown_limits, rough_limits
        Limits of the contrast, as a share of brightness, from which plants are trees, and from
        which the rest is low cover. Leaves and gaps between crowns differ by 5 to 7 % at least.
    least_light, least_sum
        Added to the brightness of green before its logarithm is taken, and least sum of red,
        green and blue: deep shade is noise.
    least_trust, more_trust
        Confidence in a class at the limit that parts it from its rival, and what it has more far
        from it.
    clear_greenness, clear_crown
        What is far from the limit: the difference of greenness for bare ground, of the logarithm of
        contrast for plants.
    """

    crown_m: float = 5.0
    smooth_m: float = 5.0
    coarsest_crown_m: float = 2.5
    infrared_limits: tuple[float, float] = (-0.05, 0.05)
    colour_limits: tuple[float, float] = (0.0, 0.15)
    leaf_slack: float = 0.05
    crown_limits: tuple[float, float] = (0.05, 0.07)
    rough_limits: tuple[float, float] = (0.02, 0.05)
    least_light: float = 0.02
    least_sum: float = 0.05
    least_trust: float = 0.6
    more_trust: float = 0.35
    clear_greenness: float = 0.1
    clear_crown: float = 0.7


@dataclass(frozen=True)
class LandReader:
    """Reads land with or without infrared, by levels learned from the photo.

    Parameters
    ----------
    pixel_m, params, infrared
        Pixel of the photo, how land is told apart, and whether the photo has infrared.
    haze
        The darkest red, green and blue: haze lifts blue above all, and the darkest pixels show by
        how much (Chavez 1988).
    green_cut, leaf_cut, leaf_light, crown_cut, low_cut
        Levels of the photo: greenness of plants and of leaves, logarithm of the brightness of
        leaves, and of the contrast of trees and of low cover.
    """

    pixel_m: float
    params: LandParams
    infrared: bool
    haze: tuple[float, float, float] = (0.0, 0.0, 0.0)
    green_cut: float = 0.0
    leaf_cut: float = 0.0
    leaf_light: float = 0.0
    crown_cut: float = 0.0
    low_cut: float = 0.0

    @property
    def margin(self) -> int:
        """How far about a pixel is looked, in pixels."""
        crown = window_radius_px(self.params.crown_m, self.pixel_m)
        blur = window_radius_px(self.params.smooth_m, self.pixel_m)
        return 3 * crown + 2 * blur + len(_BLUR_2) // 2 + 4

    def planes(self, bands: Planes, land: BoolArray) -> Planes:
        """Return what is measured at each pixel of land."""
        window = window_radius_px(self.params.crown_m, self.pixel_m)
        log_green = np.log(bands["green"] + np.float32(self.params.least_light))
        contrast = texture(log_green, window, where=land)
        rough = np.log(contrast + np.float32(_SMOOTHEST))
        blur = window_radius_px(self.params.smooth_m, self.pixel_m)
        return {
            "greenness": self._greenness(bands),
            "light": log_green,
            "crown": box_mean(rough - log_green, blur),
            # A pixel just inside an edge keeps the roughness of its own side (Kuwahara 1976).
            "rough": np.log(window_minimum(contrast, window) + np.float32(_SMOOTHEST)),
        }

    def _greenness(self, bands: Planes) -> Float32Array:
        if self.infrared:
            return ndvi(convolve(bands["red"], BINOMIAL_5), convolve(bands["nir"], BINOMIAL_5))
        red, green, blue = (
            convolve(np.maximum(bands[n] - np.float32(floor), 0), _BLUR_2)
            for n, floor in zip(("red", "green", "blue"), self.haze, strict=True)
        )
        total = np.maximum(red + green + blue, np.float32(self.params.least_sum))
        return np.asarray((2 * green - red - blue) / total, np.float32)

    def fit(self, sample: Planes) -> LandReader:
        """Return the reader with the levels of a photo, from a sample of its land."""
        greenness = sample["greenness"]
        if not greenness.size:
            return self
        params = self.params
        limits = params.infrared_limits if self.infrared else params.colour_limits
        halves = otsu(greenness)
        # With infrared three classes show: bare, sparse or dry, and green.
        low = otsu_low_of_three(greenness) if self.infrared else halves
        green_cut = float(np.clip(low, *limits))
        leaf_cut = float(np.clip(halves, green_cut, limits[1] + params.leaf_slack))
        leafy = greenness > leaf_cut
        light = float(np.median(sample["light"][leafy])) if leafy.any() else 0.0
        crown_cut = _threshold(sample["crown"][leafy] + light, *params.crown_limits)
        meadow = (greenness > green_cut) & (sample["crown"] + light <= crown_cut)
        low_cut = _threshold(sample["rough"][meadow], *params.rough_limits)
        return replace(self, green_cut=green_cut, leaf_cut=leaf_cut, leaf_light=light,
                       crown_cut=crown_cut, low_cut=low_cut)  # fmt: skip

    def classes(
        self, planes: Planes, land: BoolArray, island: BoolArray
    ) -> tuple[ByteArray, Float32Array]:
        """Return the class of land pixels and its certainty.

        Parameters
        ----------
        planes
            As `planes` gives them.
        land
            Pixels of land, shape (rows, columns).
        island
            Pixels of small islands: rough ground alone in water is reeds or brush, green or not.

        Returns
        -------
        classes, certainty
            `Cover` codes, and 0 to 1; 0 where there is no land.
        """
        greenness, crown = planes["greenness"], planes["crown"] + np.float32(self.leaf_light)
        plants = land & (greenness > self.green_cut)
        tree = land & (greenness > self.leaf_cut) & (crown > self.crown_cut)
        if self.pixel_m > self.params.coarsest_crown_m:
            tree = ndimage.binary_opening(tree, np.ones((3, 3), bool), iterations=2)
        low = (plants | (island & land)) & ~tree & (planes["rough"] > self.low_cut)
        members = (tree, low, plants & ~tree & ~low, land & ~plants & ~low)
        classes, agreement = _vote(
            land, members, window_radius_px(self.params.smooth_m, self.pixel_m)
        )
        # The farther from the limit that parted it from its rival, the surer.
        clear = np.where(
            classes == Cover.BUILT,
            (np.float32(self.green_cut) - greenness) * np.float32(1 / self.params.clear_greenness),
            np.abs(crown - np.float32(self.crown_cut)) * np.float32(1 / self.params.clear_crown),
        )
        least, more = np.float32(self.params.least_trust), np.float32(self.params.more_trust)
        sure = agreement * (least + more * np.clip(clear, 0, 1))
        return classes, sure * land


def _vote(
    land: BoolArray, members: Sequence[BoolArray], radius: int
) -> tuple[ByteArray, Float32Array]:
    """Return the commonest land class about each pixel, and its share."""
    classes = np.zeros(land.shape, np.uint8)
    best = np.zeros(land.shape, np.float32)
    total = np.full(land.shape, np.float32(1e-6))
    for code, member in zip(_CLASSES, members, strict=True):
        votes = box_mean(member, radius)
        np.copyto(classes, np.uint8(code), where=votes > best)
        np.maximum(best, votes, out=best)
        total += votes
    return classes * land, best / total


def _threshold(log_values: Float32Array, low: float, high: float) -> float:
    """Return Otsu's threshold of logarithms, held between two plain values."""
    cut = otsu(log_values) if log_values.size else 0.0
    return float(np.clip(cut, np.log(low), np.log(high)))
