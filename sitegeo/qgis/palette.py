"""How layers look in QGIS: the colours of survey.png and of the overview of a scan."""

from __future__ import annotations

from typing import Any

from sitegeo.scan.overview import SCORE_MARKS
from sitegeo.surveys.preview import CLASS_COLOURS, POSITION_COLOURS


def layer_styles() -> list[dict[str, Any]]:
    """Return the look of layers by name: `field` (none for a raster's codes) and its `classes`.

    A class has `label`, `colour` and either `value`, or `least` and `most` of a number.
    """
    cover = [
        {"value": int(code), "label": label, "colour": colour}
        for code, (label, colour) in CLASS_COLOURS.items()
    ]
    kinds = [
        {"value": kind, "label": label, "colour": colour}
        for kind, (label, colour) in POSITION_COLOURS.items()
    ]
    bounds = [1.0, *(least for least, _, _ in SCORE_MARKS)]
    scores = [
        {"least": low, "most": high, "label": f"{low:g} to {high:g}", "colour": colour}
        for (low, colour, _), high in zip(SCORE_MARKS, bounds, strict=False)
    ]
    return [
        *({"layer": name, "field": None, "classes": cover} for name in ("cover", "photo_cover")),
        {"layer": "positions", "field": "kind", "classes": kinds},
        {"layer": "blinds", "field": "score", "classes": scores},
    ]
