"""The house's rules: where things live, which way arrows run, what may be heavy."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import sitegeo
from sitegeo.core import inputs

PACKAGE = Path(sitegeo.__file__).parent

VOCABULARY = {"errors", "units", "angles", "_version"}
"""What every room speaks, beside the packages."""

ARROWS: dict[str, set[str]] = {
    "core": set(),
    "places": {"core"},
    "weather": {"core"},
    "export": {"core"},
    "webmap": {"export", "core"},
    "spreads": {"core"},
    "landcover": {"places", "core"},
    "shore": {"landcover", "core"},
    "exposure": {"places", "core"},
    "law": {"places", "core"},
    "siting": {"spreads", "law", "exposure", "places", "core"},
    "surveys": {"siting", "spreads", "law", "shore", "exposure", "landcover", "places", "core"},
    "rankings": {"surveys", "siting", "spreads", "law", "exposure", "places", "core"},
    "plans": {
        *("rankings", "surveys", "siting", "spreads", "law", "exposure", "places"),
        *("export", "webmap", "core"),
    },
    "gather": {"weather", "places", "core"},
    "scan": {
        *("gather", "rankings", "surveys", "spreads", "law", "exposure", "shore", "places"),
        "core",
    },
    "qgis": {"scan", "surveys", "core"},
    "cli": {
        *("qgis", "scan", "gather", "weather", "plans", "rankings", "surveys", "siting"),
        *("export", "law", "places", "core"),
    },
}
"""The graph of packages: each takes in those it names, also for types alone."""

MOST_MODULES = 14
MOST_FILE_LINES = 600
MOST_FUNCTION_LINES = 60
KERNEL_FILES = {"exposure/_lines.py"}
"""One numba kernel, written out so that it compiles into one loop: its functions may be longer."""

KERNELS = ("sweep", "_lines", "_kernels", "fetch", "shelter", "local_wind", "waves")
NETWORK = {
    *("aiohttp", "ftplib", "http", "httpx", "pystac_client", "requests", "smtplib", "socket"),
    *("socketserver", "ssl", "urllib.request", "urllib3", "websockets"),
}
READS_FILES = ("sitegeo.gather.require_extra", "sitegeo.gather.osm")
"""Of gathering, what opens no network."""
KNOWS_PLACES = {"geopandas", "rasterio", "pyproj", "fiona", "pyogrio", "shapely", "pathlib"}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    return str(path.relative_to(PACKAGE))


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path, *, typing_too: bool = True) -> set[str]:
    """Names of modules a file imports, those only for types too unless told otherwise."""
    tree = tree_of(path)
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            skipped |= set(ast.walk(node))
    found: set[str] = set()
    for node in ast.walk(tree):
        if node in skipped and not typing_too:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return found


def home(path: Path) -> str:
    """The package of sitegeo that a file belongs to, or the module that stands alone."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def arrows(path: Path) -> set[str]:
    """The packages a file takes in, its own and the vocabulary left out."""
    own = {m.split(".")[1] for m in imported(path) if m.startswith("sitegeo.")}
    return (own & ARROWS.keys()) - {home(path)}


def functions(path: Path) -> Iterator[tuple[str | None, ast.FunctionDef]]:
    """Every function of a file with the class it stands in, those inside functions left out."""
    for node in tree_of(path).body:
        if isinstance(node, ast.FunctionDef):
            yield None, node
        elif isinstance(node, ast.ClassDef):
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef):
                    yield node.name, inner


# Rule 1: the graph of packages is declared in one table and has no cycle.


def test_the_table_of_arrows_has_no_cycle() -> None:
    order = list(TopologicalSorter(ARROWS).static_order())
    assert order.index("core") < order.index("places") < order.index("cli")


def test_every_package_is_in_the_table() -> None:
    packages = {p.name for p in PACKAGE.iterdir() if (p / "__init__.py").is_file()}
    assert packages == ARROWS.keys()
    alone = {p.stem for p in PACKAGE.glob("*.py")} - {"__init__", "__main__"}
    assert alone <= VOCABULARY


@pytest.mark.parametrize("package", sorted(ARROWS))
def test_a_package_takes_in_what_the_table_says_and_no_more(package: str) -> None:
    for path in (PACKAGE / package).rglob("*.py"):
        assert arrows(path) <= ARROWS[package], f"{name_of(path)} reaches beyond the table"
    used = set().union(*(arrows(path) for path in (PACKAGE / package).rglob("*.py")))
    assert ARROWS[package] - used <= {"core"}, f"{package} does not use all that its row names"


@pytest.mark.parametrize("name", sorted(VOCABULARY))
def test_the_vocabulary_knows_no_package(name: str) -> None:
    assert not arrows(PACKAGE / f"{name}.py")


# Rule 2: packages, files and functions that a reader can hold in mind.


def test_packages_hold_few_modules() -> None:
    held = Counter(p.parent for p in modules() if p.name != "__init__.py")
    assert {str(k): n for k, n in held.items() if n > MOST_MODULES} == {}


def test_files_stay_short() -> None:
    lines = {name_of(p): len(p.read_text(encoding="utf-8").splitlines()) for p in modules()}
    assert {k: n for k, n in lines.items() if n > MOST_FILE_LINES} == {}


def body_lines(function: ast.FunctionDef) -> int:
    """Lines of a function, its docstring left out."""
    told = ast.get_docstring(function, clean=False)
    doc = function.body[0]
    spent = (doc.end_lineno or 0) - doc.lineno + 1 if told is not None else 0
    return (function.end_lineno or 0) - function.lineno + 1 - spent


def test_functions_stay_short() -> None:
    long = {
        f"{name_of(p)}:{f.name}": n
        for p in modules()
        if name_of(p) not in KERNEL_FILES
        for _, f in functions(p)
        if (n := body_lines(f)) > MOST_FUNCTION_LINES
    }
    assert long == {}


# Rule 3: one module resolves and runs steps; every verb goes through it.


def test_only_the_pipeline_runs_steps() -> None:
    runs = {"resolve", "run", "installed", "without_replaced"}
    users = {
        name_of(p)
        for p in modules()
        for node in ast.walk(tree_of(p))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "steps"
        and node.attr in runs
    }
    users |= {
        name_of(p)
        for p in modules()
        if imported(p) & {f"sitegeo.core.steps.{name}" for name in runs}
    }
    assert users == {"surveys/pipeline.py"}


# Rule 4: what a place can bring is listed once.


def literal_names(path: Path) -> Iterator[tuple[int, set[str]]]:
    """The words in each tuple, list, set or table of a file, with its line."""
    for node in ast.walk(tree_of(path)):
        parts: list[ast.expr | None] = []
        if isinstance(node, ast.Tuple | ast.List | ast.Set):
            parts = list(node.elts)
        elif isinstance(node, ast.Dict):
            parts = list(node.keys)
        words = {p.value for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str)}
        if words:
            yield getattr(node, "lineno", 0), words


def test_what_a_place_can_bring_is_listed_once() -> None:
    roles = {i.role for i in inputs.INPUTS}
    again = [
        f"{name_of(p)}:{line} {sorted(words)}"
        for p in modules()
        if name_of(p) != "core/inputs.py"
        for line, words in literal_names(p)
        if len(words & roles) > len(roles) / 2
    ]
    assert again == []


# Rule 7: a public class or constant exists once.


def public_names(path: Path) -> Iterator[str]:
    for node in tree_of(path).body:
        if isinstance(node, ast.ClassDef):
            yield node.name
        targets = node.targets if isinstance(node, ast.Assign) else []
        if isinstance(node, ast.AnnAssign):
            targets = [node.target]
        for target in targets:
            if isinstance(target, ast.Name) and (target.id[0].isupper()):
                yield target.id


def test_a_public_class_or_constant_exists_once() -> None:
    where: dict[str, list[str]] = {}
    for path in modules():
        for name in public_names(path):
            where.setdefault(name, []).append(name_of(path))
    assert {name: places for name, places in where.items() if len(places) > 1} == {}


# Rule 8: a public function of three or more parameters says what it takes and gives.


def of_three_or_more(path: Path) -> Iterator[ast.FunctionDef]:
    for owner, function in functions(path):
        if function.name.startswith("_") or (owner or "").startswith("_"):
            continue
        given = function.args
        named = [a.arg for a in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
        if len([a for a in named if a not in ("self", "cls")]) >= 3:
            yield function


def sections(function: ast.FunctionDef) -> set[str]:
    told = ast.get_docstring(function) or ""
    return set(re.findall(r"^(\w+)\n-{3,}$", told, flags=re.MULTILINE))


def gives_nothing(function: ast.FunctionDef) -> bool:
    return function.returns is not None and ast.unparse(function.returns) in {"None", "NoReturn"}


WITH_SECTIONS = [p for p in modules() if home(p) != "cli" and name_of(p) not in KERNEL_FILES]


@pytest.mark.parametrize("path", WITH_SECTIONS, ids=name_of)
def test_public_functions_tell_parameters_and_returns(path: Path) -> None:
    lacking = []
    for function in of_three_or_more(path):
        found = sections(function)
        if "Parameters" not in found:
            lacking.append(f"{function.name}: Parameters")
        if not gives_nothing(function) and not found & {"Returns", "Yields"}:
            lacking.append(f"{function.name}: Returns")
    assert lacking == []


# Rule 9: a number that decides an outcome has a name and a line of its own that says what it is.


def undocumented_numbers(path: Path) -> Iterator[str]:
    """Module constants that are numbers and have neither a docstring nor a comment."""
    tree = tree_of(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    for node, after in zip(tree.body, [*tree.body[1:], None], strict=True):
        if isinstance(node, ast.Assign | ast.AnnAssign) and isinstance(node.value, ast.Constant):
            if not isinstance(node.value.value, int | float) or isinstance(node.value.value, bool):
                continue
            told = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            beside = "#" in lines[node.lineno - 1] or lines[node.lineno - 2].startswith("#")
            if not (told or beside):
                target = node.target if isinstance(node, ast.AnnAssign) else node.targets[0]
                yield ast.unparse(target)


def params_classes(path: Path) -> Iterator[ast.ClassDef]:
    for node in tree_of(path).body:
        if isinstance(node, ast.ClassDef) and node.name.endswith("Params"):
            yield node


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_a_number_that_decides_is_documented(path: Path) -> None:
    assert list(undocumented_numbers(path)) == []


TAG = re.compile(r"published|practice|judgement|measured|statute|standard|from memory", re.I)


@pytest.mark.parametrize("path", [p for p in modules() if any(params_classes(p))], ids=name_of)
def test_every_field_of_a_params_class_is_documented_and_tagged(path: Path) -> None:
    for params in params_classes(path):
        told = ast.get_docstring(params) or ""
        fields = [
            n.target.id
            for n in params.body
            if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name)
        ]
        missing = [f for f in fields if not re.search(rf"\b{f}\b", told)]
        assert missing == [], f"{params.name} does not say what these are"
        assert TAG.search(told), f"{params.name} does not say where its numbers are from"


# What may know what, and be how heavy.


@pytest.mark.parametrize("name", KERNELS)
def test_kernels_know_no_files_and_no_crs(name: str) -> None:
    roots = {module.split(".")[0] for module in imported(PACKAGE / "exposure" / f"{name}.py")}
    assert not roots & KNOWS_PLACES


def test_fiona_is_imported_in_vectors_alone() -> None:
    users = {p.name for p in modules() if any(m.split(".")[0] == "fiona" for m in imported(p))}
    assert users == {"vectors.py"}


def reaches_out(module: str) -> bool:
    return module.partition(".")[0] in NETWORK or module.startswith("urllib.request")


def test_only_gathering_opens_the_network() -> None:
    users = {home(p) for p in modules() if any(map(reaches_out, imported(p, typing_too=True)))}
    assert users <= {"gather"}
    sent = {
        str(p.relative_to(PACKAGE))
        for p in modules()
        if any(m.split(".")[0] in {"httpx", "requests"} for m in imported(p))
    }
    assert sent == {"gather/client.py"}  # all of it through the one polite client


def test_only_the_command_line_gathers() -> None:
    for path in modules():
        found = {m for m in imported(path) if m.startswith("sitegeo.gather.")}
        if home(path) not in {"gather", "cli"}:
            assert all(m.startswith(READS_FILES) for m in found)


def test_public_names() -> None:
    assert sorted(sitegeo.__all__) == sorted(
        [
            *("Contract", "Forecast", "Grid", "Hours", "Place", "Plan", "Ranking", "Raster"),
            *("RasterContract", "Season", "SitegeoError", "Step", "Survey", "Wind", "__version__"),
            *("hours", "plan", "rank", "read_place", "read_winds", "season", "step", "survey"),
        ]
    )
    for name in sitegeo.__all__:
        assert getattr(sitegeo, name) is not None


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; from sitegeo.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'geopandas', 'rasterio', 'numba', 'folium', 'shapely', 'rich'}\n"
        "heavy |= {'httpx', 'osmium', 'pystac'}\n"
        "print('heavy:', sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "heavy: []"


def test_a_ranking_imports_no_slow_library_that_only_a_survey_or_a_plan_uses() -> None:
    code = (
        "import sys, sitegeo.cli.report.answers, sitegeo.rankings.chosen_hide\n"
        "import sitegeo.exposure.field, sitegeo.rankings.ranking\n"
        "slow = {'folium', 'reportlab', 'skimage'}\n"
        "print('slow:', sorted(slow & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "slow: []"
