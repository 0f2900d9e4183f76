"""Prove that moving code changes no output: run two states of the code and compare all they write.

    tools/compare_outputs.py --base COMMIT     run that commit and this checkout, and compare
    tools/compare_outputs.py --make DIR        only run, into DIR; --source CHECKOUT for another one
    tools/compare_outputs.py --against DIR     run this checkout and compare with DIR made before

Exit 1 where anything differs. Every file is compared byte for byte, and so are exit code, stdout
and stderr of every command, kept in `commands/`. Left out is only what tells of the code or of the
clock:

- in every survey.json `hash`, `key`, `seconds` and `module` of its `steps`, `atlas` and `scan`;
- `timings.json`, and what a scan keeps in `.work` under keys made from the code;
- in what is printed, the folders of outputs, checkout and Python, and a scan's dashboard port.

Nothing needs to be installed anew: each checkout runs with a distribution of its own ahead of the
installed one, whose entry points are those of its pyproject.toml. Kernels are compiled afresh: a
cache would hide a change in another file than their own.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parents[1]
FEWEST_FILES, AT_ONCE = 100, 2
LEFT_OUT = {".work", "timings.json"}
OF_THE_CODE = {"hash", "seconds", "module", "key"}

HELPED = "demo gather survey rank plan hours season shift check scan qgis steps step"
WINDS = "N 12 mph,NE 9 mph,E 6 kn,SE 9 mph gust 16,S 20 mph,SW 8 kn,W 9 kn,NW 12 mph,calm"
PLANS = {"T002a": "NW 12 mph", "P001a": "SE 10 mph gust 16", "H002g": "S 8 mph", "F002c": "W 9 mph"}
HOURS = {"day": "2026-12-05T09:00", "dark": "2026-12-05T05:40 --print --air 28F"}

# The exit code it must end with, a name, the words; a blank line waits for all before it.
COMMANDS = """\
0 survey survey quennaby/place.toml --out survey

0 scan scan quennaby/region.toml --wind "NW 12 mph" --workers 2 --memory 2GB --out scan
0 plan_hide plan survey --wind "S 8 mph" --hide HIDE --far-group --paper a4 --out plan_hide
0 plan_water plan survey --wind "N 9 mph" --water "-1 ft" --units m --law law.toml --out plan_water
0 hours hours survey --forecast quennaby/forecast.csv
0 hours_json hours survey --forecast quennaby/forecast.csv --json --draws 50
0 season season survey --winds quennaby/past_winds.csv
0 season_json season survey --winds quennaby/past_winds.csv --json
0 rank_json rank survey --wind "NW 12 mph" --json --top 500
0 rank_when rank survey --wind "NW 12 mph" --when 2026-12-05T05:40 --air -2C --units m -v
0 rank_water rank survey --wind "NW 12 mph" --water "-1 ft" --law law.toml
3 check_survey check survey -v
3 check_survey_law check survey --law law.toml --json
3 check_spot check survey --at HIDE
3 check_spot_law check survey --at HIDE --law law.toml
3 check_nowhere check --at HIDE
3 check_nowhere_law check --at HIDE --law law.toml
0 step step positions survey --out step
0 steps steps
0 steps_json steps --json
0 gather_list gather --list
0 law_schema check --law-schema
0 qgis qgis --describe
2 wrong_wind rank survey --wind sideways
1 wrong_blind plan survey --wind "NW 12 mph" --blind X999 --out wrong
0 help --help

0 shift shift plan_T002a_day --wind "N 12 mph"
0 shift_json shift plan_P001a_day --wind "S 8 mph" --json
3 check_plan check plan_T002a_day
3 check_plan_law check plan_T002a_day --law law.toml
""".replace("HIDE", "44.1295879,-90.5423256")

REGION = """
title = "A county (invented)"
imagery = { source = "imagery.tif", bands = ["red", "green", "blue", "nir"], finest_m = 3 }
layers = { vectors = "layers.gpkg", canopy = "canopy.tif", depth = "depth.tif" }
assume = { canopy_height_m = 14.0, water_level_m = 247.0 }
place = { zone = "America/Chicago" }
tiles = { size_m = 1000, halo_m = 300 }
"""
PROBE = """
import json, sys, sitegeo
from importlib.metadata import entry_points
found = {g: {p.name: p.value for p in entry_points(group=g) if p.dist.name == "sitegeo"}
         for g in sys.argv[1:]}
print(json.dumps([sitegeo.__file__, found]))
"""


def stages() -> list[list[list[str]]]:
    """Return the commands, each split into words; a stage needs what earlier ones wrote."""
    first, second, third = COMMANDS.split("\n\n")
    plans = (
        f"0 plan_{blind}_{hour} plan survey --blind {blind} --wind '{wind}' --when {when} "
        f"--out plan_{blind}_{hour}"
        for blind, wind in PLANS.items()
        for hour, when in HOURS.items()
    )
    ranks = (f"0 'rank {wind}' rank survey --wind '{wind}'" for wind in WINDS.split(","))
    helps = (f"0 help_{name} {name} --help" for name in HELPED.split())
    lines = ([first], [*helps, *ranks, *second.splitlines(), *plans], third.splitlines())
    return [[shlex.split(line) for line in stage] for stage in lines]


def environment(checkout: Path, scratch: Path) -> dict[str, str]:
    """Return the environment in which the code of a checkout runs; exits if it does not."""
    project = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    offered = project["entry-points"]
    info = scratch / "metadata" / f"{project['name']}-{project['version']}.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Name: {name}\nVersion: {version}\n".format_map(project))
    lines = (f"[{g}]\n{n} = {v}\n" for g, points in offered.items() for n, v in points.items())
    (info / "entry_points.txt").write_text("".join(lines))
    env = {k: v for k, v in os.environ.items() if not k.startswith("SITEGEO_")} | {
        "PYTHONPATH": os.pathsep.join((str(info.parent), str(checkout))),
        "NUMBA_CACHE_DIR": str(scratch / "kernels"),
        "SITEGEO_TRACEBACK": "1",
        "COLUMNS": "120",
        "TZ": "UTC",
    }
    probe = [sys.executable, "-c", PROBE, *offered]
    module, found = json.loads(subprocess.check_output(probe, env=env, cwd=scratch))
    if Path(module).resolve() != checkout / "sitegeo" / "__init__.py" or found != offered:
        sys.exit(f"{checkout} was asked for, but what runs is {module} with the steps {found}")
    return env


def make(checkout: Path, out: Path) -> None:
    """Run every command with the code of a checkout, into a folder that is empty or new."""
    checkout, out = checkout.resolve(), out.resolve()
    if out.exists() and any(out.iterdir()):
        sys.exit(f"{out} is not empty")
    (out / "commands").mkdir(parents=True)
    shutil.copytree(checkout / "data" / "quennaby", out / "quennaby")
    (out / "quennaby" / "README.md").unlink()
    shutil.copy(next((checkout / "sitegeo").rglob("iowa.toml")), out / "law.toml")
    (out / "quennaby" / "region.toml").write_text(REGION)
    for path in (out / "quennaby").iterdir():  # a scan knows its photos by size and time
        os.utime(path, (1e9, 1e9))
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch, ThreadPoolExecutor(AT_ONCE) as pool:
        env = environment(checkout, Path(scratch).resolve())
        hidden = ((str(out), "OUT"), (sys.prefix, "PYTHON"), (str(checkout), "CHECKOUT"))

        def run(code: str, name: str, *words: str) -> None:
            command = [sys.executable, "-m", "sitegeo", *words]
            done = subprocess.run(command, env=env, cwd=out, capture_output=True, check=False)
            told, said = (text.decode("utf-8", "replace") for text in (done.stdout, done.stderr))
            text = f"{shlex.join(words)}\nexit {done.returncode}\n"
            text += f"--- stdout\n{told}--- stderr\n{said}"
            if str(done.returncode) != code or "Traceback (most recent call last)" in said:
                sys.exit(f"{checkout}: {name} should have ended well, with {code}: {text}")
            for path, word in hidden:
                text = text.replace(path, word)
            text = re.sub(r"127\.0\.0\.1:\d+", "127.0.0.1:PORT", text)
            (out / "commands" / f"{name}.txt").write_text(text, encoding="utf-8")

        for stage in stages():
            list(pool.map(lambda words: run(*words), stage))
    print(f"{checkout}: ran in {time.monotonic() - started:.0f} s", file=sys.stderr)


def files_of(folder: Path) -> dict[str, Path]:
    """Return the files to compare, by their path in the folder."""
    found = {p.relative_to(folder): p for p in folder.rglob("*") if p.is_file()}
    return {path.as_posix(): p for path, p in found.items() if not LEFT_OUT & set(path.parts)}


def content(path: Path) -> bytes:
    """Return a file's bytes, those of a survey's record without what tells of the code."""
    if path.name != "survey.json":
        return path.read_bytes()
    record = json.loads(path.read_bytes())
    for part in (*record["steps"], record.get("atlas", {}), record.get("scan", {})):
        for key in OF_THE_CODE & part.keys():
            del part[key]
    return json.dumps(record, indent=1, ensure_ascii=False).encode()


def first_difference(old: bytes, new: bytes) -> str:
    """Return words for the first place where two contents differ."""
    pairs = enumerate(zip(old, new, strict=False))
    at = next((n for n, (a, b) in pairs if a != b), min(len(old), len(new)))
    if b"\0" in old + new:
        return f"  of {len(old)} and {len(new)} bytes the first {at} are the same"
    begin = max(old.rfind(b"\n", 0, at) + 1, at - 60)
    parts = (text[begin : at + 60].partition(b"\n")[0] for text in (old, new))
    before, after = (part.decode(errors="replace") for part in parts)
    return "  line {}\n  - {}\n  + {}".format(old.count(b"\n", 0, at) + 1, before, after)


def compare(old: Path, new: Path) -> int:
    """Print what differs between two folders and return how many files do."""
    olds, news = files_of(old), files_of(new)
    both = olds.keys() & news.keys()
    differing = dict.fromkeys(olds.keys() - both, "  only before")
    differing |= dict.fromkeys(news.keys() - both, "  only now")
    for name in both:
        before, after = content(olds[name]), content(news[name])
        if before != after:
            differing[name] = first_difference(before, after)
    for name, words in sorted(differing.items()):
        print(f"{name}\n{words}")
    print(f"{len(both)} files compared, {len(differing)} differ")
    if len(both) < FEWEST_FILES:
        sys.exit(f"Fewer than {FEWEST_FILES} files were compared: {old} or {new} is not whole")
    return len(differing)


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--base", metavar="COMMIT", help="run it and this checkout, and compare")
    what.add_argument("--make", type=Path, metavar="DIR", help="only run, into DIR")
    what.add_argument("--against", type=Path, metavar="DIR", help="compare with DIR, made before")
    parser.add_argument("--source", type=Path, metavar="CHECKOUT", help="whose code --make runs")
    asked = parser.parse_args()
    if asked.make:
        make(asked.source or HERE, asked.make)
        return
    if asked.against and not files_of(asked.against):
        parser.error(f"{asked.against} holds no outputs")
    folder = Path(tempfile.mkdtemp(prefix="compare-"))
    old, checkout = asked.against or folder / "before", str(folder / "checkout")
    if asked.base:
        git = ("git", "-C", str(HERE), "worktree")
        subprocess.run([*git, "add", "--quiet", "--detach", checkout, asked.base], check=True)
        try:
            make(Path(checkout), old)
        finally:
            subprocess.run([*git, "remove", "--force", checkout], check=True)
    make(HERE, folder / "now")
    if compare(old, folder / "now"):
        sys.exit(f"The outputs differ; they are kept in {folder}")
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
