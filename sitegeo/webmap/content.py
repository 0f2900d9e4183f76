"""What a map page is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd

from sitegeo.grid import Raster
from sitegeo.units import LengthUnit


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
