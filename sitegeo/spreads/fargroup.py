"""The far group: some of the decoys set far out to hold distant birds, an option off by default.

It means long shots, and a plan says so (common practice, no source; the shape is judgement).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from shapely.geometry import MultiPolygon

from sitegeo.spreads.sketches import FAR, LINE_SPACING_YD, Drawn, Sketch, Wind, blob, growth

FROM_YD = 30.0
"""Where it begins."""

SHARE = 0.25
OFF_DEG = 49.0
"""Off straight out: clear of the mass with the wind in the face, of the way in with it behind."""

WORDS = (
    "the far group holds distant birds and means long shots, from 30 yd on: let pass what you "
    "cannot kill cleanly"
)


def with_far_group(sketch: Sketch, wind: Wind, decoys: int) -> Sketch:
    """Return a sketch with a part of its decoys in a far group, its innermost near 30 yd.

    It lies out on the windward hand, beside the mass and clear of the way in; to both hands where
    the wind is from the front or from behind.
    """
    k = growth(decoys)
    lee = 0.5 * (1 - wind.step(0, 50) * (1 - wind.step(130, 180)))
    middle = (FROM_YD + 4 * k) * np.array(
        [math.sin(math.radians(OFF_DEG)), math.cos(math.radians(OFF_DEG))]
    )
    blobs = [
        blob(
            middle * (side, 1),
            along=4 * k * math.sqrt(part),
            across=7 * k * math.sqrt(part),
            turn=side * OFF_DEG,
            square=2.4,
        )
        for side, part in ((1, 1 - lee), (-1, lee))
        if part > 0
    ]
    held = [replace(part, share=part.share * (1 - SHARE)) for part in sketch]
    return [*held, Drawn(FAR, MultiPolygon(blobs), SHARE, LINE_SPACING_YD)]
