"""The bundled demo place: an invented reservoir, made from a seed.

Everything here is fiction: water, roads, houses, names, weather and the photo itself. It exists so
that the whole job runs on a fresh machine, and so that tests know where every position lies.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .terrain import Scene

__all__ = ["make_place", "scene"]


def make_place(out: Path, *, seed: int = 7) -> Path:
    """Make the demo place in folder `out` and return the path of its place.toml.

    The same seed gives the same bytes under the same library versions. Other seeds move every
    control point, turn or mirror the scene, and plant other openings and clumps.
    """
    from .write import write_place  # noqa: PLC0415 - heavy imports stay inside

    return write_place(Path(out), seed=seed)


def scene(seed: int = 7) -> Scene:
    """Return the scene's geometry, in metres of the place's own projected CRS; draws nothing."""
    from .terrain import make_scene  # noqa: PLC0415

    return make_scene(seed)
