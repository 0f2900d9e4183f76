"""Rankings as JSON objects: what `rank`, `hours` and `season` print for machines."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.core.grid import WGS84
from sitegeo.core.wind import Wind
from sitegeo.law.safety import morning_cautions
from sitegeo.law.setbacks import SETBACK_LAYERS
from sitegeo.rankings.ranking import BlindsUnderLaw, Ranking

RANK_SCHEMA = "sitegeo/rank/1"


def ranking_record(
    ranking: Ranking, *, top: int | None = None, air_c: float | None = None
) -> dict[str, Any]:
    """Return a ranking as the object that `sitegeo rank --json` prints.

    Parameters
    ----------
    ranking
        The ranking.
    top
        So many places; every blind by default.
    air_c
        Temperature of the air, for the wind chill.

    Returns
    -------
    dict
        Blinds with their components and verdicts, best first; those rejected, and why; cautions.
    """
    blinds = ranking.blinds if top is None else ranking.places.head(top)
    return {
        "schema": RANK_SCHEMA,
        "wind": wind_record(ranking.wind),
        "when": None if ranking.when is None else ranking.when.isoformat(),
        "blinds": blind_objects(ranking, blinds),
        "rejected": [
            {"id": i, "rejected_by": r}
            for i, r in zip(ranking.rejected["id"], ranking.rejected["rejected_by"], strict=True)
        ],
        "cautions": list(morning_cautions(ranking.wind, air_c)),
    }


def wind_record(wind: Wind) -> dict[str, Any]:
    """Return a wind as a JSON object."""
    return {
        "from_deg": wind.from_deg,
        "speed_mps": round(wind.speed_mps, 3),
        "gust_mps": wind.gust_mps,
        "spread_deg": wind.spread_deg,
    }


def blind_objects(ranking: Ranking, blinds: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Return blinds as JSON objects, in their order."""
    from mgrs import MGRS  # noqa: PLC0415 (slow to import, and only for people's eyes)

    lonlat = shapely.get_coordinates(blinds.geometry.to_crs(WGS84))
    usng = MGRS()
    objects = []
    for (_, row), (lon, lat) in zip(blinds.iterrows(), lonlat.tolist(), strict=True):
        checked = ranking.verdicts[ranking.verdicts["id"] == row["id"]]
        objects.append(
            {
                "id": row["id"],
                "name": _text(row.get("name")),
                "kind": row["kind"],
                "lon": round(lon, 7),
                "lat": round(lat, 7),
                "usng": usng.toMGRS(lat, lon),
                "score": round(float(row["score"]), 4),
                "layout": row["layout"],
                "wind_side": row["wind_side"],
                "facing_deg": round(float(row["facing_deg"]), 1),
                "components": {
                    name[2:]: round(float(row[name]), 4) for name in row.index if name[:2] == "c_"
                },
                "setbacks": {
                    v["target"]: {
                        "verdict": v["verdict"],
                        "distance_m": _number(v["distance_m"]),
                        "limit_m": _number(v["limit_m"]),
                        "rule": v["rule"] or None,
                        "note": v["note"] or None,
                    }
                    for _, v in checked.iterrows()
                    if v["target"] in SETBACK_LAYERS
                },
                "land": {
                    v["target"]: {"verdict": v["verdict"], "note": v["note"]}
                    for _, v in checked.iterrows()
                    if v["target"] not in SETBACK_LAYERS
                },
                "ground": row["ground"],
                "same_place_as": _text(row.get("same_place_as")),
                "why": row.get("why"),
                "cautions": list(row.get("cautions", ())),
            }
        )
    return objects


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: Any) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), 2)


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows as JSON objects: times as ISO 8601, rounded numbers, null for what is empty."""
    return [
        {str(name): plain(value) for name, value in row.items()} for row in frame.to_dict("records")
    ]


def plain(value: Any) -> Any:
    """Return one value as JSON holds it."""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, (float, np.floating)):
        return round(float(value), 4)
    return value.item() if isinstance(value, np.generic) else value


def judged_blind_rows(judged: BlindsUnderLaw) -> list[dict[str, Any]]:
    """Return each blind that may be hunted with its setback verdicts, as JSON objects."""
    return [
        {
            "id": row["id"],
            "kind": row["kind"],
            "facing_deg": plain(row["facing_deg"]),
            "setbacks": {
                v["target"]: v["verdict"]
                for _, v in judged.verdicts[judged.verdicts["id"] == row["id"]].iterrows()
                if v["target"] in SETBACK_LAYERS
            },
        }
        for _, row in judged.blinds.iterrows()
    ]


def rejected_rows(judged: BlindsUnderLaw) -> list[dict[str, str]]:
    """Return each blind ruled out, with its reason, as JSON objects."""
    ids, reasons = judged.rejected["id"], judged.rejected["rejected_by"]
    return [{"id": i, "rejected_by": r} for i, r in zip(ids, reasons, strict=True)]
