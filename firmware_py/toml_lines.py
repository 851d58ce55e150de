"""The line of every key of a TOML file: tomllib parses, and does not say where a key stands."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left

from firmware_py.errors import Place

_BLANK = re.compile(r"(?:[\s,]|#[^\n]*)*")  # commas too: in valid text they carry no position
_KEY = re.compile(r"""\s*("(?:\\.|[^"\\])*"|'[^']*'|[\w-]+)\s*(\.?)""", re.ASCII)
_TEXT = r'"""(?:\\.|[^\\])*?"""\"{0,2}' r"|'''.*?'''\'{0,2}" r'|"(?:\\.|[^"\\])*"' r"|'[^']*'"
_VALUE = re.compile(_TEXT + r"|[^,\]}#\n]+", re.DOTALL)


class Lines:
    """The line of every key and list item of a text that tomllib has found valid."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._breaks = [match.start() for match in re.finditer("\n", text)]
        self._counts: dict[Place, int] = {}  # tables so far in an array of tables
        self._lines: dict[Place, int] = {(): 1}
        table: Place = ()
        while self._next():
            if self._next() == "[":
                table = self._header()
            else:
                self._pair(table)

    def __contains__(self, place: Place) -> bool:
        return place in self._lines

    def of(self, place: Place) -> int:
        """The line of a key; of its table's header if the key is missing; 1 at the top."""
        while place not in self._lines:
            place = place[:-1]
        return self._lines[place]

    def _line(self) -> int:
        return bisect_left(self._breaks, self._at) + 1

    def _match(self, pattern: re.Pattern[str]) -> re.Match[str]:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise ValueError(f"not TOML (at line {self._line()}, column 1)")
        self._at = match.end()
        return match

    def _next(self) -> str:
        self._match(_BLANK)
        return self._text[self._at : self._at + 1]

    def _key(self) -> list[str]:
        parts, dot = [], "."
        while dot:
            word, dot = self._match(_KEY).groups()
            quoted = word[0] in "\"'"
            parts.append(tomllib.loads(f"key = {word}")["key"] if quoted else word)
        return parts

    def _header(self) -> Place:
        line, brackets = self._line(), 1 + self._text.startswith("[[", self._at)
        self._at += brackets
        *outer, last = self._key()
        self._at += brackets
        place: Place = ()
        for part in outer:
            place += (part,)
            self._lines.setdefault(place, line)
            if place in self._counts:
                place += (self._counts[place] - 1,)
        place += (last,)
        if brackets == 2:
            self._lines.setdefault(place, line)
            self._counts[place] = self._counts.get(place, 0) + 1
            place += (self._counts[place] - 1,)
        self._lines[place] = line  # a table's own header outranks an earlier mention
        return place

    def _pair(self, table: Place) -> None:
        line = self._line()
        for part in self._key():
            table += (part,)
            self._lines.setdefault(table, line)
        self._at += 1  # the equals sign
        self._value(table)

    def _value(self, place: Place) -> None:
        opener = self._next()
        if opener not in ("[", "{"):
            self._match(_VALUE)
            return
        self._at += 1
        number = 0
        while self._next() not in ("]", "}"):
            if opener == "{":
                self._pair(place)
                continue
            self._lines[(*place, number)] = self._line()
            self._value((*place, number))
            number += 1
        self._at += 1
