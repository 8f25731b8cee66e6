"""The wrong changes (mutants) that can be made to a piece of Python source, one at a time.

Kinds: plus and minus, times and divided by, and the two of min and max, sin and cos, < and > (and so on) exchanged; a
term left out; a factor negated; a minus, an abs, a sqrt, a "not" or a turn of degrees into radians left out; arctan2
with its arguments exchanged; an index one too far; a constant a quarter larger (a whole number one larger). Left
alone: text, type annotations, errors raised and their words, and constants beyond 1e-6 to 1e6, which guard against
nothing and infinity rather than measure something.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

SWAPPED_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
SWAPPED_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.Gt, ast.Gt: ast.Lt, ast.LtE: ast.GtE, ast.GtE: ast.LtE, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In}
PAIRS = (("sin", "cos"), ("arcsin", "arccos"), ("maximum", "minimum"), ("max", "min"), ("argmax", "argmin"),
         ("sinh", "cosh"), ("any", "all"))
SWAPPED_CALLS = {a: b for p in PAIRS for a, b in (p, p[::-1])}
DROPPED_CALLS = {"abs": "abs", "fabs": "abs", "sqrt": "sqrt", "rad2deg": "degrees", "deg2rad": "radians",
                 "degrees": "degrees", "radians": "radians"}
LEFT_ALONE = (ast.Raise, ast.Assert, ast.JoinedStr, ast.Import, ast.ImportFrom)


@dataclass(frozen=True)
class Mutant:
    """One change: ``start`` to ``end`` of the source (bytes of its UTF-8) become ``text``."""

    kind: str
    line: int
    within: str  # the function, or "" at the top of the module
    was: str  # the innermost statement's first line and on, spaces closed up, before and after
    now: str
    start: int
    end: int
    text: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What it is called by wherever the code moves."""
        return self.within.split(".")[-1], self.was, self.now

    def apply(self, source: str) -> str:
        raw = source.encode()
        return (raw[:self.start] + self.text.encode() + raw[self.end:]).decode()


def mutants(source: str) -> list[Mutant]:
    """All changes to ``source``, in the order of the file."""
    walk = _Walk(source)
    walk.visit(ast.parse(source))
    return sorted(walk.found, key=lambda m: (m.start, m.end, m.kind, m.text))


class _Walk(ast.NodeVisitor):
    def __init__(self, source: str) -> None:
        self.raw = source.encode()
        self.starts = [0]
        for line in self.raw.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.found: list[Mutant] = []
        self.names: list[str] = []
        self.statement: ast.stmt | None = None
        self.indexed: set[int] = set()  # constants changed as indices

    def visit(self, node: ast.AST) -> None:
        if isinstance(node, LEFT_ALONE) or id(node) in self.indexed:
            return
        if isinstance(node, ast.Subscript):
            self.indexed |= {id(n) for n in _whole_numbers(node)}
        outer = self.statement
        if isinstance(node, ast.stmt):
            self.statement = node
        for kind, new in _changed(node):
            self._add(kind, node, new)
        self.generic_visit(node)
        self.statement = outer

    def generic_visit(self, node: ast.AST) -> None:
        named = isinstance(node, (ast.FunctionDef, ast.ClassDef))
        if named:
            self.names.append(node.name)  # type: ignore[attr-defined]
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    self.visit(child)
        if named:
            self.names.pop()

    def _offset(self, line: int, column: int) -> int:
        return self.starts[line - 1] + column

    def _add(self, kind: str, node: ast.AST, new: ast.AST) -> None:
        assert self.statement is not None and isinstance(node, (ast.expr, ast.stmt))
        start = self._offset(node.lineno, node.col_offset)
        end = self._offset(node.end_lineno or node.lineno, node.end_col_offset or 0)
        text = ast.unparse(new)
        if isinstance(node, (ast.BinOp, ast.BoolOp, ast.UnaryOp, ast.Compare)):
            text = f"({text})"
        elif isinstance(node, ast.Call) and isinstance(new, ast.expr) and not isinstance(new, (ast.Call, ast.Name)):
            text = f"({text})"
        s0, s1 = self._extent(self.statement)
        was = " ".join(self.raw[s0:s1].decode().split())
        now = " ".join((self.raw[s0:start] + text.encode() + self.raw[end:s1]).decode().split())
        self.found.append(Mutant(kind, node.lineno, ".".join(self.names), was, now, start, end, text))

    def _extent(self, s: ast.stmt) -> tuple[int, int]:
        """A statement without the statements inside it."""
        start = self._offset(s.lineno, s.col_offset)
        body = getattr(s, "body", None)
        if body:
            return start, self._offset(body[0].lineno, body[0].col_offset)
        return start, self._offset(s.end_lineno or s.lineno, s.end_col_offset or 0)


def _name(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""


def _named(node: ast.expr, name: str) -> ast.expr:
    """The same function by another name: np.sin, np.cos."""
    if isinstance(node, ast.Attribute):
        return ast.Attribute(node.value, name, ast.Load())
    return ast.Name(name, ast.Load())


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str)) or (
        isinstance(node, ast.BinOp) and (_is_text(node.left) or _is_text(node.right)))


def _changed(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Kinds of change and what the node becomes."""
    if isinstance(node, ast.BinOp) and not _is_text(node):
        yield from _operations(node)
    elif isinstance(node, ast.AugAssign) and type(node.op) in SWAPPED_OPERATORS and not _is_text(node.value):
        yield "operator", ast.AugAssign(node.target, SWAPPED_OPERATORS[type(node.op)](), node.value)
    elif isinstance(node, ast.Compare) and len(node.ops) == 1:
        yield "comparison", ast.Compare(node.left, [SWAPPED_COMPARISONS[type(node.ops[0])]()], node.comparators)
    elif isinstance(node, ast.BoolOp):
        other: ast.boolop = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and/or", ast.BoolOp(other, node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
        yield "minus left out", node.operand
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not left out", node.operand
    elif isinstance(node, ast.Call):
        yield from _calls(node)
    elif isinstance(node, ast.Subscript):
        yield from _indices(node)
    elif isinstance(node, ast.Constant):
        yield from _constants(node)


def _operations(node: ast.BinOp) -> Iterator[tuple[str, ast.AST]]:
    if type(node.op) in SWAPPED_OPERATORS:
        yield "operator", ast.BinOp(node.left, SWAPPED_OPERATORS[type(node.op)](), node.right)
    if isinstance(node.op, (ast.Add, ast.Sub)):
        yield "term left out", node.left
    if isinstance(node.op, (ast.Mult, ast.MatMult)):
        yield "negated", ast.BinOp(node.left, node.op, ast.UnaryOp(ast.USub(), node.right))


def _calls(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    name = _name(node.func)
    if name in SWAPPED_CALLS:
        yield "function", ast.Call(_named(node.func, SWAPPED_CALLS[name]), node.args, node.keywords)
    if name in DROPPED_CALLS and len(node.args) == 1 and not node.keywords and not isinstance(
            node.args[0], ast.Starred):
        yield f"{DROPPED_CALLS[name]} left out", node.args[0]
    if name in ("arctan2", "atan2") and len(node.args) == 2:
        yield "arguments", ast.Call(node.func, node.args[::-1], node.keywords)


def _whole_numbers(node: ast.Subscript) -> list[ast.Constant]:
    """The whole numbers of an index, not those of calls and indices within it."""
    inner = {id(n) for s in ast.walk(node.slice) if isinstance(s, (ast.Subscript, ast.Call)) for n in ast.walk(s)}
    return [n for n in ast.walk(node.slice)
            if isinstance(n, ast.Constant) and type(n.value) is int and id(n) not in inner]


def _indices(node: ast.Subscript) -> Iterator[tuple[str, ast.AST]]:
    for k in range(len(_whole_numbers(node))):
        new = copy.deepcopy(node)
        n = _whole_numbers(new)[k]
        n.value += 1  # type: ignore[operator]
        yield "index", new


def _constants(node: ast.Constant) -> Iterator[tuple[str, ast.AST]]:
    v = node.value
    if type(v) is bool:
        yield "constant", ast.Constant(not v)
    elif type(v) is int and abs(v) <= 1e6:
        yield "constant", ast.Constant(v + 1)
    elif type(v) is float and (v == 0 or 1e-6 < abs(v) < 1e6):
        yield "constant", ast.Constant(v * 1.25 if v else 1.0)
