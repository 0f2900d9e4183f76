"""What a place can bring, listed once: its layers, and what stands beside them.

The place file, the steps, the survey, the plan, `gather`, `scan` and the desktop plug-in read this
list; a layer added here is known to all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class PlaceInput:
    """A layer that a place may bring.

    Parameters
    ----------
    role
        Its key under ``[layers]`` in a place file.
    shape
        The photo itself, a vector layer or a raster laid on the photo's grid.
    given_as
        The name by which steps ask for it; by default its role.
    in_survey
        Whether a survey keeps it, so that it can be carried away from its place.
    in_plan
        Whether a plan keeps it, so that the plan can be checked by itself.
    without
        What a person is told where it is missing; empty where nothing need be said.
    """

    role: str
    shape: Literal["photo", "vector", "raster"]
    given_as: str = ""
    in_survey: bool = False
    in_plan: bool = False
    without: str = ""

    @property
    def name(self) -> str:
        """The name by which steps ask for it."""
        return self.given_as or self.role


INPUTS = (
    PlaceInput("imagery", "photo"),
    PlaceInput(
        "water", "vector", given_as="mapped_water", without="water is taken from the photo alone"
    ),
    PlaceInput(
        "roads",
        "vector",
        in_survey=True,
        in_plan=True,
        without="setbacks from roads are not checked",
    ),
    PlaceInput(
        "dwellings",
        "vector",
        in_survey=True,
        in_plan=True,
        without="setbacks from dwellings are not checked",
    ),
    PlaceInput(
        "public_land",
        "vector",
        in_survey=True,
        in_plan=True,
        without="whether the ground is public is not known",
    ),
    PlaceInput(
        "closed_areas",
        "vector",
        in_survey=True,
        in_plan=True,
        without="closed areas are not checked",
    ),
    PlaceInput("access", "vector", in_survey=True, in_plan=True, without="the way in is not known"),
    PlaceInput("observations", "vector", in_survey=True),
    PlaceInput("landcover", "raster"),
    PlaceInput("canopy", "raster"),
    PlaceInput("ground", "raster", in_survey=True),
    PlaceInput("surface", "raster"),
    PlaceInput("depth", "raster", in_survey=True, without="water depth is not known"),
)
"""Every layer a place may bring, vectors before rasters; `imagery` alone is required."""

ROLES = tuple(i.role for i in INPUTS)
"""Keys under ``[layers]`` in a place file."""

VECTOR_ROLES = tuple(i.role for i in INPUTS if i.shape == "vector")
"""Those of vector layers."""

RASTER_ROLES = tuple(i.role for i in INPUTS if i.shape == "raster")
"""Those of rasters, the photo left out."""

KEPT_IN_SURVEY = tuple(i.name for i in INPUTS if i.in_survey)
"""Layers that travel with a survey, by the names steps ask for."""

KEPT_IN_PLAN = tuple(i.name for i in INPUTS if i.in_plan)
"""Layers that travel with a plan, by the names steps ask for."""

BESIDE_LAYERS = frozenset({"fine_photo", "landcover_evergreen", "assume", "law", "taken", "wade_m"})
"""What a place gives to steps beside its layers: the photo at its own finer pixels, needle-leaved
trees of its land cover, its assumptions, its law, the day of the photo, the depth waded."""

PLACE_INPUTS = frozenset(i.name for i in INPUTS) | BESIDE_LAYERS
"""All that a place may bring to a step, by the names steps ask for."""

MORNING_INPUTS = frozenset({"wind", "gear", "when"})
"""What comes with a morning; a step that needs one waits for it."""


WADE_M = 0.75
"""Deepest water a person wades who has not said: mid-thigh in waders; practice."""


def name_for_steps(role: str) -> str:
    """Return the name by which steps ask for the layer of a role; `KeyError` for an unknown one."""
    return _NAMES[role]


_NAMES = {i.role: i.name for i in INPUTS}
