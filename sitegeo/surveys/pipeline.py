"""Steps on a survey: what a morning gives them, which are left to run, and one run by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd

from sitegeo.core import steps, store
from sitegeo.core.grid import Raster
from sitegeo.core.models import from_record
from sitegeo.core.wind import Wind
from sitegeo.errors import LayerError, StepError, UsageError
from sitegeo.landcover.leaves import leaves_are_off
from sitegeo.places.config import Assume, GearKeys
from sitegeo.spreads.decoys import Gear
from sitegeo.surveys.survey import Survey, place_law, place_layers


def gear_carried(
    survey: Survey, decoys: int | None = None, *, far_group: bool | None = None
) -> Gear:
    """Return what the party carries and how it is set, as recorded in the survey or as asked.

    Parameters
    ----------
    survey
        Whose record holds ``[gear]``.
    decoys
        How many decoys; those of the record by default.
    far_group
        Whether some are set far out; as the record says by default.

    Returns
    -------
    Gear
        What a spread is made of.
    """
    keys = from_record(survey.record["gear"], GearKeys)
    names = ("dark", "white", "geese", "small")
    kinds = {k: v for k in names if (v := getattr(keys, k)) is not None}
    if kinds:
        kinds = dict.fromkeys(names, 0) | kinds
    wanted = keys.decoys if decoys is None else decoys
    held = {name: getattr(keys, name) for name in ("motion", "wade_m", "party", "load")}
    far = keys.far_group if far_group is None else far_group
    return Gear(decoys=wanted, far_group=far, **held, **kinds)


def assumptions_on(survey: Survey, when: datetime | None) -> Assume:
    """Return a survey's assumptions on a day; where they are silent on the leaves, the date tells.

    Without a day nothing is added.
    """
    assume = from_record(survey.record["assume"], Assume)
    if assume.leaf_off is not None or when is None:
        return assume
    off = leaves_are_off(when.month, survey.grid.centre_latlon[0])
    return assume.model_copy(update={"leaf_off": off})


def steps_left(
    survey: Survey, *, have: Iterable[str], want: Iterable[str] | None
) -> tuple[steps.Step[..., Any], ...]:
    """Return the installed steps that a survey has not run, resolved for one morning.

    Parameters
    ----------
    survey
        Whose record says what was run.
    have
        Names of the layers at hand: the survey's and the morning's.
    want
        Layers to make; None for all that can be made.

    Returns
    -------
    tuple of Step
        In the order to run them.

    Raises
    ------
    StepError
        For a need that nothing meets.
    """
    done = [f"{s['package']}:{s['name']}" for s in survey.record["steps"]]
    return steps.resolve(steps.installed(skip=done), have=have, want=want)


def find_step(name: str) -> steps.Step[..., Any]:
    """Return an installed step by name; raises `StepError` for an unknown one."""
    found = {s.name: s for s in steps.installed()}
    if name not in found:
        raise StepError(
            "no such step is installed", value=name, remedy="'sitegeo steps' lists them"
        )
    return found[name]


def step_settings(step: steps.Step[..., Any]) -> dict[str, Any]:
    """Return the plain parameters of a step and their defaults; tables of others are left out."""
    if step.params is None:
        return {}
    held = {f.name: getattr(step.params, f.name) for f in fields(step.params)}
    return {n: v for n, v in held.items() if not is_dataclass(v)}


def with_settings(step: steps.Step[..., Any], given: Mapping[str, str]) -> steps.Step[..., Any]:
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
    step: steps.Step[..., Any],
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
    have = {n: v for n, v in have.items() if n not in step.made}
    others = [s for s in steps.installed() if not set(s.made) & set(step.made)]
    order = steps.resolve([*others, step], have=have, want=step.made)
    made = steps.run(order, have, {}, on_step=lambda s: on_step(s.name)).layers
    return {name: made[name] for name in step.made}


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
