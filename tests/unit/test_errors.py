"""Errors say what, where, which value and what to do, and keep their place in the tree."""

from __future__ import annotations

import inspect
import pickle

import pytest

from sitegeo import errors
from sitegeo.errors import LayerError, SitegeoError, UsageError, WindError

CLASSES = [
    c for _, c in inspect.getmembers(errors, inspect.isclass) if c.__module__ == errors.__name__
]


def made(kind: type[SitegeoError]) -> SitegeoError:
    if kind is LayerError:
        return LayerError("roads", ["one", "two"], where="a.gpkg", remedy="Mend it")
    return kind("it is wrong", where="a.toml", value=3, remedy="Mend it")


def test_message_holds_what_where_value_and_remedy() -> None:
    error = SitegeoError("the photo is void.", where="a.tif", value=[1, 2], remedy="Use another.")
    assert str(error) == "a.tif: the photo is void (got [1, 2]). Use another."


def test_message_leaves_out_what_is_not_given() -> None:
    assert str(SitegeoError("it is wrong")) == "it is wrong."


def test_a_falsy_value_is_shown() -> None:
    assert "(got 0)" in str(SitegeoError("it is wrong", value=0))


def test_layer_error_lists_every_fault() -> None:
    error = LayerError("roads", ["no ids", "no shapes"], where="a.gpkg")
    assert error.faults == ("no ids", "no shapes")
    assert str(error) == "a.gpkg: layer 'roads' cannot be used: no ids; no shapes."


@pytest.mark.parametrize("kind", CLASSES)
def test_every_error_is_of_the_one_tree_and_exits_by_kind(kind: type[SitegeoError]) -> None:
    assert issubclass(kind, SitegeoError)
    assert kind.exit_code == (2 if issubclass(kind, UsageError) else 1)


@pytest.mark.parametrize("kind", CLASSES)
def test_survives_the_trip_from_a_worker_process(kind: type[SitegeoError]) -> None:
    sent = made(kind)
    back = pickle.loads(pickle.dumps(sent))
    assert type(back) is kind
    assert str(back) == str(sent)
    assert back.__dict__ == sent.__dict__


@pytest.mark.parametrize("kind", CLASSES)
def test_the_module_docstring_draws_the_whole_tree(kind: type[SitegeoError]) -> None:
    assert kind.__name__ in (errors.__doc__ or "")


def test_a_bad_wind_is_bad_usage() -> None:
    assert issubclass(WindError, UsageError)
