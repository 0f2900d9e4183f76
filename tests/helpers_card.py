"""An invented card for tests of the drawing: numbers of our own making."""

from __future__ import annotations

import math
from typing import Any

import shapely

from sitegeo.export.card_content import CardContent, CardItem, CardLeg
from sitegeo.units import YARD_M

DECLINATION = -2.2


def item(role: str, name: str, bearing: float, yards: float, **more: Any) -> CardItem:
    """An item about a bearing and range from the hide."""
    r, a = yards * YARD_M, math.radians(bearing)
    middle = shapely.Point(r * math.sin(a), r * math.cos(a))
    shape = middle if role == "motion" else middle.buffer(more.pop("radius_m", 4.0))
    dated = more.pop("dated", True)
    return CardItem(
        role=role,
        name=name,
        shape=shape,
        bearing_true_deg=bearing,
        bearing_magnetic_deg=(bearing - DECLINATION) % 360 if dated else None,
        range_m=r,
        **more,
    )


def sample_card(**changes: Any) -> CardContent:
    """A card with a pocket, three groups and a motion decoy, facing south-west."""
    items = (
        item("pocket", "POCKET", 208.3, 17.3, radius_m=6.0),
        item("group", "MASS", 251.9, 28.4, count=21, kinds="15 dark, 6 geese", line_m=1.8),
        item("group", "TAIL", 198.6, 34.4, count=6, kinds="6 dark", line_m=2.3, afloat=True),
        item("group", "FRONT", 170.2, 25.6, count=8, kinds="8 dark", line_m=2.2),
        item("motion", "MOTION", 286.6, 20.0, count=1),
    )
    values: dict[str, Any] = {
        "title": "Sedge Flowage (invented)",
        "blind": "P001a",
        "headline": "Wind over the right shoulder at a point.",
        "refused": False,
        "wind_words": "NW 12 mph (from 315°)",
        "wind_from_deg": 315.0,
        "facing_deg": 218.2,
        "date": "Saturday 5 December 2026",
        "declination": "Magnetic is true plus 2.2°: declination 2.2° west on 2026-12-05",
        "declination_deg": DECLINATION,
        "lat": 44.1291951,
        "lon": -90.5480864,
        "usng": "15TXJ9615489145",
        "items": items,
        "decoys": ((-8.0, -9.0), (-9.0, -8.0)),
        "land": shapely.box(-250, 3, 250, 250),
        "no_fire": ((328.0, 354.0),),
        "legs": (
            CardLeg("Launch Lane ramp", "15TXJ9669088842", 301.3, 303.5, 615.3),
            CardLeg("Walk-in parking", "15TXJ9600089548", 160.7, 162.9, 431.0),
        ),
        "sun": ("civil dawn 06:48", "sunrise 07:21", "sunset 16:23"),
        "notes": (
            ("Setbacks", ("Hide clear of the mapped dwellings by 322 yd under rule-1.",)),
            ("Cautions", ("Cold water kills within minutes: wear a life jacket.",)),
        ),
        "take_up": 36,
    }
    return CardContent(**{**values, **changes})


def undated(**changes: Any) -> CardContent:
    """The same card where no date was given."""
    kept = sample_card()
    items = [
        item(i.role, i.name, i.bearing_true_deg, i.range_m / YARD_M, count=i.count, dated=False)
        for i in kept.items
    ]
    none = {"date": None, "declination": None, "declination_deg": None}
    return sample_card(**{"items": tuple(items), **none, "sun": ("no date",), **changes})


def hostile(**changes: Any) -> CardContent:
    """A card in which every text is long, foreign or full of control characters."""
    endless = "W" * 400
    odd = "<b>&amp;</b> )) (Tj \\ \x00\x07 \u202e 鴨 Łódź " + "a very long name " * 12
    groups = tuple(
        item("group", f"HOLDING{n} {odd}", 36.0 * n, 12 + 4 * n, count=n, kinds=odd, line_m=1.0)
        for n in range(10)
    )
    sentences = tuple(f"{odd} {endless[: 40 * n]}" for n in range(1, 12))
    values: dict[str, Any] = {
        "title": odd,
        "blind": "T0000000000000000004a",
        "headline": f"{odd} {endless}",
        "wind_words": f"{odd} (from 359°)",
        "items": groups,
        "legs": tuple(CardLeg(odd, "15TXJ9669088842", 1.0, 2.0, 99999.0) for _ in range(5)),
        "sun": sentences,
        "declination": f"{odd} {endless}",
        "notes": tuple((odd, sentences) for _ in range(4)),
        "date": odd,
    }
    return sample_card(**{**values, **changes})


def refused(**changes: Any) -> CardContent:
    """A plan that lays nothing, and says why."""
    why = "No spread here: the water in range is too narrow for an open pocket."
    none = {"items": (), "decoys": (), "refused": True, "headline": why, "take_up": 0}
    return sample_card(**{**none, **changes})
