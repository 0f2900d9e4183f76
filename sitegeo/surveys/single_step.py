"""One step run by itself, on a place or a survey, for looking at what it does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd

from sitegeo.core import store
from sitegeo.core.grid import Raster
from sitegeo.core.steps import Step
from sitegeo.core.wind import Wind
from sitegeo.errors import LayerError, StepError, UsageError
from sitegeo.surveys import pipeline
from sitegeo.surveys.morning import assumptions_on, gear_carried
from sitegeo.surveys.survey import Survey, place_law, place_layers


def step_settings(step: Step[..., Any]) -> dict[str, Any]:
    """Return the plain parameters of a step and their defaults; tables of others are left out."""
    if step.params is None:
        return {}
    held = {f.name: getattr(step.params, f.name) for f in fields(step.params)}
    return {n: v for n, v in held.items() if not is_dataclass(v)}


def with_settings(step: Step[..., Any], given: Mapping[str, str]) -> Step[..., Any]:
    """Return a step with other parameters.

    Parameters
    ----------
    step
        The step; its own parameters stay as they are.
    given
        Names of parameters, each with its value as text.

    Raises
    ------
    UsageError
        For a parameter it does not have, or a value that is none of its kind.
    """
    known = step_settings(step)
    values = {}
    for name, text in given.items():
        if name not in known:
            raise UsageError(
                f"step '{step.name}' has no parameter '{name}'",
                remedy=f"It has {', '.join(known)}" if known else "It has none",
            )
        values[name] = _value(name, text, known[name])
    if not values:
        return step
    params = replace(step.params, **values)

    def function(**layers: Any) -> Any:
        return step.function(**layers, params=params)

    return replace(step, function=function, params=params)


def _value(name: str, text: str, like: Any) -> Any:
    try:
        if isinstance(like, bool):
            return {"true": True, "false": False}[text.lower()]
        if isinstance(like, tuple):
            parts = tuple(float(t) for t in text.split(","))
            if len(parts) != len(like):
                raise ValueError
            return parts
        return type(like)(text) if isinstance(like, int | float | str) else text
    except (KeyError, ValueError):
        raise UsageError(
            f"parameter '{name}' cannot be that", value=text, remedy=f"It is {like!r} by default"
        ) from None


def run_step(
    step: Step[..., Any],
    source: Path,
    *,
    wind: Wind | None = None,
    layers: Mapping[str, Path] | None = None,
    on_step: Callable[[str], None] = lambda _name: None,
) -> dict[str, Any]:
    """Return the layers a step makes of a place or a survey, running what it needs before it.

    Parameters
    ----------
    step
        The step; it need not be installed.
    source
        A PLACE.toml, or a survey's folder.
    wind
        Where the step needs one, directly or through another.
    layers
        Files that replace layers by name: a GeoPackage of one layer (``file|layername=…`` for
        another), or a GeoTIFF.
    on_step
        Called with the name of each step before it runs.

    Returns
    -------
    dict
        What the step makes, by layer.

    Raises
    ------
    StepError, LayerError, PlaceError, SurveyError
        If something it needs is missing or breaks its contract.
    """
    if not step.makes_layers:
        raise StepError(
            f"step '{step.name}' makes no layer: what it makes is handed on to other steps",
            value=", ".join(step.made),
            remedy="Run a step that uses it",
        )
    have: dict[str, Any] = {}
    if source.is_dir():
        survey = Survey.open(source)
        have = {name: survey.layers[name] for name in survey.layers}
        have |= {
            "assume": assumptions_on(survey, None),
            "law": survey.law,
            "gear": gear_carried(survey),
        }
    else:
        from sitegeo.places.place import read_place  # noqa: PLC0415 (slow; a survey needs none)

        place = read_place(source)
        have, _ = place_layers(place, place_law(place))
    if wind is not None:
        have["wind"] = wind
    for name, path in (layers or {}).items():
        have[name] = _read(name, path)
    return pipeline.run_one(step, have, on_step=on_step)


def _read(name: str, path: Path) -> Any:
    file, _, layer = str(path).partition("|layername=")
    if not Path(file).exists():
        raise LayerError(name, ["no such file"], where=file)
    if Path(file).suffix.lower() in (".tif", ".tiff"):
        return store.read_raster(Path(file))
    return gpd.read_file(file, layer=layer or None)


def write_layers(layers: Mapping[str, Any], folder: Path) -> None:
    """Write layers as a survey does: one GeoPackage, and a GeoTIFF each."""
    frames = {n: v for n, v in layers.items() if not isinstance(v, Raster)}
    store.save_layers(folder, layers, {})
    if not frames:
        (folder / store.SURVEY_GPKG).unlink(missing_ok=True)
