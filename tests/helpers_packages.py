"""Installing the packages under tests/packages, without network and outside the environment."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
REPO = HERE.parent


def install(name: str, target: Path) -> Path:
    """Build the wheel of tests/packages/`name` and unpack it into `target`; returns `target`."""
    work = target.parent / f"{name}-build"
    shutil.copytree(HERE / "packages" / name, work / name)
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(work)],
        cwd=work / name,
        check=True,
        capture_output=True,
    )
    (wheel,) = work.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(target)
    return target


def environment(target: Path) -> dict[str, str]:
    """Return the environment of a process that has the packages in `target` installed."""
    paths = [str(target), str(REPO), os.environ.get("PYTHONPATH", "")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in paths if p)}
