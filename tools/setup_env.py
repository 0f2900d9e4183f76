"""Make or refresh ``.venv`` from the committed locks, with nothing but the standard library.

``make demo`` and ``make test`` call it; without make, run it by hand::

    python3 tools/setup_env.py          # what sitegeo needs to run
    python3 tools/setup_env.py --test   # and what its tests need

It does nothing when ``.venv`` already matches the locks. pip's own settings (proxy, index,
find-links, certificates) are left as the user made them; the locks hold hashes and no addresses.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

OLDEST, NEWEST = (3, 11), (3, 13)
ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
STAMP = VENV / "setup.json"
VENV_PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
# The interpreter behind any environment that happens to be active: .venv itself may be.
BASE_PYTHON = getattr(sys, "_base_executable", None) or sys.executable
CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")

RUNTIME_LOCK, TEST_LOCK, PROJECT = "requirements.lock", "requirements-test.lock", "pyproject.toml"


NETWORK_HINT = """
The usual cause is no connection, or a proxy that pip does not know. If the connection
works, 'No matching distribution' means that a library has no build for this machine:
Linux and Windows on x86-64 and macOS 14 or later on Apple silicon have them all.
Then run this again."""


class SetupError(Exception):
    """Set-up cannot go on; the text says why and what to do."""


def unsuitable(version: tuple[int, ...]) -> str:
    """Return why this Python version cannot run sitegeo, or "" when it can."""
    text = ".".join(map(str, version))
    if version[:2] < OLDEST:
        return f"{text}, too old"
    if version[:2] > NEWEST:
        return f"{text}, too new: not every library we use has a build for it yet"
    return ""


def chromium() -> str | None:
    """Return a Chromium that starts, or None (a distribution's stub may be on the path)."""
    found = (shutil.which(name) for name in CHROMIUM)
    return next((path for path in found if path and works([path, "--version"])), None)


def key(name: str) -> str:
    """Digest what an installed step depends on: the file, the Python version, the place."""
    context = f"{ROOT} {sys.version_info[:2]}".encode()
    return hashlib.sha256((ROOT / name).read_bytes() + context).hexdigest()


def stamps() -> dict[str, str]:
    """Return the finished steps of the present environment, by file name."""
    if not (STAMP.exists() and VENV_PYTHON.exists()):
        return {}
    done: dict[str, str] = json.loads(STAMP.read_text())
    return done


def set_up(steps: list[str]) -> None:
    """Run the steps whose file changed since they last ran; a new runtime lock starts afresh."""
    done = stamps()
    if all(done.get(step) == key(step) for step in steps):
        return
    start = time.monotonic()
    python = ".".join(map(str, sys.version_info[:3]))
    say(f"Setting up .venv with Python {python}; the first time takes a minute or more ...")
    if done.get(RUNTIME_LOCK) != key(RUNTIME_LOCK):
        make_venv()
        done = {}
    pip = find_pip()
    for step in steps:
        if done.get(step) != key(step):
            install(pip, step)
            done[step] = key(step)
            STAMP.write_text(json.dumps(done, indent=1))
    say(f"Ready in {time.monotonic() - start:.0f} s.")


def make_venv() -> None:
    """Make an empty .venv, without pip where ensurepip was left out (as Debian does)."""
    command = [BASE_PYTHON, "-m", "venv", "--clear", str(VENV)]
    if works(command):
        return
    result = run([*command, "--without-pip"])
    if result.returncode:
        raise SetupError(
            f"{BASE_PYTHON} could not make a virtual environment in {VENV}:\n"
            f"{result.stdout.strip()}\nOn Debian and Ubuntu: apt install python3-venv"
        )


def find_pip() -> list[str]:
    """Return the command of a pip that installs into .venv: its own, else one from outside."""
    into_venv = ["--python", str(VENV_PYTHON)]
    for command in (
        [str(VENV_PYTHON), "-m", "pip"],
        [BASE_PYTHON, "-m", "pip", *into_venv],
        ["pip3", *into_venv],
        ["pip", *into_venv],
    ):
        if works([*command, "--version"]):
            return command
    raise SetupError(
        f"{BASE_PYTHON} has neither ensurepip nor pip 22.3 or newer.\n"
        "On Debian and Ubuntu: apt install python3-venv (or python3-pip); then run this again."
    )


def install(pip: list[str], step: str) -> None:
    """Install one lock, or the project itself in place; pip is heard only when it fails."""
    # Hash mode refuses an editable install, so the project comes after the lock that holds its
    # build backend. --no-user: a user's setting that cannot work inside an environment.
    # --no-input: nobody would see the question.
    options = ["-q", "--disable-pip-version-check", "--no-deps", "--no-user", "--no-input"]
    if step == PROJECT:
        what, hint = ["--no-build-isolation", "-e", "."], ""
    else:
        what, hint = ["--require-hashes", "--only-binary", ":all:", "-r", step], NETWORK_HINT
    result = run([*pip, "install", *options, *what])
    if result.returncode:
        reason = "\n".join(result.stdout.splitlines()[-12:])
        raise SetupError(f"{reason}\n\nInstalling {step} failed; pip's words are above.{hint}")


def provide_chromium() -> None:
    """Install Chromium for the browser tests where root and apt-get allow; else say it lacks."""
    if chromium():
        return
    apt = shutil.which("apt-get")
    if apt and os.geteuid() == 0:
        say("Installing Chromium for the browser tests (apt-get) ...")
        os.environ["DEBIAN_FRONTEND"] = "noninteractive"
        run([apt, "-qq", "update"])
        run([apt, "-qq", "-y", "--no-install-recommends", "install", "chromium"])
    if not chromium():
        lack = f"NO CHROMIUM (looked for {', '.join(CHROMIUM)})"
        if os.environ.get("CI", "").lower() in ("1", "true"):
            raise SetupError(f"{lack}: with CI set, the browser tests must run. Install chromium.")
        say(f"*** {lack}: the browser tests will be SKIPPED. Install chromium. ***")


def works(command: list[str]) -> bool:
    """Return whether the command exists and succeeds."""
    try:
        return run(command).returncode == 0
    except OSError:
        return False


def run(command: list[str]) -> subprocess.CompletedProcess[str]:
    """Run a command from the project's folder and keep what it prints."""
    # A PYTHONPATH or PYTHONHOME of the user's would leak foreign packages into the environment.
    env = {k: v for k, v in os.environ.items() if k not in ("PYTHONHOME", "PYTHONPATH")}
    return subprocess.run(
        command,
        cwd=ROOT,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )


def say(text: str) -> None:
    """Print at once, so that a slow step does not look dead."""
    print(text, flush=True)


def main(arguments: list[str]) -> int:
    """Set up; with --suits only say whether this interpreter can."""
    reason = unsuitable(tuple(sys.version_info[:3]))
    if reason or "--suits" in arguments:
        say(reason and f"Python {reason} (sitegeo needs 3.11, 3.12 or 3.13)")
        return 1 if reason else 0
    test = "--test" in arguments
    try:
        set_up([RUNTIME_LOCK, *([TEST_LOCK] if test else []), PROJECT])
        if test:
            provide_chromium()
    except SetupError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
