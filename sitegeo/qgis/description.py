"""What QGIS may run, as JSON: the commands by their options, the steps by their declarations.

The plugin builds its forms from this and from nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from sitegeo._version import __version__
from sitegeo.core import inputs
from sitegeo.core.contracts import RasterContract
from sitegeo.core.steps import Step
from sitegeo.qgis.palette import layer_styles
from sitegeo.surveys import pipeline
from sitegeo.surveys.single_step import step_settings

QGIS_SCHEMA = "sitegeo/qgis/1"
"""Schema of the description; the plugin refuses another."""

_LEFT_OUT = frozenset({"help", "quiet", "verbose", "overwrite", "as_json", "as_text"})
"""Options that mean nothing in a form, or that the plugin gives by itself."""

_NO_FORM = frozenset({"qgis", "steps", "step"})
"""Commands that are no algorithm: `step` is one for each step."""


def describe_commands(
    commands: Mapping[str, click.Command], answers: Mapping[str, Sequence[int]]
) -> dict[str, Any]:
    """Return everything that can be run: one entry a command and one a step.

    Each has `id`, `group`, `name`, `help`, the `command` line's fixed words, its `parameters` in
    order, the `answers` (exit codes that are no failure), and whether it prints `json`. A
    parameter has `name`, `words` before its value on the command line, `kind`, `help`, `required`,
    `default`, and `choices` or `least` and `most` where they apply. `styles` are how layers look.

    Parameters
    ----------
    commands
        Commands of the command line by name.
    answers
        Exit codes beside 0 that are an answer and no failure, by command.
    """
    offered = {name: c for name, c in commands.items() if name not in _NO_FORM}
    verbs = [_describe_command(n, c, answers.get(n, ())) for n, c in offered.items()]
    found = pipeline.every_step()
    awaited = set(inputs.MORNING_INPUTS)
    described = []
    for step in found:
        windy = bool(awaited & set(step.needs))
        awaited |= set(step.made) if windy else set()
        if step.makes_layers:
            described.append(_describe_step(step, windy=windy))
    return {
        "schema": QGIS_SCHEMA,
        "version": __version__,
        "algorithms": [*verbs, *described],
        "styles": layer_styles(),
    }


def _describe_command(name: str, command: click.Command, answers: Sequence[int]) -> dict[str, Any]:
    flags = {p.name for p in command.params}
    return {
        "id": name,
        "group": "Verbs",
        "name": f"{name.capitalize()}",
        "help": (command.help or "").strip(),
        "command": [name, *(["--overwrite"] if "overwrite" in flags else [])],
        "json": "as_json" in flags,
        "answers": list(answers),
        "parameters": [_parameter(p) for p in command.params if p.name not in _LEFT_OUT],
    }


def _parameter(given: click.Parameter) -> dict[str, Any]:
    option = isinstance(given, click.Option)
    default = None if given.default is None or callable(given.default) else given.default
    if type(default).__name__ == "Sentinel":  # click's own word for no default
        default = None
    if isinstance(default, range):
        default = f"{default.start}-{default.stop - 1}"
    described: dict[str, Any] = {
        "name": given.name,
        "words": [given.opts[0]] if option else [],
        "kind": _kind(given),
        "help": (given.help or "") if isinstance(given, click.Option) else "",
        "required": bool(given.required),
        "default": default,
    }
    kind = given.type
    if isinstance(kind, click.Choice):
        described["choices"] = list(kind.choices)
    if isinstance(kind, click.IntRange | click.FloatRange):
        described |= {"least": kind.min, "most": kind.max}
    return described


def _kind(given: click.Parameter) -> str:
    if isinstance(given, click.Option) and given.is_flag:
        return "flag"
    if isinstance(given.type, click.Path):
        if given.name == "out":
            return "out"
        metavar = given.metavar or "DIR"
        return "file" if metavar == "FILE" or "." in metavar else "folder"
    if isinstance(given.type, click.Choice):
        return "choice"
    if given.type.name.startswith("integer"):
        return "integer"
    return "number" if given.type.name.startswith("float") else "text"


def _describe_step(step: Step[..., Any], *, windy: bool) -> dict[str, Any]:
    ours = step.package == __name__.partition(".")[0]
    source = {
        "name": "source",
        "words": [],
        "kind": "folder" if windy else "file",
        "help": "Folder of a survey" if windy else "PLACE.toml",
        "required": True,
        "default": None,
    }
    parameters = [source]
    if windy:
        parameters.append(_optional("wind", ["--wind"], "text", 'Such as "NW 12 mph"', need=True))
    unwritten = inputs.MORNING_INPUTS | {"assume", "law", "taken"}
    unwritten |= {n for s in pipeline.every_step() if not s.makes_layers for n in s.made}
    for layer in (*step.needs, *step.uses):
        if layer not in unwritten:
            kind = "raster" if _is_raster(layer) else "vector"
            words = f"{layer.replace('_', ' ')}: a layer of your own in its place"
            parameters.append(_optional(f"layer_{layer}", ["--layer", f"{layer}="], kind, words))
    for name, value in step_settings(step).items():
        kind = {bool: "flag_value", int: "integer", float: "number"}.get(type(value), "text")
        text = ",".join(f"{v:g}" for v in value) if isinstance(value, tuple) else value
        setting = _optional(f"set_{name}", ["--set", f"{name}="], kind, name.replace("_", " "))
        parameters.append(setting | {"default": text})
    parameters.append(_optional("out", ["--out"], "out", "Folder to write.", need=True))
    return {
        "id": f"step_{step.name}" if ours else f"step_{step.package}_{step.name}",
        "group": "Steps" if ours else f"Steps of {step.package}",
        "name": step.name.replace("_", " ").capitalize(),
        "help": f"{step.summary}\n\nMakes {', '.join(step.made)}.",
        "command": ["step", step.name, "--overwrite"],
        "json": False,
        "answers": [],
        "parameters": parameters,
    }


def _optional(
    name: str, words: list[str], kind: str, text: str, *, need: bool = False
) -> dict[str, Any]:
    return {
        "name": name,
        "words": words,
        "kind": kind,
        "help": text,
        "required": need,
        "default": None,
    }


def _is_raster(layer: str) -> bool:
    given = {i.name: i.shape for i in inputs.INPUTS}
    if layer in given:
        return given[layer] != "vector"
    makers = (c for s in pipeline.every_step() for c in s.makes if c.name == layer)
    return isinstance(next(makers, None), RasterContract)
