"""`make native`: the real-time path and the simulator compiled to C by mypyc, in build/native/.

The tree is copied there and compiled there; the sources stay as they are, so nothing stale can
shadow them. The types that mypy checks are all that mypyc needs. Trials run both ways must then
give the same ticks, bit for bit: build/native/linehold replays the journals of the sources.
Needs gcc and Python's headers. Run: python .ci/native.py
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import sysconfig
from multiprocessing.pool import ThreadPool
from pathlib import Path
from typing import Any

from native_source import remade

ROOT = Path(__file__).resolve().parent.parent
HOME = Path("build/native")
TREES = ("firmware_py", "drivers", "tui")
PACKAGES = ("sense", "fuse", "guide", "act", "guard")  # of firmware_py, whole: the tick
MODULES = (
    "firmware_py/controller.py",
    "firmware_py/view.py",
    "firmware_py/journal/ring.py",
    "firmware_py/trial/run.py",
    "firmware_py/trial/script.py",
    "firmware_py/trial/scorer.py",
)
SIMULATOR = "drivers/simulated"
# Run once, before the first tick; mypyc 2.4 stops at a starred slice in world.py.
ONCE = ("world", "reference", "yard", "build", "host", "measured", "wire")
# The first is counted too; the others run what it does not: hands, a stop, a reversal, a strip, two
# bars, bends.
TRIALS = ("footpath-string", "override", "second-strip", "two-forms", "hill-bend")
HIDDEN = "-fvisibility=hidden"  # what gcc may inline hangs on it: both times the same
LAUNCHER = """#!/bin/sh
# linehold from the compiled tree, with the Python that compiled it
here=$(cd "$(dirname "$0")" && pwd)
PYTHONPATH="$here" exec "$here/../../.venv/bin/python" -P -c \\
    'from firmware_py.commands import main; main()' "$@"
"""


def modules(root: Path = ROOT) -> list[str]:
    """What is compiled, as paths from the root."""
    of_packages = [p for name in PACKAGES for p in (root / "firmware_py" / name).glob("*.py")]
    of_simulator = [p for p in (root / SIMULATOR).glob("*.py") if p.stem not in ONCE]
    found = [p for p in (*of_packages, *of_simulator) if p.stem != "__init__"]
    return sorted([str(p.relative_to(root)) for p in found] + list(MODULES))


def copy(home: Path) -> None:
    """The packages, without what an earlier build left."""
    home.mkdir(parents=True, exist_ok=True)
    for tree in TREES:
        shutil.rmtree(home / tree, ignore_errors=True)
        shutil.copytree(ROOT / tree, home / tree, ignore=shutil.ignore_patterns("__pycache__"))
    paths = modules()
    names = {path.removesuffix(".py").replace("/", ".") for path in paths}
    for path in paths:
        text = (home / path).read_text(encoding="utf-8")
        (home / path).write_text(remade(text, names.__contains__), encoding="utf-8")


def compile_here() -> None:
    """Compile in the current folder, beside each source: to count what runs, then by the counts.

    Each function of a tick runs once in it, and all of them do not fit into a processor's first
    cache: what never runs is best kept out of the way of what does.
    """
    from mypyc.build import mypycify
    from setuptools import setup
    from setuptools.command.build_ext import build_ext

    class OnAllCores(build_ext):
        """Its compiler takes all sources at once, not one after the other."""

        def build_extensions(self) -> None:
            one = self.compiler.compile

            def each(sources: list[str], **how: Any) -> list[str]:
                with ThreadPool(os.cpu_count()) as pool:
                    made = pool.map(lambda source: one([source], **how), sources, chunksize=1)
                return [name for names in made for name in names]

            self.compiler.compile = each
            super().build_extensions()

    extensions = mypycify(modules(Path.cwd()), opt_level="2", debug_level="0", multi_file=True)
    for extension in extensions:  # by the counts gcc sees more that it finds worth a word
        asked = extension.extra_compile_args
        extension.extra_compile_args = [flag for flag in asked if flag != "-Werror"]
    counts = Path.cwd() / "counts"
    shutil.rmtree(counts, ignore_errors=True)
    own = sysconfig.get_config_var("CFLAGS")  # Python's, which mypyc's C counts on
    for flags in (f"-fprofile-generate={counts}", f"-fprofile-use={counts} -flto=auto"):
        os.environ["CFLAGS"], os.environ["LDFLAGS"] = f"{own} {HIDDEN} {flags}", flags
        setup(
            name="linehold-native", packages=[], ext_modules=extensions,
            cmdclass={"build_ext": OnAllCores}, script_args=["build_ext", "--inplace", "--force"],
        )  # fmt: skip
        if "generate" in flags:
            run(Path("linehold"), "trial", TRIALS[0], "--json", "--out", "counted")


def run(command: Path, *args: str) -> str:
    """What one linehold command prints; its error ends this build."""
    made = subprocess.run([command.absolute(), *args], capture_output=True, text=True, check=False)
    if made.returncode:
        sys.exit(f"{command} {args[0]} ended with {made.returncode}: {made.stdout}{made.stderr}")
    return made.stdout


def compare(native: Path, trial: str) -> None:
    """A trial both ways: ticks bit for bit, results number by number, and the speeds."""
    out, results = ROOT / HOME / "compared" / trial, []
    plain = Path(sys.executable).parent / "linehold"
    for name, command in (("interpreted", plain), ("compiled", native)):
        print(f"{trial}, {name} …", flush=True)
        told = run(command, "trial", trial, "--json", "--out", str(out / name))
        results.append(json.loads(told))
    print("replay of the interpreted run, compiled:", end=" ", flush=True)
    print(run(native, "replay", str(out / "interpreted" / "journal.mcap")).strip())
    speeds = [result.pop("realtime_factor") for result in results]
    if [result.pop("compiled") for result in results] != [False, True]:
        sys.exit(f"{HOME}/linehold does not run what was compiled: see PYTHONPATH.")
    for result in results:
        result.pop("journal")
    differ = [key for key in results[0] if results[0][key] != results[1][key]]
    if differ:
        sys.exit(
            f"The results of {trial} differ in {', '.join(differ)}: the compiled tree is not to be "
            "used."
        )
    print(
        f"results: the same; {speeds[0]:.1f} times real time interpreted, {speeds[1]:.1f} compiled"
    )


def main() -> None:
    """Copy, compile, compare."""
    parser = argparse.ArgumentParser(description="Compile the real-time path and the simulator.")
    parser.add_argument("--only-compile", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.only_compile:
        compile_here()
        return
    home = ROOT / HOME
    copy(home)
    launcher = home / "linehold"
    launcher.write_text(LAUNCHER, encoding="utf-8")
    launcher.chmod(0o755)
    print(f"Compiling {len(modules())} modules; this takes some minutes.", flush=True)
    again = [sys.executable, __file__, "--only-compile"]
    with (home / "compile.log").open("w", encoding="utf-8") as log:
        if subprocess.run(again, cwd=home, check=False, stdout=log, stderr=log).returncode:
            sys.exit(
                f"Not compiled: {HOME}/compile.log says why. gcc and Python's headers are needed."
            )
    for trial in TRIALS:
        compare(launcher, trial)
    print(f"Use it: {HOME}/linehold trial {TRIALS[0]}")


if __name__ == "__main__":
    main()
