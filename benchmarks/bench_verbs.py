"""What the verbs cost, as ratios and counts; run on a quiet machine.

    python benchmarks/bench_verbs.py

- `sitegeo --help`, seconds.
- `rank` as a cold process against a process that only imports the libraries it loads, and so
  `plan`: with all it writes, and what is worked out without writing.
- `demo` end to end from a warm cache, seconds and peak memory.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BIN = Path(sys.executable).parent / "sitegeo"
WIND = "NW 12 mph"
REPEATS = 7


def seconds(command: list[str]) -> float:
    """Wall time of one process."""
    started = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - started


def interleaved(*commands: list[str]) -> list[float]:
    """Best wall time of each command, run in turn so that all meet the same machine."""
    runs = [[seconds(command) for command in commands] for _ in range(REPEATS)]
    return [min(times) for times in zip(*runs, strict=True)]


def code_of(*words: str) -> str:
    """Python that runs a command and goes on."""
    return f"from sitegeo.cli import main\ntry: main({list(words)!r})\nexcept SystemExit: pass\n"


def imports_of(code: str, script: Path) -> list[str]:
    """Return a command that imports the modules of other packages that some code loads."""
    code += (
        "import sys; own = {'sitegeo', '__main__', '__mp_main__'}\n"
        "print('\\nMODULES', *[m for m in sys.modules if m.split('.')[0] not in own])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    names = done.stdout.rpartition("MODULES ")[2].split()
    lines = [f"try: __import__({m!r})\nexcept Exception: pass" for m in names]
    script.write_text("\n".join(lines))
    return [sys.executable, str(script)]


def peak_mb(command: list[str]) -> tuple[float, float]:
    """Wall time and peak memory of a child, read from its own accounting."""
    started = time.perf_counter()
    # This process stays small, since a child's peak starts from its parent's.
    silent = [(os.POSIX_SPAWN_OPEN, fd, os.devnull, os.O_WRONLY, 0) for fd in (1, 2)]
    pid = os.posix_spawn(command[0], command, os.environ, file_actions=silent)
    _, status, usage = os.wait4(pid, 0)
    assert status == 0
    scale = 1e6 if sys.platform == "darwin" else 1e3
    return time.perf_counter() - started, usage.ru_maxrss / scale


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "demo"
        demo = [str(BIN), "demo", "--out", str(out), "--overwrite", "-q"]
        subprocess.run(demo, check=True, capture_output=True)
        survey = out / "survey"
        told = (str(survey), "--wind", WIND, "-q")
        whole = ("plan", *told, "--out", str(Path(folder) / "plan"), "--overwrite")
        worked = (
            "from sitegeo import Survey, Wind, plan\n"
            f"plan(Survey.open({str(survey)!r}), Wind.parse({WIND!r}))\n"
        )
        runs = {
            "rank, cold process": ([str(BIN), "rank", *told], code_of("rank", *told)),
            "plan, nothing written": ([sys.executable, "-c", worked], worked),
            "plan, cold process": ([str(BIN), *whole], code_of(*whole)),
        }
        (plain,) = interleaved([str(BIN), "--help"])
        print(f"sitegeo --help                {plain:.2f} s")
        for number, (name, (command, code)) in enumerate(runs.items()):
            script = Path(folder) / f"libraries_{number}.py"
            bare, ran = interleaved(imports_of(code, script), command)
            print(f"{name:24}      {ran:.2f} s   its imports {bare:.2f} s   {ran / bare:.2f} x")
        # Overwriting with the steps kept, then with all of them run afresh.
        kept_s, kept_mb = peak_mb(demo)
        fresh = [str(BIN), "demo", "--out", str(Path(folder) / "fresh"), "-q"]
        fresh_s, fresh_mb = peak_mb(fresh)
        print(f"demo, steps kept              {kept_s:.1f} s   {kept_mb:.0f} MB")
        print(f"demo, every step run          {fresh_s:.1f} s   {fresh_mb:.0f} MB")


if __name__ == "__main__":
    main()
