"""The dashboard: `python -m tui SOCKET [--looks] [--options FILE] [--silent]`."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from firmware_py.errors import LineholdError
from firmware_py.link.client import Client, Coming
from tui.options import load_options
from tui.sound_control import SpeakerProcess


def _arguments(words: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tui", description="The dashboard over a running loop.", allow_abbrev=False
    )
    parser.add_argument("socket", type=Path, help="where the loop listens")
    parser.add_argument("--looks", action="store_true", help="look only: ask for nothing")
    parser.add_argument("--options", type=Path, metavar="FILE", help="the dashboard's options")
    parser.add_argument("--wait", action="store_true", help="for a loop that is coming up")
    parser.add_argument(
        "--check", action="store_true", help="only look whether the options are good"
    )
    parser.add_argument("--silent", action="store_true", help="start no sound")
    return parser.parse_args(words)


def main(words: list[str] | None = None) -> int:
    """0 when the driver left; 1 with one sentence when no loop answers; 2 for bad options."""
    given = _arguments(words)
    try:
        options = load_options(given.options)
    except LineholdError as error:
        print(error, file=sys.stderr)
        return 2
    if given.check:
        return 0
    client: Coming | Client
    try:
        if given.wait:
            client = Coming(given.socket, "dashboard", looks=given.looks)
        else:
            client = Client(given.socket, "dashboard", looks=given.looks)
    except LineholdError as error:
        print(error, file=sys.stderr)
        return 1
    if sys.stdout.isatty():
        os.dup2(1, 2)  # Textual draws on standard error, which may have been sent to a file
    from tui.app import Dashboard  # after the connection: a wrong path is told at once

    sound = None
    if not given.silent:
        more = ["--wait"] if given.wait else []
        sound = SpeakerProcess(given.socket, volume=options.volume, muted=options.muted, more=more)
    try:
        said = Dashboard(client, options=options, sound=sound).run()
    finally:
        client.close()
        if sound is not None:
            sound.close()
    if said:
        print(said)
    return 0


if __name__ == "__main__":
    sys.exit(main())
