"""The plug-in seam: one decorator, one resolver, one contract check.

A step is a pure function of named layers. Its keyword-only arguments are its declaration: one
without a default is a layer it needs, one whose default is None a layer it uses where there is
one, and `params` its frozen parameters. The decorator names what it makes::

    @step("cover")
    def cover(*, imagery: Raster, mapped_water: GeoDataFrame | None = None,
              params: CoverParams = CoverParams()) -> Raster: ...

Packages offer steps through the entry-point group ``sitegeo.steps``. A step of another package
that makes a layer of ours replaces ours.
"""

from __future__ import annotations

import hashlib
import inspect
import marshal
import time
from collections import ChainMap
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cache
from graphlib import CycleError, TopologicalSorter
from importlib.metadata import EntryPoint, entry_points
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Generic, ParamSpec, TypeVar, cast

from sitegeo.core.contracts import AnyContract, ValueContract, check, contract
from sitegeo.core.inputs import PLACE_INPUTS
from sitegeo.errors import StepError

STEP_GROUP = "sitegeo.steps"
"""Entry-point group through which packages offer steps."""

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True)
class Step(Generic[P, R]):
    """A function with its declaration; call it like the function.

    Attributes
    ----------
    name
        That of the function.
    function
        What is called.
    needs, uses
        Layers without which it cannot run, and layers it takes where there are any.
    makes
        Contracts of the layers it returns, in order.
    params
        Its frozen parameters, None where it has none.
    """

    name: str
    function: Callable[P, R]
    needs: tuple[str, ...]
    uses: tuple[str, ...]
    makes: tuple[AnyContract, ...]
    params: Any = None

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        return self.function(*args, **kwargs)

    @property
    def package(self) -> str:
        """The top-level package the step comes from."""
        return self.function.__module__.partition(".")[0]

    @property
    def full_name(self) -> str:
        """``package:name``, as errors name it."""
        return f"{self.package}:{self.name}"

    @property
    def made(self) -> tuple[str, ...]:
        """Names of the layers it makes."""
        return tuple(c.name for c in self.makes)

    @property
    def makes_layers(self) -> bool:
        """Whether anything it makes can be kept; the rest is handed on to other steps."""
        return not all(isinstance(c, ValueContract) for c in self.makes)

    @property
    def summary(self) -> str:
        """First line of its docstring."""
        return (inspect.getdoc(self.function) or "").partition("\n")[0]


def step(*makes: str | AnyContract) -> Callable[[Callable[P, R]], Step[P, R]]:
    """Declare a function as a step that makes the named layers.

    Parameters
    ----------
    makes
        A layer sitegeo knows by its name; a new one as its `Contract` or `RasterContract`.

    Returns
    -------
    decorator
        Turns the function into a `Step`.

    Raises
    ------
    StepError
        If the function's arguments do not follow the form above.

    Examples
    --------
    >>> import numpy as np
    >>> from sitegeo.core.contracts import RasterContract
    >>> from sitegeo.core.grid import Raster
    >>> @step(RasterContract("wetness"))
    ... def wetness(*, cover: Raster) -> Raster:
    ...     return Raster((cover.band("class") == 1).astype(np.uint8), cover.grid)
    >>> wetness.needs, wetness.made
    (('cover',), ('wetness',))
    """

    def declare(function: Callable[P, R]) -> Step[P, R]:
        name = getattr(function, "__name__", repr(function))
        needs, uses, params = declared_arguments(function, name)
        made = tuple(contract(m) if isinstance(m, str) else m for m in makes)
        if not made:
            raise StepError(f"step '{name}' makes nothing", remedy="Name its layers in @step(...)")
        return Step(name, function, needs, uses, made, params)

    return declare


def declared_arguments(
    function: Callable[..., object], name: str
) -> tuple[tuple[str, ...], tuple[str, ...], Any]:
    needs: list[str] = []
    uses: list[str] = []
    params = None
    for argument in inspect.signature(function).parameters.values():
        if argument.kind is not argument.KEYWORD_ONLY:
            raise StepError(
                f"step '{name}': argument '{argument.name}' is not keyword-only",
                remedy="Put * first in its signature",
            )
        if argument.name == "params":
            params = argument.default
            if not getattr(getattr(params, "__dataclass_params__", None), "frozen", False):
                raise StepError(f"step '{name}': params must default to a frozen dataclass")
        elif argument.default is argument.empty:
            needs.append(argument.name)
        elif argument.default is None:
            uses.append(argument.name)
        else:
            raise StepError(
                f"step '{name}': a layer's default can only be None", value=argument.name
            )
    return tuple(needs), tuple(uses), params


def offers() -> dict[str, EntryPoint]:
    """Return the installed entry points, unloaded, by ``distribution:name``."""
    points = tuple(entry_points(group=STEP_GROUP))
    # A distribution reads its metadata anew each time it is asked for its name.
    names = {dist: dist.name for dist in {point.dist for point in points} if dist}
    found = {f"{names[p.dist] if p.dist else ''}:{p.name}": p for p in points}
    return dict(sorted(found.items()))


def installed(*, skip: Iterable[str] = ()) -> tuple[Step[..., Any], ...]:
    """Return the installed steps, each replaced where another package makes its layers.

    Parameters
    ----------
    skip
        Keys of `offers` to leave unloaded, since importing a step can be slow.

    Raises
    ------
    StepError
        If an entry point cannot be loaded or is no step, or two other packages make one layer.
    """
    skipped = set(skip)
    return without_replaced([_load(k, p) for k, p in offers().items() if k not in skipped])


def _load(key: str, point: EntryPoint) -> Step[..., Any]:
    remedy = f"Repair or uninstall the package behind '{key}'"
    try:
        loaded = point.load()
    except Exception as error:
        raise StepError(f"the step '{key}' cannot be loaded: {error}", remedy=remedy) from error
    if not isinstance(loaded, Step):
        raise StepError(f"the entry point '{key}' is not a step", value=loaded, remedy=remedy)
    return loaded


def without_replaced(steps: Iterable[Step[..., Any]]) -> tuple[Step[..., Any], ...]:
    """Return steps without those of ours whose layers another package makes.

    Parameters
    ----------
    steps
        Of any packages, in any order.

    Returns
    -------
    tuple of Step
        Those of other packages first, by package and name.

    Raises
    ------
    StepError
        If two packages beside ours make one layer, or a replacement leaves out a layer that the
        step it replaces makes.
    """
    ours = __name__.partition(".")[0]
    # Other packages first, so that ours yield to them.
    ordered = sorted(steps, key=lambda s: (s.package == ours, s.package, s.name))
    others = [s for s in ordered if s.package != ours]
    replaced = _makers(others)
    kept = others
    for own in (s for s in ordered if s.package == ours):
        by = {replaced[name].full_name for name in own.made if name in replaced}
        if not by:
            kept.append(own)
        elif not set(own.made) <= set(replaced):
            raise StepError(
                f"step '{own.full_name}' is replaced in part",
                value=sorted(by),
                remedy=f"A replacement must make all of {', '.join(own.made)}",
            )
    return tuple(kept)


def _makers(steps: Iterable[Step[..., Any]]) -> dict[str, Step[..., Any]]:
    """Return the step that makes each layer; raises where two do."""
    makers: dict[str, Step[..., Any]] = {}
    for new in steps:
        for name in new.made:
            if name in makers:
                raise StepError(
                    f"two steps make the layer '{name}'",
                    value=[makers[name].full_name, new.full_name],
                    remedy="Keep one of them installed",
                )
            makers[name] = new
    return makers


def resolve(
    steps: Iterable[Step[..., Any]],
    *,
    have: Iterable[str],
    later: Iterable[str] = (),
    want: Iterable[str] | None = None,
) -> tuple[Step[..., Any], ...]:
    """Return the steps that can run now, in an order that meets their needs.

    Parameters
    ----------
    steps
        Steps, each of which makes other layers.
    have
        Names of the layers at hand.
    later
        Layers that come with the morning; steps that need them, directly or through another
        step, are left out.
    want
        Layers to make; steps that none of them needs or uses are left out. All by default.

    Returns
    -------
    tuple of Step
        In an order that is the same on every run; without steps whose layers are all at hand.

    Raises
    ------
    StepError
        For a need nobody meets, steps that need each other in a circle, or two that make one
        layer.
    """
    at_hand = set(have)
    awaited = set(later) - at_hand
    todo = [s for s in steps if not set(s.made) <= at_hand]
    maker = _makers(todo)
    if want is not None:
        todo = _towards(want, maker, at_hand)
    # A step is known here by the layers it makes: names may meet between packages. Lists, not
    # sets, so that the order is the same on every run.
    graph = {
        s.made: [maker[n].made for n in (*s.needs, *s.uses) if n in maker and n not in at_hand]
        for s in todo
    }
    try:
        order = list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        circle = [maker[made[0]].full_name for made in error.args[1]]
        raise StepError("steps need each other in a circle", value=" -> ".join(circle)) from None
    ready: list[Step[..., Any]] = []
    for made in order:
        candidate = maker[made[0]]
        if awaited & set(candidate.needs):
            awaited |= set(candidate.made) - at_hand
            continue
        for need in candidate.needs:
            if need not in at_hand:
                raise _unmet(candidate, need)
        at_hand |= set(candidate.made)
        ready.append(candidate)
    return tuple(ready)


def _towards(
    want: Iterable[str], maker: Mapping[str, Step[..., Any]], at_hand: set[str]
) -> list[Step[..., Any]]:
    """Return the steps behind the layers wanted, in the order of `maker`."""
    behind: set[str] = set()
    asked = [n for n in want if n in maker]
    while asked:
        candidate = maker[asked.pop()]
        if not behind.issuperset(candidate.made):
            behind |= set(candidate.made)
            needed = (*candidate.needs, *candidate.uses)
            asked += [n for n in needed if n in maker and n not in at_hand]
    return list({s.made: s for n, s in maker.items() if n in behind}.values())


def _unmet(needy: Step[..., Any], need: str) -> StepError:
    known = need in PLACE_INPUTS
    return StepError(
        f"step '{needy.name}' of package '{needy.package}' needs the layer '{need}', "
        + ("which this place does not bring" if known else "which no installed step makes"),
        remedy=f"Add {need} under [layers] in PLACE.toml, or uninstall the step"
        if known
        else "Install the package that makes it, or uninstall the step",
    )


@dataclass(frozen=True)
class StepRecord:
    """What is recorded of a step that was run.

    Attributes
    ----------
    name, package
        Which step.
    params
        The fields of its parameters.
    key
        Key of its results, see `step_key`; empty where nothing is to be recalled.
    seconds
        How long it took.
    reused
        Whether its results were kept from an earlier run.
    """

    name: str
    package: str
    params: Mapping[str, Any]
    key: str
    seconds: float
    reused: bool


@dataclass
class StepRun:
    """The layers at hand, their keys and the record of steps, growing as steps run."""

    layers: ChainMap[str, Any]
    keys: dict[str, str]
    ran: list[StepRecord] = field(default_factory=list)


def run(
    steps: Iterable[Step[..., Any]],
    layers: Mapping[str, Any],
    keys: Mapping[str, str],
    *,
    recall: Callable[[Step[..., Any], str], tuple[Any, ...] | None] = lambda _step, _key: None,
    on_step: Callable[[Step[..., Any]], None] = lambda _step: None,
    verify: bool = True,
) -> StepRun:
    """Run resolved steps and return every layer with a record of each step.

    Parameters
    ----------
    steps
        In an order that `resolve` found.
    layers, keys
        What is at hand, and for each a key that changes with its content; no keys where the
        results are not to be recalled.
    recall
        Gives the results of a step kept from an earlier run under the same key, if any.
    on_step
        Called before each step, for progress.
    verify
        Check each result against its contract; not again where the same steps ran for another wind.

    Returns
    -------
    StepRun
        All layers, those at hand included, their keys, and the record of each step.

    Raises
    ------
    StepError, LayerError
        If a layer has no key, or a step returns the wrong number of layers or one that breaks
        its contract.
    """
    unkeyed = sorted(set(layers) - set(keys)) if keys else []
    if unkeyed:
        raise StepError("layers without a key", value=unkeyed)
    # A chain, so that layers kept on disk are read only when a step asks for them.
    state = StepRun(ChainMap({}, cast("dict[str, Any]", layers)), dict(keys))
    for current in steps:
        on_step(current)
        started = time.perf_counter()
        key = step_key(current, state.keys) if keys else ""
        results = recall(current, key)
        reused = results is not None
        if results is None:
            results = _call(current, state.layers)
        if len(results) != len(current.makes):
            raise StepError(
                f"step '{current.name}' did not return the layers it promised",
                value=f"{len(results)} for {', '.join(current.made)}",
            )
        for made, result in zip(current.makes, results, strict=True):
            if verify:
                check(result, made, where=f"step '{current.name}'")
            state.layers[made.name] = result
            state.keys[made.name] = f"{key}:{made.name}"
        params = {} if current.params is None else asdict(current.params)
        seconds = time.perf_counter() - started
        state.ran.append(StepRecord(current.name, current.package, params, key, seconds, reused))
    return state


def _call(current: Step[..., Any], layers: Mapping[str, Any]) -> tuple[Any, ...]:
    given = {name: layers[name] for name in current.needs}
    given |= {name: layers[name] for name in current.uses if layers.get(name) is not None}
    result = current(**given)
    return result if isinstance(result, tuple) else (result,)


def step_key(current: Step[..., Any], keys: Mapping[str, str]) -> str:
    """Return the key of a step's results: its code, its parameters and what it is given."""
    given = {name: keys.get(name, "") for name in sorted({*current.needs, *current.uses})}
    # A step typed in a script or a notebook has no package to look into.
    code = (
        marshal.dumps(getattr(current.function, "__code__", None))
        if current.package == "__main__"
        else _code_key(current.package)
    )
    text = repr((current.name, code, current.params, given))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@cache
def _code_key(package: str) -> str:
    """Return a hash of a package's Python sources and the tables they read."""
    digest = hashlib.sha256()
    spec = find_spec(package)
    roots = spec.submodule_search_locations if spec else None
    files = [
        p for root in roots or () for p in Path(root).rglob("*") if p.suffix in {".py", ".toml"}
    ]
    if not files and spec and spec.origin:
        files = [Path(spec.origin)]
    for path in sorted(files):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
