"""What decides that an object in a photo is open water, with infrared and without."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class InfraredWaterParams:
    """How an object is judged by green and infrared. Judgement, tuned on photos, unless marked.

    Pairs are the values between which a mark goes from 0 to 1 or from 1 to 0.

    Parameters
    ----------
    cut_limits
        Limits of the threshold of the water index that a photo may set; the published one is 0
        (McFeeters 1996).
    seed_dark
        Seeds are darker in infrared than this share of the land.
    dark, dark_weight
        Infrared as a share of the land's, water being dark; darkness counts so many times.
    smooth
        Logarithm (base 10) of roughness over the land's, water being smooth.
    strong
        Water index, water's being high.
    shade_index, shade, shade_loss
        Shade keeps the colour of its ground: where a share of the bank between `shade` has more
        than `shade_index` times the object's water index, the score loses up to `shade_loss`.
    grey, grey_loss
        Asphalt, slate and tar are grey out into the infrared: objects with a water index below
        `grey` lose up to `grey_loss`.
    edge_slack
        How far below the threshold the water index of a pixel at the edge may fall.
    plain_water, apart, stand_in
        A photo whose median water index is above `plain_water`, and whose bright and dark halves
        differ by less than `apart` times in infrared, is all water; `stand_in` times its green
        then stands for the infrared of land.
    """

    cut_limits: tuple[float, float] = (-0.05, 0.3)
    seed_dark: float = 0.6
    dark: tuple[float, float] = (0.25, 0.6)
    dark_weight: float = 2.0
    smooth: tuple[float, float] = (-0.9, 0.0)
    strong: tuple[float, float] = (0.0, 0.5)
    shade_index: float = 0.5
    shade: tuple[float, float] = (0.08, 0.25)
    shade_loss: float = 0.4
    grey: tuple[float, float] = (0.08, 0.2)
    grey_loss: float = 0.4
    edge_slack: float = 0.1
    plain_water: float = 0.3
    apart: float = 1.5
    stand_in: float = 2.0


@dataclass(frozen=True)
class ColourWaterParams:
    """How an object is judged by red, green and blue. Judgement, tuned on photos.

    Pairs are the values between which a mark goes from 0 to 1 or from 1 to 0. Blueness is blue
    less the mean of red and green, over the sum of all three; logarithms are to base 10.

    Parameters
    ----------
    window_px
        Roughness is measured over at least so many pixels, where that is no more than twice
        `texture_m`.
    least_reach_px
        The edge of an object is looked for at least this far about it.
    rough_percentile
        Percentile of roughness over the land that stands for the land.
    land_cool, land_blue_slack, land_rough_slack
        A bright pixel is land where green or blue exceed red by less than `land_cool` of the sum,
        or where it is less blue than the land by `land_blue_slack`; any pixel is land where the
        logarithm of its roughness is not below the land's by `land_rough_slack`.
    smooth, smooth_weight
        Logarithm of roughness over the land's; smoothness counts so many times.
    compact
        Half width over the radius of a disc of the same area.
    cool
        Blueness over the land's.
    dark
        Red as a share of the photo's threshold of red.
    rough_loss, smooth_enough
        An object hardly smoother than the land loses up to `rough_loss`, none from
        `smooth_enough` on.
    crop_green, clear, calm, crop_loss
        An object as green as a close crop (`crop_green`: excess green, Woebbecke et al. 1995) loses
        up to `crop_loss`, unless its ratio of blue to green is that of clear or glacial water
        (`clear`) or its roughness over the land's that of calm water (`calm`).
    least_share, refuse_share
        Objects smaller than `least_share` of `min_area_m2` are never water; those refused that are
        larger than `refuse_share` of it are surely not.
    """

    window_px: int = 5
    least_reach_px: int = 6
    rough_percentile: float = 75.0
    land_cool: float = 0.03
    land_blue_slack: float = 0.05
    land_rough_slack: float = 0.35
    smooth: tuple[float, float] = (-0.9, -0.4)
    smooth_weight: float = 2.0
    compact: tuple[float, float] = (0.15, 0.6)
    cool: tuple[float, float] = (-0.05, 0.1)
    dark: tuple[float, float] = (0.4, 1.0)
    rough_loss: float = 0.5
    smooth_enough: float = 0.25
    crop_green: tuple[float, float] = (0.22, 0.3)
    clear: tuple[float, float] = (0.8, 0.95)
    calm: tuple[float, float] = (-0.9, -0.7)
    crop_loss: float = 0.5
    least_share: float = 0.25
    refuse_share: float = 0.5


@dataclass(frozen=True)
class WaterParams:
    """How open water is recognised. All values are judgement.

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
    room
        Logarithm (base 10) of the half width in metres, between that of a ditch and that of open
        water.
    accept
        Objects scoring less than this, 0 to 1, are not water.
    grow_m, spot_m2
        Without infrared: how far about an object its edge is looked for, and the area from which
        a rough spot amid calm water (weed, ripples) is land.
    infrared, colour
        How objects are judged with infrared, and without.
    """

    min_area_m2: float = 200.0
    min_area_rgb_m2: float = 800.0
    min_island_m2: float = 25.0
    island_m2: float = 5_000.0
    texture_m: float = 5.0
    bank_m: float = 4.0
    room: tuple[float, float] = (0.3, 1.5)
    accept: float = 0.5
    grow_m: float = 60.0
    spot_m2: float = 800.0
    infrared: InfraredWaterParams = field(default_factory=InfraredWaterParams)
    colour: ColourWaterParams = field(default_factory=ColourWaterParams)
