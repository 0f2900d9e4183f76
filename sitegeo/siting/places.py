"""Which blinds are the same place to a hunter: facings of one opening, spots a few steps apart."""

from __future__ import annotations

from collections import defaultdict

import geopandas as gpd
import numpy as np
import shapely

SAME_M = 60.0
"""Blinds of one position nearer to each other than this are one place to hunt; judgement."""

ALL_ROUND = ("timber opening", "cover clump")
"""Kinds that are hunted from whichever side the wind asks for: all their blinds are one place."""


def best_of_each(blinds: gpd.GeoDataFrame) -> list[str | None]:
    """Return for each blind the better one that stands for the same place, None for the best.

    Of the facings of one timber opening or cover clump, and of blinds within 60 m of a better one
    on the same position, only the best for the wind counts as a place. Ties go to the first id.

    Parameters
    ----------
    blinds
        With `id`, `position_id`, `kind` and `score`.
    """
    at = shapely.get_coordinates(blinds.geometry)
    ids, positions = blinds["id"].to_numpy(), blinds["position_id"].to_numpy()
    kinds = blinds["kind"].to_numpy()
    kept: defaultdict[str, list[int]] = defaultdict(list)
    stands: list[str | None] = [None] * len(blinds)
    for n in np.lexsort((ids, -blinds["score"].to_numpy(float))):
        for better in kept[positions[n]]:
            if kinds[n] in ALL_ROUND or np.hypot(*(at[better] - at[n])) < SAME_M:
                stands[n] = str(ids[better])
                break
        else:
            kept[positions[n]].append(int(n))
    return stands
