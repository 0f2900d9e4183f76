"""Layouts that grow out of the bank family, so that handing over from one to the other is smooth.

Where `layouts.choose` takes such a layout in place of a bank, the two are one drawing; from there
its own groups grow (judgement: practice names layouts, water has a wind that turns by degrees).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import Point

from sitegeo.spreads.frame import Floats
from sitegeo.spreads.sketches import Area, Drawn, Sketch, Wind, bank

Draw = Callable[[Wind, int], Sketch]


@dataclass(frozen=True)
class OutOfBank:
    """A sketch that is the bank's at either end of its winds and its own between.

    Parameters
    ----------
    draw
        The sketch proper.
    grows
        From which angle off straight ahead it departs from the bank's, and where it is its own.
    fades
        The same on the way back; None where it hands over to another.
    """

    draw: Draw
    grows: tuple[float, float]
    fades: tuple[float, float] | None = None

    def __call__(self, wind: Wind, decoys: int) -> Sketch:
        own = wind.step(*self.grows) * (1 - wind.step(*self.fades) if self.fades else 1.0)
        if own == 1:
            return self.draw(wind, decoys)
        held = bank(wind, decoys)
        return _mixed(held, self.draw(wind, decoys), own) if own else held


def _mixed(start: Sketch, end: Sketch, t: float) -> Sketch:
    """Return parts between two sketches; what the first lacks keeps its place and grows in share.

    The two have the same blobs, vertex by vertex; the lesser group is the first's second, near
    group and the other's second or guard.
    """
    left = list(start)
    sketch = []
    for part in end:
        other = next((p for p in left if _role(p) == _role(part)), None)
        if other is None:
            sketch.append(replace(part, share=t * part.share))
            continue
        left.remove(other)
        named = part if t > 0.5 else other
        held, own = (shapely.get_coordinates(p.geometry) for p in (other, part))
        sketch.append(
            replace(
                named,
                geometry=_moved(named.geometry, held * (1 - t) + own * t),
                share=other.share * (1 - t) + part.share * t,
            )
        )
    return sketch


def _role(part: Drawn) -> str:
    return "second" if part.name in ("near", "guard") else part.name


def _moved(shape: Area | Point, corners: Floats) -> Area | Point:
    return shapely.transform(shape, lambda _: corners)
