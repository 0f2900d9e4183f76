"""Scout public water, choose a blind for the wind, check setbacks, carry the decoy plan.

Public names are loaded on first use, so that ``import sitegeo`` costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from sitegeo._version import __version__

if TYPE_CHECKING:
    from sitegeo.core.contracts import Contract as Contract
    from sitegeo.core.contracts import RasterContract as RasterContract
    from sitegeo.core.grid import Grid as Grid
    from sitegeo.core.grid import Raster as Raster
    from sitegeo.core.steps import Step as Step
    from sitegeo.core.steps import step as step
    from sitegeo.core.wind import Forecast as Forecast
    from sitegeo.core.wind import Wind as Wind
    from sitegeo.errors import SitegeoError as SitegeoError
    from sitegeo.places.place import Place as Place
    from sitegeo.places.place import read_place as read_place
    from sitegeo.plans.plan import Plan as Plan
    from sitegeo.plans.plan import plan as plan
    from sitegeo.rankings.hours import Hours as Hours
    from sitegeo.rankings.hours import hours as hours
    from sitegeo.rankings.ranking import Ranking as Ranking
    from sitegeo.rankings.ranking import rank as rank
    from sitegeo.rankings.season import Season as Season
    from sitegeo.rankings.season import season as season
    from sitegeo.surveys.survey import Survey as Survey
    from sitegeo.surveys.survey import survey as survey
    from sitegeo.weather.files import read_winds as read_winds

_HOMES = {
    "SitegeoError": "errors",
    "Grid": "core.grid",
    "Raster": "core.grid",
    "Contract": "core.contracts",
    "RasterContract": "core.contracts",
    "Place": "places.place",
    "read_place": "places.place",
    "Plan": "plans.plan",
    "plan": "plans.plan",
    "Ranking": "rankings.ranking",
    "rank": "rankings.ranking",
    "Hours": "rankings.hours",
    "hours": "rankings.hours",
    "Season": "rankings.season",
    "season": "rankings.season",
    "Step": "core.steps",
    "step": "core.steps",
    "Survey": "surveys.survey",
    "survey": "surveys.survey",
    "Forecast": "core.wind",
    "Wind": "core.wind",
    "read_winds": "weather.files",
}

__all__ = ["__version__", *_HOMES]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'sitegeo' has no attribute '{name}'")
    return getattr(importlib.import_module(f"sitegeo.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
