"""Where a key stands: TOML trees in every style of writing, their lines known by construction."""

from __future__ import annotations

import json
import random
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_py.errors import Place
from firmware_py.toml_lines import Lines

KEYS = ["a", "b", "speed_mps", "9", "with space", "a.b", "[x]", "ü", 'quo"te', "#", "="]
SCALARS = [1, -2.5, True, "plain", "# no comment", "a = 1\n[b]\nc = 2\n", "x'''y", 'say "hi"']
SCALARS += ["ends in a quote'", 'ends in quotes""', "back\\slash\\"]
FILLERS = ["", "# [a.b]", "   # a = 1 'open", '# """', "\t"]

Tree = dict[str, Any]

scalars = st.sampled_from(SCALARS)
trees = st.recursive(
    st.dictionaries(st.sampled_from(KEYS), scalars, max_size=4),
    lambda inner: st.dictionaries(
        st.sampled_from(KEYS),
        scalars | inner | st.lists(inner, min_size=1, max_size=3) | st.lists(scalars, max_size=4),
        max_size=4,
    ),
    max_leaves=8,
)


class Writer:
    """Writes a tree as TOML, each piece in a style of its own, and notes the line of each key."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.text = ""
        self.lines: dict[Place, int] = {}

    def line(self) -> int:
        return self.text.count("\n") + 1

    def note(self, place: Place) -> None:
        self.lines.setdefault(place, self.line())

    def fill(self) -> None:
        for _ in range(self.chance.choice([0, 0, 1, 2])):
            self.text += self.chance.choice(FILLERS) + self.chance.choice(["\n", "\r\n"])

    def key(self, key: str) -> str:
        styles = [json.dumps(key), json.dumps(key, ensure_ascii=False)]
        styles += [key] * 3 if key in ("a", "b", "speed_mps", "9") else []
        styles += [f"'{key}'"] if "'" not in key else []
        return self.chance.choice(styles)

    def space(self) -> str:
        return self.chance.choice(["", " ", "\t "])

    def scalar(self, value: Any) -> None:
        if not isinstance(value, str):
            self.text += json.dumps(value)
            return
        escaped = value.replace("\\", "\\\\").replace('"""', '\\"\\"\\"')
        styles = [json.dumps(value), f'"""\n{escaped}"""']
        if "'''" not in value:
            styles.append(f"'''{value}'''")
        if "'" not in value and "\n" not in value:
            styles.append(f"'{value}'")
        self.text += self.chance.choice(styles)

    def value(self, value: Any, place: Place) -> None:
        if isinstance(value, dict):
            self.text += "{" + self.space()
            for at, (key, item) in enumerate(value.items()):
                self.text += ", " if at else ""
                self.pair([key], item, place)
            self.text += self.space() + "}"
        elif isinstance(value, list):
            self.text += "["
            tall = self.chance.random() < 0.5
            for at, item in enumerate(value):
                self.text += "\n  # ] , [\n" if tall else self.space()
                self.note((*place, at))
                self.value(item, (*place, at))
                self.text += "," + ("  # ]" if tall else "") + ("\n" if tall else "")
            self.text += "]"
        else:
            self.scalar(value)

    def pair(self, keys: list[str], value: Any, table: Place) -> None:
        for at in range(len(keys)):
            self.note((*table, *keys[: at + 1]))
        dot = self.space() + "." + self.space()
        self.text += dot.join(map(self.key, keys)) + self.space() + "=" + self.space()
        self.value(value, (*table, *keys))

    def entry(self, keys: list[str], value: Any, table: Place) -> None:
        """One statement, or several dotted ones for a table."""
        if isinstance(value, dict) and value and self.chance.random() < 0.5:
            for key, item in value.items():
                self.entry([*keys, key], item, table)
            return
        self.fill()
        self.text += self.space()
        self.pair(keys, value, table)
        self.text += self.chance.choice(["\n", "  # = [c]\n", "\r\n"])

    def header(self, path: list[str], brackets: int) -> None:
        spelt = f"{self.space()}.{self.space()}".join(map(self.key, path))
        self.text += self.space() + "[" * brackets + self.space() + spelt + self.space()
        self.text += "]" * brackets + self.chance.choice(["\n", " # ]\n", "\r\n"])

    def table(self, tree: Tree, path: list[str], place: Place) -> None:
        """The simple entries first, then the tables below under headers of their own."""
        later: Tree = {}
        for key, value in tree.items():
            is_tables = isinstance(value, list) and value and isinstance(value[0], dict)
            if (isinstance(value, dict) or is_tables) and self.chance.random() < 0.7:
                later[key] = value
            else:
                self.entry([key], value, place)
        for key, value in later.items():
            below = (*place, key)
            for at, item in enumerate(value if isinstance(value, list) else [value]):
                inner = (*below, at) if isinstance(value, list) else below
                self.fill()
                self.note(below)
                self.note(inner)
                self.header([*path, key], 1 + isinstance(value, list))
                self.table(item, [*path, key], inner)


@settings(max_examples=300, deadline=None)
@given(trees, st.integers(0, 2**32))
def test_every_key_of_a_tree_in_any_style_is_found_on_its_line(tree: Tree, seed: int) -> None:
    writer = Writer(random.Random(seed))
    writer.table(tree, [], ())
    assert tomllib.loads(writer.text) == tree
    lines = Lines(writer.text)
    assert {place: lines.of(place) for place in writer.lines} == writer.lines
    for place in writer.lines:
        assert lines.of((*place, "missing")) == writer.lines[place]
        assert (*place, "missing") not in lines


@pytest.mark.parametrize(
    ("text", "place", "line"),
    [
        ("", ("a",), 1),
        ("# first\n\na = 1", ("a",), 3),
        ("[a.b]\nx = 1\n[a]\ny = 2", ("a", "missing"), 3),  # its own header, not the implied one
        ("\n[a.b]\nx = 1", ("a", "missing"), 2),
        ("[[s]]\n[s.in]\nx = 1\n[[s]]\n[s.in]\nx = 2", ("s", 1, "in", "x"), 6),
        ("[[s]]\n[[s.t]]\n[[s.t]]\n[[s]]\n[[s.t]]\n x=1", ("s", 1, "t", 0, "x"), 6),
        ("a = [\n [1,\n  2],\n [3]]", ("a", 0, 1), 3),
        ("a = [\n {x = 1},\n {x = 1,\ty = 2}]", ("a", 1, "y"), 3),
        ("a = 1979-05-27 07:32:00 # b\nb = inf", ("b",), 2),
        ('a = """\n[b]\nb = 1"""\nb = 2', ("b",), 4),
        ("a = '''\nb = 1\n''''\nb = 2", ("b",), 4),
        ('a = """\\\n  x \\""" y"""\nb = 2', ("b",), 3),
        ("a.b.c = 1\na.b.d = 2", ("a", "b", "d"), 2),
    ],
)
def test_line_of_a_key(text: str, place: Place, line: int) -> None:
    tomllib.loads(text)
    assert Lines(text).of(place) == line
