"""Short trials for tests, from text as a file has it."""

from __future__ import annotations

import json
from typing import Any

from firmware_py.settings_file import parse
from firmware_py.trial.scenario import Scenario

STRING = """\
name = "short"
words = "A short test."
distance_m = 8
path = [{length_m = 20}]
[left]
kind = "string"
"""


def trial(text: str = STRING, events: str = "") -> Scenario:
    return parse(text + events, "t", Scenario)


def event(**keys: Any) -> str:
    return "[[events]]\n" + "".join(f"{key} = {json.dumps(v)}\n" for key, v in keys.items())
