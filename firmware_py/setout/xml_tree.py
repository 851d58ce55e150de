"""A small, strict reader of XML: no DTD, no entities, nothing loaded, limits on size and depth.

Every fault is told with its line. Element names come without their namespace.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from firmware_py.errors import Fault, FileFault

MOST_BYTES = 50_000_000
MOST_DEPTH = 50
MOST_ELEMENTS = 120_000  # of those that are kept: 100 000 points and some
LEFT_OUT = frozenset({"Surfaces", "Parcels", "CgPoints", "PlanFeatures", "PipeNetworks", "Survey",
                      "Monuments", "GradeModel", "CrossSects"})  # fmt: skip


@dataclass
class Node:
    """One element: its name, namespace, attributes, text, and the line where it begins."""

    name: str
    space: str
    line: int
    attributes: dict[str, str]
    children: list[Node] = field(default_factory=list)
    text: str = ""

    def all(self, name: str) -> Iterator[Node]:
        """The children of this name."""
        return (child for child in self.children if child.name == name)


class _Builder:
    """Takes expat's events; what lies below LEFT_OUT is parsed and not kept."""

    def __init__(self, path: Path) -> None:
        self.path, self.root, self.elements = path, Node("", "", 1, {}), 0
        self._open, self._depth, self._skipped_from = [self.root], 0, 0
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.EntityDeclHandler = self._doctype

    def fault(self, words: str) -> FileFault:
        return FileFault([Fault(str(self.path), self.parser.CurrentLineNumber, "", words)])

    def _doctype(self, *_: object) -> None:
        raise self.fault("has a DTD or entities (DOCTYPE); they are refused, LandXML needs none")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        if self._depth > MOST_DEPTH:
            raise self.fault(f"elements are nested more than {MOST_DEPTH} deep")
        space, _, name = tag.rpartition(" ")
        if self._skipped_from:
            return
        self.elements += 1
        if self.elements > MOST_ELEMENTS:
            raise self.fault(f"more than {MOST_ELEMENTS} elements")
        node = Node(name, space, self.parser.CurrentLineNumber, attributes)
        self._open[-1].children.append(node)
        self._open.append(node)
        if name in LEFT_OUT:
            self._skipped_from = self._depth

    def _end(self, _: str) -> None:
        if self._skipped_from in (0, self._depth):
            self._skipped_from = 0
            self._open.pop()
        self._depth -= 1

    def _text(self, text: str) -> None:
        if not self._skipped_from:
            self._open[-1].text += text


def load_xml(path: Path) -> Node:
    """The root element of a file; FileFault in one sentence for what cannot be read."""
    builder = _Builder(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            words = f"is larger than {MOST_BYTES} bytes; export the alignment alone"
            raise FileFault([Fault(str(path), None, "", words)])
        builder.parser.Parse(raw, True)
    except expat.ExpatError as error:
        words = f"not well-formed XML: {expat.ErrorString(error.code)}"
        raise FileFault([Fault(str(path), error.lineno, "", words)]) from error
    except (OSError, LookupError) as error:
        words = f"cannot be read: {getattr(error, 'strerror', None) or error}"
        raise FileFault([Fault(str(path), None, "", words)]) from error
    return builder.root.children[0]
