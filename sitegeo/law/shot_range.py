"""Where the fall of a load could reach something, worked through the whole circle.

Shots start at the guns, birds flare and pass overhead, so every direction counts, not only the
front. The range is Journée's rule for lead, 2200 yards per inch of pellet diameter (second-hand,
from a reprinted gun-club safety article), raised for shot denser than lead and never lowered for
lighter shot, with a margin for a tail wind. Shot may carry farther: ricochet off water, ice or
ground is not modelled, and terrain and timber are never counted as a backstop.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import signed_diff_deg, unit_from_bearing
from sitegeo.core.grid import convergence_deg, require_metric, require_same_crs
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray
from sitegeo.errors import UsageError
from sitegeo.law.features import building_extent_m, half_pavement_m, plain_word
from sitegeo.law.geodesic import buffered, scale_over
from sitegeo.units import yd

_JOURNEE_YD_PER_INCH = 2200
"""How far lead falls per inch of pellet diameter (Journée's rule, second-hand: see above)."""

LEAD_G_CM3 = 11.34
"""Density of lead."""
NONTOXIC_G_CM3 = {"steel": 7.8, "bismuth": 9.6, "tungsten": 18.2}
"""Densities in g/cm³, from memory; tungsten is taken as the densest alloy sold."""

_LETTER_SIZES = {"1": 16, "BB": 18, "BBB": 19}
"""Pellet diameters in hundredths of an inch; a size in figures is as many below 17; from memory."""
DEFAULT_LOAD = "steel BB"
"""Taken where no load is written: among the largest nontoxic pellets in common use; judgement."""

TAIL_WIND_SHARE = 0.15 / (16 / 3.6)
"""Added range per m/s of tail wind: 15 % at 16 km/h (a magazine's answer; weak)."""

UNKNOWN_GUST_MPS = 13.8
"""The gust taken where no wind is given: the most of a strong breeze, Beaufort 6."""

PUBLIC_WAYS = frozenset({
    "footway", "path", "bridleway", "cycleway", "steps", "track", "pedestrian",
})  # fmt: skip
"""Classes of roads layer that people walk or ride on."""

FRONT_DEG, REAR_DEG = 60.0, 120.0
"""To the front is within this of the facing, to the rear beyond that; judgement."""

_DIRECTIONS = 360
"""Directions of fire looked at, one a degree."""

SCATTER_DEG = 6.0
"""Half the angle a pattern and a swinging gun may stray from a line; judgement."""


@dataclass(frozen=True)
class Load:
    """A nontoxic load: what it is and how far it may fall without wind."""

    name: str
    range_m: float


@dataclass(frozen=True)
class ClosedArc:
    """Directions in which no shot may be fired, true degrees clockwise, and why."""

    from_deg: float
    to_deg: float
    reason: str
    side: str


@dataclass(frozen=True)
class ShotFall:
    """The circle of fire about the guns.

    Parameters
    ----------
    load, longest_m
        What is shot, and how far it may fall with the gust behind it.
    closed
        Arcs in which the load could fall on something mapped.
    open_arcs
        The rest, as (from, to); empty where anything was not checked: nothing is then safe.
    not_checked
        Layers that were missing.
    """

    load: Load
    longest_m: float
    closed: tuple[ClosedArc, ...]
    open_arcs: tuple[tuple[float, float], ...]
    not_checked: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """`not checked` where a layer is missing, `inside` with no arc left, else `clear`."""
        if self.not_checked:
            return "not checked"
        return "clear" if self.open_arcs else "inside"


def read_load(text: str | None) -> Load:
    """Return a load written as material and size, such as ``"steel 2"`` or ``"bismuth BB"``.

    Raises
    ------
    UsageError
        For a load that cannot be read, or one that is not nontoxic.
    """
    words = (text or DEFAULT_LOAD).strip()
    match = re.fullmatch(r"([A-Za-z]+)\s*#?\s*(\d{1,2}|BBB|BB)", words, re.IGNORECASE)
    known = ", ".join(NONTOXIC_G_CM3)
    remedy = f'Write for example "{DEFAULT_LOAD}"; materials are {known}, sizes 9 to 1, BB, BBB'
    if match is None:
        raise UsageError("this load cannot be read", value=words, remedy=remedy)
    material, size = match[1].lower(), match[2].upper()
    if material not in NONTOXIC_G_CM3:
        raise UsageError("only nontoxic loads are offered", value=words, remedy=remedy)
    if size.isdigit() and not 1 <= int(size) <= 9:
        raise UsageError("this pellet size is not known", value=words, remedy=remedy)
    hundredths = _LETTER_SIZES[size] if size in _LETTER_SIZES else 17 - int(size)
    denser = max(1.0, NONTOXIC_G_CM3[material] / LEAD_G_CM3)
    return Load(f"{material} {size}", yd(_JOURNEE_YD_PER_INCH * hundredths / 100) * denser)


def fall_range_m(
    load: Load,
    shot_deg: FloatArray,
    *,
    wind_from_deg: float | None,
    gust_mps: float,
    spread_deg: float = 0.0,
) -> FloatArray:
    """Return how far a load may fall in true directions, longer with the wind, never shorter.

    The gust may blow from anywhere within two standard deviations of the wind's direction, and
    without a direction from behind every shot.

    Parameters
    ----------
    load
        What is shot.
    shot_deg
        True bearings of the shots.
    wind_from_deg, gust_mps
        Where the wind comes from, None where that is not known, and its gusts.
    spread_deg
        Standard deviation of the wind's direction.

    Returns
    -------
    FloatArray
        Metres, of the shape of `shot_deg`.

    Examples
    --------
    >>> import numpy as np
    >>> load = read_load("steel 2")
    >>> shots = np.array([0.0, 180.0])
    >>> fall_range_m(load, shots, wind_from_deg=180.0, gust_mps=10.0).round().tolist()
    [404.0, 302.0]
    """
    if wind_from_deg is None:
        tail = np.ones_like(shot_deg)
    else:
        off = np.abs(signed_diff_deg(shot_deg, wind_from_deg + 180.0))
        tail = np.cos(np.deg2rad(np.maximum(off - 2 * spread_deg, 0.0)))
    return np.asarray(load.range_m * (1 + TAIL_WIND_SHARE * gust_mps * np.clip(tail, 0.0, 1.0)))


def shot_fall(
    hide: shapely.Point,
    facing_deg: float,
    *,
    crs: object,
    load: Load,
    wind_from_deg: float | None,
    gust_mps: float,
    guns_error_m: float,
    layers: Mapping[str, gpd.GeoDataFrame | None],
    spread_deg: float = 0.0,
    complete: frozenset[str] = frozenset(),
    covered: Mapping[str, BaseGeometry] | None = None,
) -> ShotFall:
    """Return the arcs of fire about a hide that what is mapped closes.

    Parameters
    ----------
    hide, facing_deg
        Where the guns are, in the projected metric `crs`, and the true bearing they face.
    load
        What they shoot.
    wind_from_deg, gust_mps, spread_deg
        The wind at its strongest and the standard deviation of its direction; without a
        direction, from behind every shot.
    guns_error_m
        How far off the guns and the mapped features may be.
    layers
        What must not be under the fall of shot, by name; None where a layer is missing. One that
        is empty counts as missing unless `complete` names it.
    complete
        Names of layers in which everything has been mapped.
    covered
        Where each layer has anything to say; shots that may fall beyond are closed.

    Returns
    -------
    ShotFall

    Raises
    ------
    CrsError
        If a layer is in another CRS.
    """
    metric = require_metric(crs)  # type: ignore[arg-type]
    shots = np.arange(_DIRECTIONS, dtype=float)
    ranges = fall_range_m(
        load, shots, wind_from_deg=wind_from_deg, gust_mps=gust_mps, spread_deg=spread_deg
    )
    missing = tuple(
        n for n, layer in layers.items() if layer is None or (layer.empty and n not in complete)
    )
    turn = convergence_deg(metric, hide.x, hide.y)
    scale = scale_over(metric, np.array([hide.buffer(float(ranges.max()))]))
    wedges = _wedges(hide, shots - turn, ranges * scale.most, guns_error_m * scale.most)
    reasons: dict[int, set[str]] = {}
    far_m = float(ranges.max()) + guns_error_m
    for name, whole in layers.items():
        if whole is None or whole.empty:
            continue
        require_same_crs(metric, whole.crs, where=name)
        shapes, size_m = whole.geometry.to_numpy(), feature_extent_m(whole)
        # 1 % past what the chords of a wedge and of a grown shape may add.
        near = shapely.distance(shapes, hide) <= 1.01 * scale.most * (far_m + size_m)
        mapped, names = buffered(shapes[near], size_m[near], scale), _names(whole[near], name)
        for shot, feature in shapely.STRtree(mapped).query(wedges, predicate="intersects").T:
            reasons.setdefault(int(shot), set()).add(names[feature])
    for name, area in (covered or {}).items():
        if name in layers:
            for shot in np.flatnonzero(~shapely.covers(area, wedges)):
                reasons.setdefault(int(shot), set()).add(f"beyond the map of {name}")
    closed = _arcs(reasons, facing_deg)
    open_arcs = () if missing else _between(closed)
    return ShotFall(load, float(ranges.max()), closed, open_arcs, missing)


def feature_extent_m(layer: gpd.GeoDataFrame) -> FloatArray:
    """Return how far what is mapped may really reach beyond its geometry."""
    if "class" in layer.columns:
        return half_pavement_m(layer)
    if "kind" in layer.columns:
        return building_extent_m(layer)
    return np.zeros(len(layer))


def _names(layer: gpd.GeoDataFrame, name: str) -> list[str]:
    """Return what to call each feature: its layer, or a public way for what people walk on."""
    if "class" not in layer.columns:
        return [name] * len(layer)
    return ["public ways" if plain_word(c) in PUBLIC_WAYS else name for c in layer["class"]]


def _wedges(
    hide: shapely.Point,
    bearing_grid: FloatArray,
    length: FloatArray,
    error_m: float,
) -> ObjectArray:
    """Return the ground each direction of fire can reach, grown by the error."""
    half = 0.5 + SCATTER_DEG
    # The far edge of a wedge is a chord: lengthened so that the middle of the arc is inside.
    reach = length / np.cos(np.deg2rad(half))
    left, right = (np.stack(unit_from_bearing(bearing_grid + s * half), axis=1) for s in (-1, 1))
    guns = np.array([hide.x, hide.y])
    corners = np.stack(
        [
            np.broadcast_to(guns, left.shape),
            guns + left * reach[:, None],
            guns + right * reach[:, None],
        ],
        axis=1,
    )
    return np.asarray(shapely.buffer(shapely.polygons(corners), error_m, quad_segs=4))


def _arcs(reasons: dict[int, set[str]], facing_deg: float) -> tuple[ClosedArc, ...]:
    """Return closed directions joined into arcs, each widened to whole steps outward."""
    if not reasons:
        return ()
    if len(reasons) >= _DIRECTIONS - 1:  # widened outward, the rest meets
        words = ", ".join(sorted(set().union(*reasons.values())))
        return (ClosedArc(0.0, 360.0, words, "all round"),)
    starts = [i for i in sorted(reasons) if (i - 1) % _DIRECTIONS not in reasons]
    arcs = []
    for start in starts:
        stop = start
        held = set(reasons[start])
        while (stop + 1) % _DIRECTIONS in reasons:
            stop += 1
            held |= reasons[stop % _DIRECTIONS]
        first, last = float((start - 1) % _DIRECTIONS), float((stop + 1) % _DIRECTIONS)
        arcs.append(ClosedArc(first, last, ", ".join(sorted(held)), _side(start, stop, facing_deg)))
    return tuple(sorted(arcs, key=lambda arc: arc.from_deg))


def _side(start: int, stop: int, facing_deg: float) -> str:
    """Return whether an arc is met by shots to the front, to the side or to the rear."""
    turns = np.abs(signed_diff_deg(np.arange(start, stop + 1), facing_deg))
    ahead, behind = turns <= FRONT_DEG, turns >= REAR_DEG
    sides = (("front", ahead), ("side", ~ahead & ~behind), ("rear", behind))
    return ", ".join(name for name, held in sides if held.any())


def side_words(fall: ShotFall, facing_deg: float) -> dict[str, str]:
    """Return what is closed to shots in front, overhead and to the rear, in words.

    Birds flare and cross over, so a shot overhead may go toward any bearing.
    """
    bearings = np.arange(_DIRECTIONS, dtype=float)
    turns = np.abs(signed_diff_deg(bearings, facing_deg))
    sides = {
        "front": turns <= FRONT_DEG,
        "overhead": np.ones(bearings.size, dtype=bool),
        "rear": turns >= REAR_DEG,
    }
    shut = np.zeros(bearings.size, dtype=bool)
    for arc in fall.closed:
        width = 360.0 if arc.to_deg == 360.0 else (arc.to_deg - arc.from_deg) % 360
        shut |= (bearings - arc.from_deg) % 360 <= width
    return {name: _side_words(shut[held], fall) for name, held in sides.items()}


def _side_words(shut: BoolArray, fall: ShotFall) -> str:
    if fall.not_checked:
        return "not checked"
    if shut.all():
        return "no fire"
    return f"no fire in {shut.mean():.0%} of it" if shut.any() else "nothing mapped in reach"


def _between(closed: tuple[ClosedArc, ...]) -> tuple[tuple[float, float], ...]:
    if not closed:
        return ((0.0, 360.0),)
    around = (*closed, closed[0])
    gaps = [(a.to_deg, b.from_deg) for a, b in pairwise(around)]
    # Arcs widened outward may meet: no gap is left between them then.
    return tuple(g for g in gaps if (g[1] - g[0]) % 360 > 0)


def closed_sectors(
    fall: ShotFall, hide: shapely.Point, convergence: float
) -> list[tuple[ClosedArc, shapely.Polygon]]:
    """Return each closed arc with its sector about the hide, for drawing.

    Parameters
    ----------
    fall
        The circle of fire.
    hide
        Where the guns are, in a projected metric CRS.
    convergence
        Meridian convergence there, degrees: true bearing less grid bearing.

    Returns
    -------
    list of (ClosedArc, Polygon)
        Sectors out to the longest fall, in that CRS.
    """
    drawn = []
    for arc in fall.closed:
        width = (arc.to_deg - arc.from_deg) % 360 or 360.0
        bearings = arc.from_deg - convergence + np.linspace(0, width, max(3, int(width) + 1))
        east, north = unit_from_bearing(bearings)
        rim = np.column_stack([hide.x + fall.longest_m * east, hide.y + fall.longest_m * north])
        ring = rim if width == 360.0 else np.vstack([[hide.x, hide.y], rim])
        drawn.append((arc, shapely.Polygon(ring)))
    return drawn
