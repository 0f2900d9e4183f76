"""Change one comparison, sum, extreme or choice of law/ at a time and see whether a test fails.

`make law-mutants` runs every module; `python tools/mutants.py shot_range,ground` some. Each mutant
is run in a fork that has the libraries loaded already. A survivor is printed with its line.

Two maintained tools were tried on law/ and do not replace this. mutmut 3.8 changes nothing in a
decorated function, and so in none of the validators and properties of a rule, turns no comparison
round, and swaps no `min`, `any`, `argmin` or `floor`, on which it hangs that a verdict is never too
permissive. cosmic-ray 8.7 swaps none of these either, changes the `|` of annotations (three in four
of its mutants), and starts Python anew for each: seconds of import that a fork here is spared.
"""

from __future__ import annotations

import ast
import copy
import importlib
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import CodeType
from typing import Any

import hypothesis
import pytest

ROOT = Path(__file__).resolve().parents[1]
LAW = ROOT / "sitegeo" / "law"
LIMIT_S = 120
"""Seconds after which a mutant counts as noticed."""
LOADED = (
    *("hypothesis.extra.numpy", "numpy", "pandas", "geopandas", "shapely", "pyproj"),
    *("pydantic", "astral.sun", "scipy.spatial", "scipy.ndimage", "rasterio", "skimage", "numba"),
    *("sitegeo.core.contracts", "sitegeo.places.config", "sitegeo.core.steps", "sitegeo.core.wind"),
)
COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
JOINED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.Mod: ast.Mult,
}
_PAIRS = (
    *(("min", "max"), ("minimum", "maximum"), ("fmin", "fmax"), ("argmin", "argmax")),
    *(("any", "all"), ("floor", "ceil")),
)
SWAPPED = dict(_PAIRS) | {b: a for a, b in _PAIRS}

# The quickest of the tests that know a module, those first that fail most often.
TESTS = {
    "calendar": ("unit/test_law_calendar.py",),
    "context": (
        *("unit/test_law_terms.py", "unit/test_setback_verdicts.py"),
        *("unit/test_land_verdicts.py", "unit/test_setback_agreement.py"),
    ),
    "daylight": ("published/test_daylight.py", "unit/test_law_calendar.py"),
    "examples": ("unit/test_law_rules.py", "unit/test_setback_verdicts.py"),
    "features": ("unit/test_setback_features.py", "published/test_setback_distances.py"),
    "geodesic": (
        *("published/test_setback_distances.py", "unit/test_setback_features.py"),
        *("unit/test_setback_verdicts.py", "property/test_setbacks_polygons.py"),
    ),
    "ground": ("unit/test_land_verdicts.py", "unit/test_public_ground.py"),
    "rules": ("unit/test_law_rules.py", "unit/test_law_calendar.py"),
    "safety": ("published/test_cold.py", "published/test_cautions.py"),
    "setbacks": (
        *("unit/test_setback_agreement.py", "unit/test_setback_verdicts.py"),
        *("unit/test_law_terms.py", "unit/test_setback_features.py", "unit/test_law_step.py"),
        "property/test_setbacks_polygons.py",
    ),
    "shot_range": ("analytic/test_shotfall_arcs.py", "published/test_shotfall.py"),
    "steps": ("unit/test_law_step.py",),
    "verdicts": ("unit/test_setback_words.py", "unit/test_checking.py"),
}


def main() -> int:
    """Run the mutants of the modules named, or of all; 1 if any survives."""
    os.chdir(ROOT)
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    for name in LOADED:
        importlib.import_module(name)
    quick = hypothesis.settings(max_examples=40, derandomize=True, database=None, deadline=None)
    hypothesis.settings.register_profile("mutants", quick)
    names = sys.argv[1].split(",") if sys.argv[1:] else list(TESTS)
    left = [_of_module(name) for name in names]
    print(f"{sum(left)} survived in all")
    return int(any(left))


def _of_module(name: str) -> int:
    """Return how many mutants of a module no test kills."""
    path = LAW / f"{name}.py"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    if _fails(path, compile(tree, path, "exec"), TESTS[name]):
        raise SystemExit(f"{name}: its tests fail without any change")
    count, survivors = 0, []
    for line, told, mutant in mutants(tree):
        count += 1
        code = compile(mutant, path, "exec")
        if not _fails(path, code, TESTS[name]):
            survivors.append(told)
            print(f"  survived {name}.py:{line}: {told}", flush=True)
    print(f"{name}: {count - len(survivors)} of {count} killed", flush=True)
    return len(survivors)


def mutants(tree: ast.Module) -> Iterator[tuple[int, str, ast.Module]]:
    """Give each mutant of a module: its line, what changed, and the whole of it."""
    typing = {id(part) for node in ast.walk(tree) for part in _annotations(node)}
    for number, node in enumerate(ast.walk(tree)):
        changes = () if id(node) in typing else tuple(_changes(node))
        for change in changes:
            whole = copy.deepcopy(tree)
            spot = next(n for k, n in enumerate(ast.walk(whole)) if k == number)
            told = ast.unparse(spot)
            new = change(spot)
            _Put(spot, new).visit(whole)
            yield (
                getattr(node, "lineno", 0),
                f"{told} -> {ast.unparse(new)}",
                ast.fix_missing_locations(whole),
            )


def _annotations(node: ast.AST) -> Iterator[ast.AST]:
    for name in ("annotation", "returns"):
        if isinstance(part := getattr(node, name, None), ast.AST):
            yield from ast.walk(part)


def _changes(node: Any) -> Iterator[Callable[[Any], Any]]:
    """Give what may be done to a node; each returns what stands in its place."""
    if isinstance(node, ast.Compare):
        for n, op in enumerate(node.ops):
            yield from (partial(_compared, n=n, op=new()) for new in COMPARED[type(op)])
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in JOINED:
        yield partial(_with, op=JOINED[type(node.op)]())
    elif isinstance(node, ast.BoolOp):
        yield partial(_with, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.UnaryOp):
        yield lambda spot: spot.operand
    elif isinstance(node, ast.Name) and node.id in SWAPPED and isinstance(node.ctx, ast.Load):
        yield partial(_with, id=SWAPPED[node.id])
    elif isinstance(node, ast.Attribute) and node.attr in SWAPPED:
        yield partial(_with, attr=SWAPPED[node.attr])


def _with(spot: ast.AST, **values: Any) -> ast.AST:
    for name, value in values.items():
        setattr(spot, name, value)
    return spot


def _compared(spot: ast.Compare, *, n: int, op: ast.cmpop) -> ast.AST:
    spot.ops[n] = op
    return spot


class _Put(ast.NodeTransformer):
    """Puts a new node where an old one was."""

    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


def _fails(path: Path, code: CodeType, tests: Iterable[str]) -> bool:
    """Return whether tests fail, or take too long, in a fork with this code for a module."""
    if child := os.fork():
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0
    signal.alarm(LIMIT_S)
    get_code = SourceFileLoader.get_code

    def mutated(self: SourceFileLoader, name: str) -> CodeType | None:
        return code if Path(self.path) == path else get_code(self, name)

    SourceFileLoader.get_code = mutated  # type: ignore[method-assign, assignment]
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    options = (
        "-x",
        "-q",
        "--tb=no",
        "--assert=plain",
        "-p",
        "no:cacheprovider",
        "--hypothesis-profile=mutants",
    )
    os._exit(int(pytest.main([*options, *(f"tests/{test}" for test in tests)])))


if __name__ == "__main__":
    sys.exit(main())
