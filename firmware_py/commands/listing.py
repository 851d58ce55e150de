"""What `linehold --help` lists: one line a command, in the order of a day's work."""

from __future__ import annotations

import click

LINE = 79  # columns that a terminal of 80 shows without wrapping
DAY = {
    "Before": {
        "setout": "from levels on paper to pins, string and job file",
        "sag": "what a line sags between two pins",
        "chord": "what a straight string errs by in a curve",
        "spacing": "how far apart pins may stand",
        "passes": "what strip beside strip adds up to",
        "address": "which I2C rangers answer; a new address for one",
        "bar": "find zero and scale of each range element",
        "tilt": "find zero and mounting yaw of the tilt sensor",
        "valves": "find what each valve does: the valve map",
        "tune": "gains from the valve map",
        "check": "the start-of-day list, and checks of a file",
        "budget": "the accuracy to expect of this rig",
        "rigs": "list the bundled rigs",
        "faults": "print the fault table",
        "service": "the files for a service of a Raspberry Pi",
    },
    "During": {
        "run": "the loop, live, with a recording and the dashboard",
        "attach": "a further dashboard on a running loop",
        "browse": "the dashboard in a browser",
        "trial": "a simulated job, scored on the simulator's truth",
    },
    "After": {
        "report": "what was built against what was asked",
        "logs": "list, check, export, cut and thin the recordings",
        "replay": "run the controller again over a recording, and compare",
    },
}


def write_day(formatter: click.HelpFormatter) -> None:
    """All commands, one line each, before, during and after the work."""
    for part, commands in DAY.items():
        with formatter.section(part):
            formatter.write_dl(list(commands.items()))
