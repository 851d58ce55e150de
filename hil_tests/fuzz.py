"""Rubbish through every decoder, and through gate, rate and consensus behind the rangers'.

    python -m hil_tests.fuzz [--bytes 1000000] [--seconds 140] [--seed 1] [--json]

Asked: no exception, each good frame found, false frames no more than the checksum's theory has
(docs/checks.md), none of a ranger's false ranges used by the filter. Exit code 1 when not so.
Minutes; the figures are the same for the same seed.
"""

from __future__ import annotations

import argparse
import json
import sys
import time

from hil_tests import fuzz_chain
from hil_tests.fuzz_decoders import all_of

TELL_S = 0.5


class Telling:
    """A line that is written over, where a person looks."""

    def __init__(self) -> None:
        self.last_s = 0.0

    def __call__(self, name: str, done: int) -> None:
        if sys.stderr.isatty() and time.monotonic() - self.last_s > TELL_S:
            self.last_s = time.monotonic()
            print(f"\r{name}: {done:,} bytes   ", end="", file=sys.stderr, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--bytes", type=int, default=1_000_000, help="through each decoder")
    parser.add_argument("--seconds", type=float, default=140.0, help="of driving on rubbish")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="one object a line")
    asked = parser.parse_args()
    if asked.bytes < 1 or asked.seconds <= 0.0:
        parser.error("--bytes and --seconds must be above 0")
    good = True
    for found in all_of(asked.bytes, asked.seed, Telling()):
        good &= found.right
        words = (
            f"{found.decoder}: {found.bytes:,} bytes, {found.found:,} of {found.sent:,} good "
            f"frames, {found.false} false, at most {found.allowed:.1f} allowed ({found.theory})"
        )
        print(json.dumps(found._asdict()) if asked.json else words, flush=True)
    for kind in ("binary", "ascii"):
        chain = fuzz_chain.run(kind, asked.seconds, asked.seed)
        good &= chain.right
        words = (
            f"{kind} rangers over a string: {chain.bytes:,} bytes, {chain.ranges:,} ranges, "
            f"{chain.false} false, {chain.used} of them used (worst {chain.worst_mm:.0f} mm); "
            f"height error {chain.error_mm:.1f} mm rms, automatic at the end: {chain.automatic}"
        )
        print(json.dumps(chain._asdict()) if asked.json else words, flush=True)
    print("all as it should be" if good else "NOT as it should be", file=sys.stderr)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
