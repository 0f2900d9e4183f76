"""Set-up on a fresh machine: the locks, the choice of Python, the steps, and what is said."""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
RUNTIME = PROJECT["project"]["dependencies"]
EXTRAS = PROJECT["project"]["optional-dependencies"]
OURS = {f"sitegeo[{name}]": needs for name, needs in EXTRAS.items()}
TEST = [need for text in EXTRAS["test"] for need in OURS.get(text, [text])]
BACKEND = PROJECT["dependency-groups"]["setup"]
LOCKS = ["requirements.lock", "requirements-test.lock"]

Pins = dict[str, list[tuple[Requirement, int]]]


def pins(lock: str) -> Pins:
    """Return every pin of a lock, by package, with the count of its sha256 hashes."""
    text = re.sub(r"#.*", "", (ROOT / lock).read_text()).replace("\\\n", " ")
    found: Pins = {}
    for line in filter(None, map(str.strip, text.splitlines())):
        requirement = Requirement(line.split(" --hash", 1)[0])
        hashes = re.findall(r"--hash=sha256:[0-9a-f]{64}(?=\s|$)", line)
        found.setdefault(canonicalize_name(requirement.name), []).append((requirement, len(hashes)))
    return found


@pytest.fixture
def tool(tmp_path: Path) -> ModuleType:
    """The set-up script, working on an empty project folder in tmp_path."""
    (tmp_path / "tools").mkdir()
    script = shutil.copy(ROOT / "tools/setup_env.py", tmp_path / "tools")
    spec = importlib.util.spec_from_file_location("setup_env", script)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for name in (*LOCKS, "pyproject.toml"):
        (tmp_path / name).write_text(name)
    return module


# --- the locks


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_holds_no_address_host_or_path(lock: str) -> None:
    text = (ROOT / lock).read_text()
    assert not re.search(r"://|^-|--(?!hash=sha256:)|@| /|\\\S|~", text, re.MULTILINE)
    # The only words with a dot are versions and names of files in this project.
    code = re.sub(r"#.*", "", text)
    assert not re.search(r"[a-z0-9-]+\.(com|org|net|io|dev|local|internal)\b", code)


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_is_exact_and_hashed(lock: str) -> None:
    for name, entries in pins(lock).items():
        for requirement, hashes in entries:
            assert re.fullmatch(r"==[^*,]+", str(requirement.specifier)), name
            assert hashes > 0, name


@pytest.mark.parametrize(
    ("lock", "declared"),
    [
        ("requirements.lock", RUNTIME + BACKEND + PROJECT["build-system"]["requires"]),
        ("requirements-test.lock", RUNTIME + BACKEND + TEST),
    ],
)
def test_lock_covers_what_pyproject_declares_within_its_ranges(
    lock: str, declared: list[str]
) -> None:
    locked = pins(lock)
    for text in declared:
        wanted = Requirement(text)
        for pin, _ in locked[canonicalize_name(wanted.name)]:
            (exact,) = pin.specifier
            assert wanted.specifier.contains(exact.version), f"{text} against {pin}"


@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13"])
@pytest.mark.parametrize(("platform", "os_name"), [("linux", "posix"), ("win32", "nt")])
@pytest.mark.parametrize("lock", LOCKS)
def test_exactly_one_pin_holds_on_each_supported_python(
    lock: str, platform: str, os_name: str, python: str
) -> None:
    environment = {
        "python_version": python,
        "python_full_version": f"{python}.4",
        "sys_platform": platform,
        "os_name": os_name,
        "platform_python_implementation": "CPython",
    }
    locked = pins(lock)
    for text in RUNTIME + BACKEND:
        name = canonicalize_name(Requirement(text).name)
        held = [p for p, _ in locked[name] if not p.marker or p.marker.evaluate(environment)]
        assert len(held) == 1, name


def test_tests_run_on_the_versions_that_users_get() -> None:
    runtime, test = (
        {name: {str(pin) for pin, _ in entries} for name, entries in pins(lock).items()}
        for lock in LOCKS
    )
    assert {name: test[name] for name in runtime} == runtime


# --- which Python


def test_accepted_pythons_are_those_of_pyproject(tool: ModuleType) -> None:
    declared = SpecifierSet(PROJECT["project"]["requires-python"])
    for minor in range(6, 20):
        suits = not tool.unsuitable((3, minor, 1))
        assert suits == declared.contains(Version(f"3.{minor}.1")), minor


@pytest.mark.parametrize(
    ("version", "reason"),
    [((3, 10, 13), "3.10.13, too old"), ((3, 14, 0), "3.14.0, too new"), ((2, 7, 18), "too old")],
)
def test_reason_names_the_version(tool: ModuleType, version: tuple[int, ...], reason: str) -> None:
    assert reason in tool.unsuitable(version)


needs_make = pytest.mark.skipif(
    not shutil.which("make") or os.name == "nt", reason="make is not installed"
)


def pretend_python(folder: Path, name: str, version: tuple[int, int, int]) -> None:
    """Put an interpreter on the path that runs scripts as if it were another version."""
    folder.mkdir(exist_ok=True)
    mask = folder / f"{name}-mask.py"
    mask.write_text(
        "import runpy, sys\n"
        f"sys.version_info = {version}\n"
        "sys.argv = sys.argv[1:]\n"
        "runpy.run_path(sys.argv[0], run_name='__main__')\n"
    )
    command = folder / name
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" "{mask}" "$@"\n')
    command.chmod(0o755)


def make_demo(folder: Path, path: Path, *variables: str) -> subprocess.CompletedProcess[str]:
    """Run `make demo` in a copy of the set-up files, with only `path` to find programs on."""
    shutil.copy(ROOT / "Makefile", folder)
    make = shutil.which("make")
    assert make is not None
    return subprocess.run(
        [make, *variables, "demo"],
        cwd=folder,
        env={"PATH": str(path)},
        capture_output=True,
        text=True,
        check=False,
    )


@needs_make
def test_without_a_suitable_python_make_says_what_it_looked_for(
    tool: ModuleType, tmp_path: Path
) -> None:
    path = tmp_path / "bin"
    pretend_python(path, "python3", (3, 14, 0))
    pretend_python(path, "python", (3, 9, 2))
    done = make_demo(tmp_path, path)
    assert done.returncode != 0
    assert not (tmp_path / ".venv").exists()
    assert done.stderr.startswith(
        "No suitable Python: sitegeo needs Python 3.11, 3.12 or 3.13. Looked for\n"
    )
    for name in ("python3.13", "python3.12", "python3.11"):
        assert f"  {name}: not found\n" in done.stderr
    assert "  python3: Python 3.14.0, too new" in done.stderr
    assert "  python: Python 3.9.2, too old" in done.stderr
    assert "apt install python3 python3-venv" in done.stderr
    assert "make PYTHON=/path/to/python3.12 demo" in done.stderr


@needs_make
def test_a_named_python_that_does_not_suit_is_refused_not_replaced(
    tool: ModuleType, tmp_path: Path
) -> None:
    path = tmp_path / "bin"
    pretend_python(path, "python3.12", (3, 12, 1))
    pretend_python(path, "old", (3, 10, 0))
    done = make_demo(tmp_path, path, f"PYTHON={path}/old")
    assert done.returncode != 0
    assert f"  {path}/old: Python 3.10.0, too old" in done.stderr
    assert "python3.12:" not in done.stderr


@needs_make
def test_make_passes_over_unsuitable_pythons(tool: ModuleType, tmp_path: Path) -> None:
    path = tmp_path / "bin"
    (tmp_path / "tools/setup_env.py").write_text(
        "import sys\n"
        "if sys.version_info[:2] == (3, 14): sys.exit(1)\n"
        "if '--suits' not in sys.argv: print('chose', sys.version_info[:2]); sys.exit(9)\n"
    )
    pretend_python(path, "python3.13", (3, 14, 0))
    pretend_python(path, "python3.12", (3, 12, 1))
    pretend_python(path, "python3", (3, 11, 1))
    done = make_demo(tmp_path, path)
    assert done.returncode != 0
    assert done.stdout == "chose (3, 12)\n"


# --- which steps run


@pytest.fixture
def installed(tool: ModuleType, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Record the steps instead of running pip; the environment is an empty file tree."""
    steps: list[str] = []

    def make_venv() -> None:
        shutil.rmtree(tool.VENV, ignore_errors=True)
        tool.VENV_PYTHON.parent.mkdir(parents=True)
        tool.VENV_PYTHON.touch()
        steps.append("venv")

    monkeypatch.setattr(tool, "make_venv", make_venv)
    monkeypatch.setattr(tool, "find_pip", lambda: ["pip"])
    monkeypatch.setattr(tool, "install", lambda pip, step: steps.append(step))
    return steps


DEMO = ["requirements.lock", "pyproject.toml"]
ALL = ["requirements.lock", "requirements-test.lock", "pyproject.toml"]


def test_tests_add_to_the_environment_of_the_demo(tool: ModuleType, installed: list[str]) -> None:
    tool.set_up(DEMO)
    tool.set_up(DEMO)
    assert installed == ["venv", *DEMO]
    tool.set_up(ALL)
    tool.set_up(ALL)
    tool.set_up(DEMO)
    assert installed == ["venv", *DEMO, "requirements-test.lock"]


@pytest.mark.parametrize(
    ("changed", "again"),
    [
        ("requirements.lock", ["venv", *ALL]),
        ("requirements-test.lock", ["requirements-test.lock"]),
        ("pyproject.toml", ["pyproject.toml"]),
    ],
)
def test_a_changed_file_repeats_its_own_step(
    tool: ModuleType, installed: list[str], changed: str, again: list[str]
) -> None:
    tool.set_up(ALL)
    installed.clear()
    (tool.ROOT / changed).write_text("other")
    tool.set_up(ALL)
    assert installed == again


def test_an_interrupted_step_is_repeated(
    tool: ModuleType, installed: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(pip: list[str], step: str) -> None:
        if step == "pyproject.toml":
            raise tool.SetupError(step)
        installed.append(step)

    with monkeypatch.context() as patch:
        patch.setattr(tool, "install", fail)
        with pytest.raises(tool.SetupError):
            tool.set_up(DEMO)
    tool.set_up(DEMO)
    assert installed == ["venv", "requirements.lock", "pyproject.toml"]


def test_an_environment_whose_python_vanished_is_made_anew(
    tool: ModuleType, installed: list[str]
) -> None:
    tool.set_up(DEMO)
    tool.VENV_PYTHON.unlink()
    installed.clear()
    tool.set_up(DEMO)
    assert installed == ["venv", *DEMO]


# --- Chromium


@pytest.mark.parametrize(("ci", "fails"), [("true", True), ("", False)])
def test_without_chromium_ci_fails_and_people_are_told_loudly(
    tool: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    ci: str,
    fails: bool,
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("CI", ci)
    if fails:
        with pytest.raises(tool.SetupError, match="NO CHROMIUM"):
            tool.provide_chromium()
    else:
        tool.provide_chromium()
        assert "browser tests will be SKIPPED" in capsys.readouterr().out
