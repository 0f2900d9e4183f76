"""TOML files, and what a survey or plan recorded of them, checked against pydantic models.

Errors say in plain words which key is wrong, what it must be and what it is.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from sitegeo.errors import InputError, SurveyError

Model = TypeVar("Model", bound=BaseModel)


def read_toml(path: Path, model: type[Model], error: type[InputError]) -> Model:
    """Return a TOML file checked against a pydantic model.

    Parameters
    ----------
    path
        The file.
    model
        What it must hold.
    error
        Kind of error to raise.

    Returns
    -------
    Model
        The file's values.

    Raises
    ------
    InputError
        Of the kind asked: the file cannot be read, or breaks the model; all faults at once, and
        for an unknown key the nearest known one.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise error("no such file", where=path, remedy="Check the path") from None
    except IsADirectoryError:
        raise error("is a folder, not a TOML file", where=path) from None
    except OSError as problem:
        raise error(f"cannot be read: {problem.strerror}", where=path) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise error(f"is not TOML: {problem}", where=path) from None
    try:
        return model.model_validate(raw)
    except ValidationError as problem:
        raise error(
            _faults(problem, model), where=path, remedy="Correct the file and run again"
        ) from None


def from_record(held: Mapping[str, Any], model: type[Model]) -> Model:
    """Return what a survey or plan recorded of a file; `SurveyError` if it fits no longer."""
    try:
        return model.model_validate(held)
    except ValidationError as problem:
        raise SurveyError(
            "the survey or plan was written by another version of sitegeo: "
            f"{_faults(problem, model)}",
            remedy="Run 'sitegeo survey' again with --overwrite",
        ) from None


def _faults(problem: ValidationError, model: type[BaseModel]) -> str:
    return "; ".join(dict.fromkeys(_fault(e, model) for e in problem.errors()))


def _fault(problem: Any, model: type[BaseModel]) -> str:
    """One fault of pydantic's list in plain words."""
    if not problem["loc"]:
        return _plain(problem)  # a rule about the whole file
    *table, last = (str(part) for part in problem["loc"] if part != "[key]")
    name = ".".join([*table, last])
    kind = problem["type"]
    if kind == "extra_forbidden":
        return _unknown(name, last, _known_keys(model, table))
    if problem["loc"][-1] == "[key]" and kind == "literal_error":
        return _unknown(name, last, problem["ctx"]["expected"].replace("'", "").split(", "))
    if kind == "missing":
        if isinstance(problem["loc"][-1], int):
            return f"'{'.'.join(table)}' holds too few values"
        return f"the key '{name}' is required"
    given = problem["input"]
    shown = "" if isinstance(given, dict) else f" (got {given!r})"
    return f"'{name}': {_plain(problem)}{shown}"


def _unknown(name: str, key: str, known: list[str]) -> str:
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
    return f"unknown key '{name}'" + (f" (the nearest known one is '{near[0]}')" if near else "")


def _plain(problem: Any) -> str:
    if problem["type"] == "value_error":
        return str(problem["ctx"]["error"])
    if problem["type"] in {"model_type", "dict_type"}:
        return "must be a table"
    if problem["type"].startswith("bool"):
        return "must be true or false"
    words = problem["msg"].replace("valid tuple", "list").replace("a valid string", "text")
    return str(words[0].lower() + words[1:]).replace("input should", "must").split(", unable")[0]


def _known_keys(model: type[BaseModel], path: list[str]) -> list[str]:
    """Keys allowed in the table at `path`, found by walking the models."""
    current: Any = model
    for part in path:
        field = current.model_fields.get(part) if hasattr(current, "model_fields") else None
        if field is None:
            continue  # an index into an array, or a name of pydantic's own
        current = _model_in(field.annotation) or current
    return list(current.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_model_in(a) for a in getattr(annotation, "__args__", ()))
    return next((m for m in inner if m is not None), None)
