"""The house's rules: arrows run one way, kernels know no files, nothing heavy at the top."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import sitegeo

PACKAGE = Path(sitegeo.__file__).parent

# From the ground up; a module imports only from its own floor and those below it.
FLOORS = (
    {"errors", "units", "angles", "threads"},
    {"grid", "tomlfile", "folders", "bundled"},
    {"layers", "wind", "placefile"},
    {"steps", "rasterfile", "photofile", "imagery", "vectors", "weather"},
    {"place", "terrain", "exposure", "export"},
    {"spreads", "law", "siting", "store", "surveysheet", "webmap"},
    {"survey", "cautions"},
    {"hides", "laying", "watertoday"},
    {"ranking"},
    {"manywinds", "rank_record", "turning"},
    {"hours"},
    {"season"},
    {
        *("plan", "plan_card", "plan_crossing", "plan_features", "plan_fire", "plan_map"),
        *("plan_record", "plan_shift", "plan_times", "plan_turn"),
    },
    {"checking", "onestep"},
    {"gather", "scan", "desktop"},
    {"demo", "cli", "__main__", "__init__"},
)
FLOOR = {name: number for number, names in enumerate(FLOORS) for name in names}

LEAVES = {"export": 3, "webmap": 4}
KERNELS = ("sweep", "_lines", "field", "fetch", "shelter", "waves")
NETWORK = {
    *("aiohttp", "ftplib", "http", "httpx", "pystac_client", "requests", "smtplib", "socket"),
    *("socketserver", "ssl", "urllib.request", "urllib3", "websockets"),
}
READS_FILES = ("sitegeo.gather.require_extra", "sitegeo.gather.osm")
"""Of gathering, what opens no network."""
KNOWS_PLACES = {"geopandas", "rasterio", "pyproj", "fiona", "pyogrio", "shapely", "pathlib"}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def imported(path: Path, *, typing_too: bool = False) -> set[str]:
    """Names of modules a file imports, those only for types left out."""
    tree = ast.parse(path.read_text())
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
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return found


def home(path: Path) -> str:
    """The module or sub-package of sitegeo that a file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_arrows_run_one_way(path: Path) -> None:
    own = FLOOR[home(path)]
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "sitegeo" and len(parts) > 1 and parts[1] in FLOOR:
            assert FLOOR[parts[1]] <= own, f"{home(path)} reaches up to {parts[1]}"


@pytest.mark.parametrize("name", LEAVES)
def test_export_and_map_are_leaves_on_the_vocabulary(name: str) -> None:
    for path in (PACKAGE / name).rglob("*.py"):
        for module in imported(path):
            parts = module.split(".")
            if parts[0] == "sitegeo" and len(parts) > 1 and parts[1] in FLOOR:
                assert parts[1] == name or FLOOR[parts[1]] <= LEAVES[name]


@pytest.mark.parametrize("name", KERNELS)
def test_kernels_know_no_files_and_no_crs(name: str) -> None:
    roots = {module.split(".")[0] for module in imported(PACKAGE / "exposure" / f"{name}.py")}
    assert not roots & KNOWS_PLACES


def test_fiona_is_imported_in_place_alone() -> None:
    users = {p.name for p in modules() if any(m.split(".")[0] == "fiona" for m in imported(p))}
    assert users == {"place.py"}


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


def test_files_stay_short() -> None:
    long = {p.name: n for p in modules() if (n := len(p.read_text().splitlines())) > 420}
    assert not long


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


def test_the_verb_wins_over_the_module_of_its_name() -> None:
    code = (
        "import sitegeo.survey, sitegeo.plan, sitegeo;"
        "assert callable(sitegeo.survey) and callable(sitegeo.plan);"
        "from sitegeo.surveys.survey import Survey"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


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
        "import sys, sitegeo.cli.report.answers, sitegeo.hides, sitegeo.ranking\n"
        "import sitegeo.exposure.field, sitegeo.siting.score\n"
        "slow = {'folium', 'reportlab', 'skimage'}\n"
        "print('slow:', sorted(slow & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "slow: []"
