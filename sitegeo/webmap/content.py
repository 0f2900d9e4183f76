"""What a map page is made from: the content of a plan, and of the wind as it turns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd

from sitegeo.core.grid import Raster
from sitegeo.core.typing import ByteArray, FloatArray
from sitegeo.units import LengthUnit


@dataclass(frozen=True)
class WindView:
    """The place under one of the winds of a `TurningWind`.

    Parameters
    ----------
    from_deg, words
        The wind, from its true bearing.
    order
        Ids of the blinds, best first.
    layout, side, why, grades
        For each blind in that order: its layout, the wind against its front, why it ranks there,
        and how good each of `TurningWind.components` is: `g` good, `f` fair, `p` poor.
    banks
        (stations,) kind of bank: 0 none, 1 sheltered, 2 between, 3 wind-beaten.
    calm_strip_m
        (stations,) width of the calm water; 0 where there is none.
    lee
        Outlines of the sheltered water, closed (n, 2) rings in the place's CRS.
    drawn
        Spreads of blinds under this wind by id, as `MapContent.features`.
    """

    from_deg: float
    words: str
    order: tuple[str, ...]
    layout: tuple[str, ...]
    side: tuple[str, ...]
    why: tuple[str, ...]
    grades: tuple[str, ...]
    banks: ByteArray
    calm_strip_m: FloatArray
    lee: tuple[FloatArray, ...]
    drawn: Mapping[str, gpd.GeoDataFrame]


@dataclass(frozen=True)
class TurningWind:
    """Winds evenly round the compass, the plan's own first.

    Parameters
    ----------
    components
        What the grades speak of.
    stations
        Each station's piece of bank, with `facing_deg` over the water.
    winds
        The place under each of them.
    """

    components: tuple[str, ...]
    stations: gpd.GeoDataFrame
    winds: tuple[WindView, ...]


@dataclass(frozen=True)
class MapContent:
    """Everything the page shows; frames and photo share the place's metric CRS.

    Parameters
    ----------
    title
        The place.
    wind_from_deg
        True bearing the wind comes from; None in a calm.
    wind_words
        The wind as a person says it.
    blinds
        Points with id, rank, kind, layout, wind_side, why, verdict_words, cautions (one a line),
        chosen and facing_deg.
    features
        The plan: role, name, order, count, range_yd, bearing_true, bearing_magnetic, note. Empty
        for a plan that was refused.
    layers
        Context layers by the name of their contract. A layer that is absent was not checked.
    photo
        Bands red, green and blue as bytes, or None.
    headline
        One sentence: why this layout, or why none.
    verdicts, cautions
        Sentences for the chosen blind.
    credits
        Attributions the data ask for.
    units
        What lengths are shown in.
    turn
        The place as the wind turns; None where it cannot be turned.
    drawn
        Plans of other blinds for this wind by id, as `features`: what of them is drawn.
    """

    title: str
    wind_from_deg: float | None
    wind_words: str
    blinds: gpd.GeoDataFrame
    features: gpd.GeoDataFrame
    layers: Mapping[str, gpd.GeoDataFrame]
    photo: Raster | None
    headline: str
    verdicts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    credits: tuple[str, ...] = ()
    units: LengthUnit = "yd"
    turn: TurningWind | None = None
    drawn: Mapping[str, gpd.GeoDataFrame] = field(default_factory=dict)
