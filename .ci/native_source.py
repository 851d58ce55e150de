"""Sources as mypyc makes the most of them; used by native.py on its own copy of the tree.

Two things that Python looks up by name at each use, C can have at hand: a module's constants, once
they are said to be final, and the fields of a msgspec.Struct, once it is a class of its own. And
mypyc knows how to walk a zip, but not a strict one. What a module does is not changed by any.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from typing import cast

CONSTANT = re.compile(r"_?[A-Z][A-Z0-9_]*$")
OF_THE_WIRE = {"array_like", "tag"}  # keywords of a Struct that is stored or sent: it stays one
IN_STATE = {"Sight"}  # stands in a controller's state, whose snapshot knows Structs
TYPES = {"TypeVar", "ParamSpec"}
STRICT = re.compile(r"^( +for .* in zip\(.*), strict=True\):$", re.MULTILINE)


def remade(text: str, compiled: Callable[[str], bool]) -> str:
    """A module's text with its constants final and its own records plain classes.

    compiled: whether a module of that dotted name is compiled too, so that its names are at hand.
    """
    lines, out, at = text.splitlines(), [], 0
    statements = ast.parse(text).body
    after = next(s for s in statements if not _first(s))
    for statement in statements:
        start, end = statement.lineno - 1, statement.end_lineno or 0
        out += lines[at:start]
        out += ["from typing import Final"] if statement is after else []
        new = _remade(statement, compiled)
        out += lines[start:end] if new is None else [ast.unparse(s) for s in new]
        at = end
    return STRICT.sub(r"\1):", "\n".join([*out, *lines[at:], ""]))


def _first(statement: ast.stmt) -> bool:
    """What must stand before anything else: the docstring, and imports from the future."""
    future = isinstance(statement, ast.ImportFrom) and statement.module == "__future__"
    return future or isinstance(statement, ast.Expr)


def _remade(statement: ast.stmt, compiled: Callable[[str], bool]) -> list[ast.stmt] | None:
    """What stands in its place; None: nothing does."""
    match statement:
        case ast.Assign(targets=[ast.Name() as name], value=value):
            return [_final(name, value)] if _constant(name, value) else None
        case ast.Assign(targets=[ast.Tuple(names)], value=ast.Tuple(values)):
            pairs = [(cast(ast.Name, n), v) for n, v in zip(names, values, strict=True)]
            return [_final(*p) for p in pairs] if all(_constant(*p) for p in pairs) else None
        case ast.AnnAssign(target=ast.Name() as name, annotation=kind, value=ast.expr() as value):
            return [_final(name, value, kind)] if _constant(name, value) else None
        case ast.ImportFrom(module=str(module)) if module.startswith(("firmware_py", "drivers")):
            return None if compiled(module) else _at_hand(statement)
        case ast.ClassDef() if _record(statement):
            return [_plain(statement)]
    return None


def _constant(name: ast.Name, value: ast.expr) -> bool:
    if isinstance(value, ast.Tuple):  # mypyc 2.4 takes a final one of numbers for one not yet set
        return False
    makes_type = isinstance(value, ast.Call) and ast.unparse(value.func).split(".")[-1] in TYPES
    return bool(CONSTANT.match(name.id)) and not makes_type


def _final(name: ast.Name, value: ast.expr, kind: ast.expr | None = None) -> ast.stmt:
    final = "Final" if kind is None else f"Final[{ast.unparse(kind)}]"
    return ast.parse(f"{name.id}: {final} = {ast.unparse(value)}").body[0]


def _at_hand(statement: ast.ImportFrom) -> list[ast.stmt]:
    """Constants from a module that is not compiled, each kept under its own name."""
    out: list[ast.stmt] = [statement]
    for alias in statement.names:
        if CONSTANT.match(alias.name) and alias.asname is None:
            alias.asname = f"_of_{alias.name}"
            out.append(_final(ast.Name(alias.name), ast.Name(alias.asname)))
    return out


def _record(statement: ast.ClassDef) -> bool:
    bases = [ast.unparse(base) for base in statement.bases]
    asked = {keyword.arg for keyword in statement.keywords}
    inner = bases == ["msgspec.Struct"] and not asked & OF_THE_WIRE
    return inner and statement.name not in IN_STATE


def _plain(record: ast.ClassDef) -> ast.ClassDef:
    """The same record with an __init__ of its own."""
    fields = [s for s in record.body if isinstance(s, ast.AnnAssign)]
    rest = [s for s in record.body if not isinstance(s, ast.AnnAssign)]
    heads, lines = [], []
    for field in fields:
        name, kind = ast.unparse(field.target), ast.unparse(field.annotation)
        if field.value is None:
            heads.append(f"{name}: {kind}")
        elif isinstance(field.value, ast.Call):  # made anew for each: set()
            heads.append(f"{name}: {kind} | None = None")
            lines.append(f"self.{name} = {ast.unparse(field.value)} if {name} is None else {name}")
            continue
        else:
            heads.append(f"{name}: {kind} = {ast.unparse(field.value)}")
        lines.append(f"self.{name} = {name}")
    made = f"def __init__(self, {', '.join(heads)}) -> None:\n    " + "\n    ".join(lines)
    record.bases, record.keywords = [], []
    record.body = [*rest[:1], *ast.parse(made).body, *rest[1:]]
    return record
