"""Harm a live run on the simulated rig and measure what came of it: `python -m hil_tests.harm`.

Kills, stops or floods the dashboard, the journal and the loop at random moments, and prints a
table. What is asked: valves neutral within 250 ms of the loop's death, no listener's death felt
by the loop, no recording that loses more than its last second. Takes minutes: some 6 s each.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from firmware_py.errors import LineholdError
from firmware_py.journal.read import Log, Recorded
from firmware_py.link.client import Client
from firmware_py.link.frames import Ask, Beat
from firmware_py.messages import Engage, Mode, Nudge, Side
from hil_tests.live_run import Run, family

NEUTRAL_S = 0.25  # s, asked for
LOST_S = 1.0  # s of a recording, asked for
STOP_S = 1.2  # s that a stopped process stands still
AGAIN_S = 3.0  # s, in which automatic is had again after a stop
FLOODERS = 4
MEASURED = {
    "neutral_s": "valves neutral after, s",
    "lost_s": "recording lost, s",
    "missed": "deadlines missed",
    "late_ms": "lateness p99.9, ms",
}


def truth(run: Run) -> np.ndarray:
    """time, left and right valve of the rig's own file."""
    with run.truth.open(encoding="ascii") as file:
        rows = [line.split(",") for line in file.readlines()[1:] if line.endswith("\n")]
    return np.array([[float(r[0]), float(r[3]), float(r[4])] for r in rows])


def open_after(run: Run, since_s: float) -> float:
    """How long after an instant the valves were last driven, s."""
    rows = truth(run)
    driven = rows[(rows[:, 0] > since_s) & ((rows[:, 1] != 0.0) | (rows[:, 2] != 0.0))]
    return float(driven[-1, 0] - since_s) if len(driven) else 0.0


def lost_s(run: Run) -> float:
    """Of the ticks that were published, the longest stretch that no recording holds, s."""
    seqs = {f.tick.seq for f in run.seen if isinstance(f, Beat)}
    stored: set[int] = set()
    for path in sorted(run.folder.glob("*.mcap")):
        with contextlib.suppress(LineholdError):
            stored |= {e.tick.seq for e in Log(path) if isinstance(e, Recorded)}
    missing = sorted(seqs - stored)
    longest = length = 0
    for before, seq in zip([-2, *missing], missing, strict=False):
        length = length + 1 if seq == before + 1 else 1
        longest = max(longest, length)
    return longest * 0.01


def nudging(run: Run, rng: random.Random) -> None:
    """So that the valves move at the moment of harm."""
    run.ask(Nudge, Side.LEFT, rng.choice((-0.004, 0.004)))
    run.hear(rng.uniform(0.05, 0.4))


def kill_loop(run: Run, rng: random.Random) -> dict[str, object]:
    """The loop's process is killed."""
    nudging(run, rng)
    [pid] = run.pids("loop")
    at = time.monotonic()
    os.kill(pid, signal.SIGKILL)
    code = run.process.wait(20.0)
    run.hear(0.05)
    return {"neutral_s": open_after(run, at), "told": code == 1 and bool(run.client.lost)}


def stop_loop(run: Run, rng: random.Random) -> dict[str, object]:
    """The loop's process stands still for a while, and goes on."""
    nudging(run, rng)
    [pid] = run.pids("loop")
    at = time.monotonic()
    os.kill(pid, signal.SIGSTOP)
    time.sleep(STOP_S)
    shut = open_after(run, at)
    os.kill(pid, signal.SIGCONT)
    run.hear(0.2)
    mode = run.mode()
    end = time.monotonic() + AGAIN_S
    while (again := run.ask(Engage)) and time.monotonic() < end:
        run.hear(0.2)  # its reference has to be found again
    # the machine rolled on meanwhile: too far off its target is a right answer as well
    asked = not again or "bring it within" in again
    return {"neutral_s": shut, "told": mode is Mode.NEUTRAL and asked, "again": again}


def flood_loop(run: Run, rng: random.Random) -> dict[str, object]:
    """Several listeners send requests as fast as they can."""
    clients = [Client(run.link, f"flood {n}") for n in range(FLOODERS)]
    end, sent = time.monotonic() + rng.uniform(1.0, 2.0), 0
    while time.monotonic() < end:
        for client in clients:
            sent += client.send(Ask(Nudge(sent, Side.LEFT, rng.choice((-1e-4, 1e-4)))))
        run.seen += run.client.poll()
    for client in clients:
        client.close()
    return {"told": run.mode() is Mode.AUTO, "sent": sent}


def kill_other(who: str) -> Callable[[Run, random.Random], dict[str, object]]:
    """A dashboard or a journal is killed."""

    def harm(run: Run, rng: random.Random) -> dict[str, object]:
        run.hear(rng.uniform(0.1, 1.0))
        for pid in run.pids(who):
            os.kill(pid, signal.SIGKILL)
        run.hear(1.5)
        return {"told": run.mode() is Mode.AUTO}

    return harm


def stop_other(who: str) -> Callable[[Run, random.Random], dict[str, object]]:
    """A dashboard or a journal stands still for a while."""

    def harm(run: Run, rng: random.Random) -> dict[str, object]:
        run.hear(rng.uniform(0.1, 1.0))
        pids = run.pids(who)
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        run.hear(STOP_S)
        still = run.mode() is Mode.AUTO
        for pid in pids:
            os.kill(pid, signal.SIGCONT)
        run.hear(0.3)
        return {"told": still and run.mode() is Mode.AUTO}

    return harm


def flood_dashboard(run: Run, rng: random.Random) -> dict[str, object]:
    """Keys are typed at the dashboard as fast as its terminal takes them (hold among them)."""
    end = time.monotonic() + rng.uniform(1.0, 2.0)
    os.set_blocking(run.terminal, False)
    while time.monotonic() < end:
        with contextlib.suppress(BlockingIOError):
            os.write(run.terminal, b"12345uc" * 20)
        run.seen += run.client.poll()
        time.sleep(0.005)
    os.set_blocking(run.terminal, True)
    return {"told": run.mode() is Mode.AUTO}


HARMS: dict[str, Callable[[Run, random.Random], dict[str, object]]] = {
    "loop killed": kill_loop,
    "loop stopped": stop_loop,
    "loop flooded": flood_loop,
    "dashboard killed": kill_other("dashboard"),
    "dashboard stopped": stop_other("dashboard"),
    "dashboard flooded": flood_dashboard,
    "journal killed": kill_other("journal"),
    "journal stopped": stop_other("journal"),
}


def once(name: str, seed: int, keep: Path | None = None) -> dict[str, object]:
    """One run, one harm; what was measured. keep: where the files of a run that went wrong go."""
    rng = random.Random(seed * 7919 + len(name))
    with tempfile.TemporaryDirectory(prefix="lh") as folder:
        run = Run(Path(folder), seed)
        with run:
            run.automatic()
            run.hear(rng.uniform(0.5, 1.5))
            found = HARMS[name](run, rng)
        beats = [f for f in run.seen if isinstance(f, Beat)]
        tick = beats[-1].tick
        found["end"] = f"{tick.mode}: {tick.why} {', '.join(tick.faults)}"
        late = [b.late_s for b in beats]
        found |= {
            "lost_s": lost_s(run),
            "missed": beats[-1].missed,
            "late_ms": float(np.quantile(late, 0.999)) * 1e3,
            "left_over": len(list(family(run.process.pid))),
        }
        if keep is not None and not found["told"]:
            shutil.copytree(folder, keep / f"{name} {seed}", ignore=shutil.ignore_patterns("link*"))
    return found


def summary(name: str, rows: list[dict[str, object]]) -> dict[str, object]:
    """Worst of all."""
    out: dict[str, object] = {"harm": name, "times": len(rows)}
    out["as it should"] = sum(bool(row["told"]) for row in rows)
    for key, words in MEASURED.items():
        values = [float(row[key]) for row in rows if key in row]  # type: ignore[arg-type]
        out[words] = round(max(values), 3) if values else None
    return out


def main() -> int:
    """Exit code 1 when something asked for was not had."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=50, help="of each harm (50)")
    parser.add_argument("--only", choices=sorted(HARMS), help="one harm alone")
    parser.add_argument("--keep", type=Path, help="copy the recordings of what went wrong to here")
    parser.add_argument("--json", action="store_true", help="one object a line")
    options = parser.parse_args()
    bad = 0
    for name in HARMS if options.only is None else [options.only]:
        rows = []
        for seed in range(1, options.times + 1):
            rows.append(once(name, seed, options.keep))
            if not rows[-1]["told"]:
                print(f"{name}, seed {seed}: {rows[-1]}", file=sys.stderr, flush=True)
            if sys.stderr.isatty():
                print(f"\r{name}: {seed} of {options.times}", end="", file=sys.stderr, flush=True)
        found = summary(name, rows)
        neutral = found["valves neutral after, s"] or 0.0
        lost = found["recording lost, s"] or 0.0
        bad += found["as it should"] != len(rows) or neutral > NEUTRAL_S or lost > LOST_S  # type: ignore[operator]
        print(json.dumps(found) if options.json else found, flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
