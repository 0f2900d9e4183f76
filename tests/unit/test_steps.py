"""The plug-in seam: declaration, order, running, keys, and a real package from outside."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from pyproj import CRS

from sitegeo.core import steps
from sitegeo.core.contracts import RasterContract
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.steps import Step, resolve, run, step, step_key, without_replaced
from sitegeo.errors import LayerError, StepError

GRID = Grid(CRS.from_epsg(32617), 0.0, 0.0, 1.0, (2, 2))
ONES = Raster(np.ones((2, 2)), GRID)


@dataclass(frozen=True)
class Params:
    """Params of the steps here."""

    factor: float = 2.0


def plane(name: str) -> RasterContract:
    return RasterContract(name)


@step(plane("twice"))
def doubled(*, start: Raster, params: Params = Params()) -> Raster:
    """Start times a factor.

    More words.
    """
    return replace(start, values=start.values * params.factor)


@step(plane("sum"), plane("difference"))
def compared(*, twice: Raster, start: Raster, shade: Raster | None = None) -> tuple[Raster, Raster]:
    dark = 0 if shade is None else shade.values
    return (
        replace(start, values=twice.values + start.values - dark),
        replace(start, values=twice.values - start.values),
    )


@step(plane("blown"))
def blown(*, twice: Raster, wind: object) -> Raster:
    return twice


@step(plane("drifted"))
def drifted(*, blown: Raster) -> Raster:
    return blown


def foreign(package: str, base: Step[..., Any], *makes: str, name: str = "") -> Step[..., Any]:
    """The step as if it came from another package and made the layers named."""

    def body(**layers: Any) -> Any:
        return base(**layers)

    body.__module__ = f"{package}.inner"
    body.__name__ = name or base.name
    made = tuple(plane(m) for m in makes) or base.makes
    return replace(base, name=body.__name__, function=body, makes=made)


def names(found: tuple[Step[..., Any], ...]) -> list[str]:
    return [s.name for s in found]


# Declaration


def test_the_signature_is_the_declaration() -> None:
    assert (compared.needs, compared.uses) == (("twice", "start"), ("shade",))
    assert compared.made == ("sum", "difference")
    assert (doubled.params, compared.params) == (Params(), None)
    assert doubled.summary == "Start times a factor."
    assert doubled.full_name == "test_steps:doubled"


def test_a_step_is_called_like_its_function() -> None:
    assert doubled(start=ONES, params=Params(5.0)).values.tolist() == [[5, 5], [5, 5]]


def test_a_known_layer_is_declared_by_its_name() -> None:
    @step("cover")
    def mine(*, imagery: Raster) -> Raster:
        return imagery

    assert mine.makes[0].bands == ("class", "confidence")  # type: ignore[union-attr]


def declare_positional() -> object:
    @step("cover")
    def bad(imagery: Raster) -> Raster:
        return imagery

    return bad


def declare_any_keyword() -> object:
    @step("cover")
    def bad(**layers: Raster) -> Raster:
        return layers["imagery"]

    return bad


def declare_mutable_params() -> object:
    @dataclass
    class Loose:
        factor: float = 2.0

    @step("cover")
    def bad(*, imagery: Raster, params: Loose = Loose()) -> Raster:  # noqa: B008
        return imagery

    return bad


def declare_params_without_default() -> object:
    @step("cover")
    def bad(*, imagery: Raster, params: Params) -> Raster:
        return imagery

    return bad


def declare_odd_default() -> object:
    @step("cover")
    def bad(*, imagery: Raster, roads: int = 3) -> Raster:
        return imagery

    return bad


def declare_nothing_made() -> object:
    @step()
    def bad(*, imagery: Raster) -> Raster:
        return imagery

    return bad


@pytest.mark.parametrize(
    ("declare", "words"),
    [
        (declare_positional, "step 'bad': argument 'imagery' is not keyword-only"),
        (declare_any_keyword, "step 'bad': argument 'layers' is not keyword-only"),
        (declare_mutable_params, "step 'bad': params must default to a frozen dataclass"),
        (declare_params_without_default, "step 'bad': params must default to a frozen dataclass"),
        (declare_odd_default, r"step 'bad': a layer's default can only be None \(got 'roads'\)"),
        (declare_nothing_made, "step 'bad' makes nothing"),
    ],
)
def test_bad_declarations_are_refused(declare: Callable[[], object], words: str) -> None:
    with pytest.raises(StepError, match=words):
        declare()


def test_an_unknown_layer_cannot_be_made_by_name() -> None:
    with pytest.raises(LayerError, match="'kover' cannot be used: no such layer is known"):
        step("kover")(lambda *, imagery: imagery)


# Order


def test_steps_run_after_what_they_need() -> None:
    assert names(resolve([compared, doubled], have={"start"})) == ["doubled", "compared"]


def test_a_layer_is_used_where_a_step_makes_it() -> None:
    shade = foreign("other", doubled, "shade", name="shaded")
    order = names(resolve([compared, doubled, shade], have={"start"}))
    assert order.index("shaded") < order.index("compared")


def test_what_is_at_hand_is_not_made_again() -> None:
    assert names(resolve([compared, doubled], have={"start", "twice"})) == ["compared"]


def test_later_layers_leave_out_steps_directly_and_through_others() -> None:
    every = [drifted, blown, compared, doubled]
    assert names(resolve(every, have={"start"}, later={"wind"})) == ["doubled", "compared"]
    order = names(resolve(every, have={"start", "wind"}, later={"wind"}))
    assert sorted(order) == ["blown", "compared", "doubled", "drifted"]
    assert order.index("doubled") < order.index("blown") < order.index("drifted")


def test_a_layer_at_hand_is_not_waited_for() -> None:
    assert names(resolve([drifted, blown], have={"twice", "blown"}, later={"wind"})) == ["drifted"]


def test_the_order_does_not_depend_on_hashing() -> None:
    here = names(resolve([drifted, blown, compared, doubled], have={"start", "wind"}))
    code = (
        "from test_steps import *; every = [drifted, blown, compared, doubled];"
        "print(*names(resolve(every, have={'start', 'wind'})))"
    )
    env = {"PYTHONHASHSEED": "1", "PYTHONPATH": ":".join(sys.path)}
    told = subprocess.check_output([sys.executable, "-c", code], env=env, text=True)
    assert told.split() == here


def test_a_circle_is_refused_with_the_steps_in_it() -> None:
    back = foreign("other", doubled, "start", name="backwards")
    around = replace(back, needs=("twice",))
    with pytest.raises(StepError, match="in a circle") as caught:
        resolve([doubled, around], have=())
    assert "test_steps:doubled" in str(caught.value)
    assert "other:backwards" in str(caught.value)


def test_a_step_that_needs_what_it_makes_is_a_circle() -> None:
    with pytest.raises(StepError, match="doubled -> test_steps:doubled"):
        resolve([replace(doubled, needs=("twice",))], have=())


def test_an_unmet_need_is_named_with_its_step() -> None:
    with pytest.raises(StepError, match=r"'doubled' .*'start', which no installed step makes"):
        resolve([doubled], have=())
    needy = replace(doubled, needs=("roads",))
    with pytest.raises(StepError, match=r"'roads', which this place does not bring.*Add roads"):
        resolve([needy], have=())


def test_steps_of_one_name_from_two_packages_both_run() -> None:
    other = foreign("other", doubled, "thrice")
    assert names(resolve([doubled, other], have={"start"})) == ["doubled", "doubled"]


# Replacement


def ours(base: Step[..., Any], *makes: str) -> Step[..., Any]:
    return foreign("sitegeo", base, *makes)


def test_another_package_replaces_our_step() -> None:
    kept = without_replaced([ours(doubled), foreign("other", doubled, name="better")])
    assert [s.full_name for s in kept] == ["other:better"]


def test_ours_stay_where_nothing_replaces_them() -> None:
    added = foreign("other", doubled, "thrice")
    assert len(without_replaced([ours(doubled), ours(compared), added])) == 3


def test_two_rivals_are_refused() -> None:
    rivals = [foreign("one", doubled), foreign("two", doubled), ours(doubled)]
    with pytest.raises(StepError, match=r"two steps make the layer 'twice'") as caught:
        without_replaced(rivals)
    assert caught.value.value == ["one:doubled", "two:doubled"]


def test_a_step_cannot_be_replaced_by_halves() -> None:
    half = foreign("other", doubled, "sum")
    with pytest.raises(StepError, match=r"'sitegeo:compared' is replaced in part.*sum, difference"):
        without_replaced([ours(compared), half])
    both = [half, foreign("third", doubled, "difference")]
    assert [s.package for s in without_replaced([ours(compared), *both])] == ["other", "third"]


# Running


def test_running_gives_every_layer_and_a_record() -> None:
    seen: list[str] = []
    result = run(
        resolve([compared, doubled], have={"start"}),
        {"start": ONES},
        {"start": "k"},
        on_step=lambda s: seen.append(s.name),
    )
    assert seen == ["doubled", "compared"]
    assert result.layers["sum"].values[0, 0] == 3
    assert result.layers["difference"].values[0, 0] == 1
    record = result.ran[0]
    assert (record.name, record.package, record.params) == ("doubled", "test_steps", {"factor": 2})
    assert not record.reused
    assert record.seconds >= 0
    assert set(result.keys) == {"start", "twice", "sum", "difference"}


def test_optional_layers_are_given_where_there_are_any() -> None:
    given = {"start": ONES, "twice": ONES, "shade": ONES}
    result = run([compared], given, dict.fromkeys(given, "k"))
    assert result.layers["sum"].values[0, 0] == 1
    without = run([compared], {**given, "shade": None}, dict.fromkeys(given, "k"))
    assert without.layers["sum"].values[0, 0] == 2


def test_inputs_of_run_are_left_as_they_were() -> None:
    layers, keys = {"start": ONES}, {"start": "k"}
    run([doubled], layers, keys)
    assert (list(layers), list(keys)) == (["start"], ["start"])


def test_a_step_must_keep_its_contract() -> None:
    @step(plane("twice"))
    def broken(*, start: Raster) -> Any:
        return start.values

    with pytest.raises(LayerError, match=r"step 'broken': layer 'twice' .*is ndarray"):
        run([broken], {"start": ONES}, {"start": "k"})


def test_a_step_must_return_all_it_promised() -> None:
    @step(plane("a"), plane("b"))
    def short(*, start: Raster) -> Any:
        return start

    with pytest.raises(StepError, match=r"'short' did not return .*\(got '1 for a, b'\)"):
        run([short], {"start": ONES}, {"start": "k"})


def test_a_layer_without_a_key_is_refused_where_others_have_one() -> None:
    with pytest.raises(StepError, match=r"without a key \(got \['start'\]\)"):
        run([doubled], {"start": ONES, "shade": ONES}, {"shade": "1"})


# Keys and recall


def test_keys_change_with_what_matters_and_nothing_else() -> None:
    base = step_key(compared, {"twice": "1", "start": "2", "shade": "3"})
    assert base == step_key(compared, {"shade": "3", "start": "2", "twice": "1", "roads": "9"})
    assert base != step_key(compared, {"twice": "x", "start": "2", "shade": "3"})
    assert base != step_key(compared, {"twice": "1", "start": "2", "shade": "x"})
    assert base != step_key(compared, {"twice": "1", "start": "2"})
    assert base != step_key(replace(compared, name="other"), {"twice": "1", "start": "2"})
    assert step_key(doubled, {"start": "1"}) != step_key(
        replace(doubled, params=Params(3.0)), {"start": "1"}
    )


def test_keys_change_with_the_code(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def key_of(package: str, source: str, table: str = "") -> str:
        (tmp_path / package).mkdir()
        (tmp_path / package / "__init__.py").write_text(source)
        (tmp_path / package / "weights.toml").write_text(table)
        return steps._code_key(package)

    monkeypatch.syspath_prepend(tmp_path)
    base = key_of("pack_a", "x = 1\n")
    assert key_of("pack_b", "x = 1\n") == base
    assert key_of("pack_c", "x = 2\n") != base
    assert key_of("pack_d", "x = 1\n", "w = 3\n") != base


def test_a_step_typed_in_a_script_is_known_by_its_own_code() -> None:
    code = (
        "from sitegeo.core.steps import step, step_key\n"
        "from sitegeo.core.contracts import RasterContract\n"
        "@step(RasterContract('a'))\n"
        "def first(*, start): return start\n"
        "@step(RasterContract('a'))\n"
        "def second(*, start): return start + 1\n"
        "second = __import__('dataclasses').replace(second, name='first')\n"
        "print(step_key(first, {}) != step_key(second, {}))"
    )
    env = {"PYTHONPATH": ":".join(sys.path)}
    assert subprocess.check_output([sys.executable, "-c", code], env=env, text=True) == "True\n"


def test_later_keys_follow_earlier_ones() -> None:
    order = resolve([compared, doubled], have={"start"})
    one = run(order, {"start": ONES}, {"start": "1"}).keys
    two = run(order, {"start": ONES}, {"start": "2"}).keys
    assert not {one[n] for n in ("twice", "sum", "difference")} & set(two.values())


def test_kept_results_are_recalled_by_key() -> None:
    order = resolve([compared, doubled], have={"start"})
    first = run(order, {"start": ONES}, {"start": "1"})
    pairs = zip(first.ran, order, strict=True)
    store = {r.key: tuple(first.layers[n] for n in s.made) for r, s in pairs}
    again = run(order, {"start": ONES}, {"start": "1"}, recall=lambda _step, key: store.get(key))
    assert [r.reused for r in again.ran] == [True, True]
    assert again.layers["sum"] is first.layers["sum"]
    changed = run(order, {"start": ONES}, {"start": "2"}, recall=lambda _step, key: store.get(key))
    assert [r.reused for r in changed.ran] == [False, False]


def test_what_is_recalled_is_checked_too() -> None:
    with pytest.raises(LayerError):
        run([doubled], {"start": ONES}, {"start": "1"}, recall=lambda _step, _key: ("rubbish",))
    with pytest.raises(StepError, match="did not return the layers it promised"):
        run([doubled], {"start": ONES}, {"start": "1"}, recall=lambda _step, _key: ())


# Entry points


class Point:
    """Stands in for an installed entry point."""

    dist = None

    def __init__(self, name: str, loaded: object) -> None:
        self.name, self.loaded = name, loaded

    def load(self) -> object:
        if isinstance(self.loaded, Exception):
            raise self.loaded
        return self.loaded


def offer(monkeypatch: pytest.MonkeyPatch, *points: Point) -> None:
    monkeypatch.setattr(steps, "entry_points", lambda *, group: points)


def test_installed_steps_are_loaded_and_skipped_ones_are_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    offer(monkeypatch, Point("b", doubled), Point("a", ImportError("slow and broken")))
    assert list(steps.offers()) == [":a", ":b"]
    assert names(steps.installed(skip=[":a"])) == ["doubled"]


def test_a_package_that_cannot_be_loaded_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    offer(monkeypatch, Point("a", ImportError("no module named x")))
    with pytest.raises(StepError, match=r"':a' cannot be loaded: no module named x.*uninstall"):
        steps.installed()


def test_an_entry_point_must_be_a_step(monkeypatch: pytest.MonkeyPatch) -> None:
    offer(monkeypatch, Point("a", len))
    with pytest.raises(StepError, match="':a' is not a step"):
        steps.installed()


def test_a_package_adds_a_step_through_a_real_entry_point(extra_package: dict[str, str]) -> None:
    code = (
        "import json; from sitegeo.core.steps import installed, offers;"
        "skip = [k for k in offers() if not k.startswith('extra-step:')];"
        "print(json.dumps([[s.full_name, s.needs, s.made, s.summary]"
        " for s in installed(skip=skip)]))"
    )
    told = subprocess.check_output([sys.executable, "-c", code], env=extra_package, text=True)
    assert json.loads(told) == [
        ["extra_step:water_edges", ["water"], ["water_edges"], "Edges of the waters, simplified."]
    ]
