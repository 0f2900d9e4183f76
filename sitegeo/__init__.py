"""Scout public water, choose a blind for the wind, check setbacks, carry the decoy plan.

Public names are loaded on first use, so that ``import sitegeo`` costs nothing.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sitegeo.errors import SitegeoError as SitegeoError
    from sitegeo.grid import Grid as Grid
    from sitegeo.grid import Raster as Raster
    from sitegeo.hours import Hours as Hours
    from sitegeo.hours import hours as hours
    from sitegeo.layers import Contract as Contract
    from sitegeo.layers import RasterContract as RasterContract
    from sitegeo.place import Place as Place
    from sitegeo.place import read_place as read_place
    from sitegeo.plan import Plan as Plan
    from sitegeo.plan import plan as plan
    from sitegeo.ranking import Ranking as Ranking
    from sitegeo.ranking import rank as rank
    from sitegeo.season import Season as Season
    from sitegeo.season import season as season
    from sitegeo.steps import Step as Step
    from sitegeo.steps import step as step
    from sitegeo.survey import Survey as Survey
    from sitegeo.survey import survey as survey
    from sitegeo.weather.files import read_winds as read_winds
    from sitegeo.wind import Forecast as Forecast
    from sitegeo.wind import Wind as Wind

__version__ = "0.1.0"

_HOMES = {
    "SitegeoError": "errors",
    "Grid": "grid",
    "Raster": "grid",
    "Contract": "layers",
    "RasterContract": "layers",
    "Place": "place",
    "read_place": "place",
    "Plan": "plan",
    "plan": "plan",
    "Ranking": "ranking",
    "rank": "ranking",
    "Hours": "hours",
    "hours": "hours",
    "Season": "season",
    "season": "season",
    "Step": "steps",
    "step": "steps",
    "Survey": "survey",
    "survey": "survey",
    "Forecast": "wind",
    "Wind": "wind",
    "read_winds": "weather.files",
}

__all__ = ["__version__", *_HOMES]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'sitegeo' has no attribute '{name}'")
    return getattr(importlib.import_module(f"sitegeo.{_HOMES[name]}"), name)


class _Package(ModuleType):
    def __setattr__(self, name: str, value: object) -> None:
        # A verb may share its name with its module (survey, plan); as attributes the verbs win.
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __dir__() -> list[str]:
    return sorted(__all__)
