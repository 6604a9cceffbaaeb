"""Small wrong changes of a module's source, each of which a good test must notice.

A mutant is the module's text with one place changed. Made with `ast`, so that only code changes: no comment, no
docstring, no sentence, no annotation, no decorator.
"""

from __future__ import annotations

import ast
import difflib
from collections.abc import Callable
from dataclasses import dataclass

COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}
COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Div,
    ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}
_PAIRS = (
    ("minimum", "maximum"), ("fmin", "fmax"), ("min", "max"), ("nanmin", "nanmax"), ("any", "all"),
    ("floor", "ceil"), ("cummin", "cummax"))
CALLED = {**dict(_PAIRS), **{there: here for here, there in _PAIRS}}
SIGNS: dict[type[ast.AST], str] = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=", ast.Is: "is",
    ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in", ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/",
    ast.FloorDiv: "//", ast.Mod: "%", ast.Pow: "**", ast.BitAnd: "&", ast.BitOr: "|", ast.And: "and", ast.Or: "or",
    ast.Not: "not", ast.Invert: "~", ast.USub: "-",
}
GUARDS = {"strict", "copy"}  # keywords that change nothing in code that is right


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One changed place.

    Attributes
    ----------
    line, column : int
        Where, counted from 1.
    source : str
        The line as it stands, without its indentation.
    mutation : str
        What was changed into what.
    text : str
        The whole module, changed.
    """

    line: int
    column: int
    source: str
    mutation: str
    text: str

    def diff(self, text: str) -> list[str]:
        """The lines that differ from the unchanged text, each with `-` or `+` before it."""
        found = difflib.unified_diff(text.splitlines(), self.text.splitlines(), n=0, lineterm="")
        return [line for line in found if not line.startswith(("---", "+++", "@@"))]


def mutants(text: str) -> list[Mutant]:
    """All mutants of a module, in the order of their places; each compiles, and none is there twice.

    Parameters
    ----------
    text : str
        The module's source.

    Raises
    ------
    SyntaxError
        If that is no Python.
    """
    maker = _Maker(text)
    maker.visit(ast.parse(text))
    once = {one.text: one for one in reversed(maker.made) if one.text != text}
    return sorted(once.values(), key=lambda one: (one.line, one.column, one.mutation))


class _Maker(ast.NodeVisitor):
    """Walks the code and leaves the mutants in `made`."""

    def __init__(self, text: str) -> None:
        self.made: list[Mutant] = []
        self._bytes = text.encode()
        self._lines = text.splitlines()
        starts = [0]
        for line in self._bytes.splitlines(keepends=True):  # `ast` counts columns in bytes
            starts.append(starts[-1] + len(line))
        self._starts = starts

    def _at(self, line: int, column: int) -> int:
        return self._starts[line - 1] + column

    def _put(self, node: ast.expr | ast.stmt, new: str, mutation: str, *, first: int | None = None) -> None:
        """Put other text in the place of a node, or of its end from byte `first` on."""
        start = self._at(node.lineno, node.col_offset) if first is None else first
        end = self._at(node.end_lineno or node.lineno, node.end_col_offset or 0)
        self._keep(node, self._bytes[:start] + new.encode() + self._bytes[end:], mutation)

    def _keep(self, node: ast.expr | ast.stmt, changed: bytes, mutation: str) -> None:
        text = changed.decode()
        compile(text, "<mutant>", "exec", dont_inherit=True)
        self.made.append(Mutant(
            line=node.lineno, column=node.col_offset + 1, source=self._lines[node.lineno - 1].strip(),
            mutation=mutation, text=text))

    def _changed(self, node: ast.expr, mutation: str, change: Callable[[], None], undo: Callable[[], None]) -> None:
        """Put what `change` makes of an expression in its place; `undo` makes it again what it was."""
        change()
        try:
            new = ast.unparse(node)
        finally:
            undo()
        self._put(node, f"({new})", mutation)

    # What holds no code of a decision

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """A sentence."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_arg(self, node: ast.arg) -> None:
        """A name and its annotation."""

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg not in GUARDS:
            self.generic_visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for one in node.body:
            self.visit(one)

    # Functions and statements

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.visit(node.args)
        body = node.body[1:] if ast.get_docstring(node, clean=False) is not None else node.body
        body = [one for one in body if not _is_dots(one)]
        if body and not isinstance(body[0], ast.Return) and body[0].lineno > node.lineno:
            self._leave_early(body[0])
        for one in body:
            self.visit(one)

    def _leave_early(self, first: ast.stmt) -> None:
        line = min([first.lineno, *(one.lineno for one in getattr(first, "decorator_list", []))])
        start = self._at(line, 0)
        margin = " " * first.col_offset
        self._keep(first, self._bytes[:start] + f"{margin}return None\n".encode() + self._bytes[start:],
                   "return None first")

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and not (isinstance(node.value, ast.Constant) and node.value.value is None):
            self._put(node, "return None", "return None")
            self.visit(node.value)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Constant):  # a docstring, or dots
            return
        yields = isinstance(node.value, (ast.Yield, ast.YieldFrom))
        self._put(node, "yield from ()" if yields else "pass", "drop the statement")  # a generator stays one
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        """Without a name's first assignment nothing would run; what fills a place in something can be left out."""
        if all(isinstance(one, (ast.Subscript, ast.Attribute)) for one in node.targets):
            self._put(node, "pass", "drop the statement")
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._put(node, "pass", "drop the statement")
        other = COMPUTED.get(type(node.op))
        if other is not None and not _is_text(node.value):
            target, value = ast.unparse(node.target), ast.unparse(node.value)
            here, there = SIGNS[type(node.op)], SIGNS[other]
            self._put(node, f"{target} {there}= {value}", f"{here}= -> {there}=")
        self.generic_visit(node)

    def _visit_dropped(self, node: ast.stmt) -> None:
        self._put(node, "pass", "drop the statement")
        self.generic_visit(node)

    visit_Raise = visit_Continue = visit_Break = visit_Assert = visit_Delete = _visit_dropped

    def visit_If(self, node: ast.If) -> None:
        if ast.unparse(node.test).endswith("TYPE_CHECKING"):
            return
        self._negate(node.test)
        self.generic_visit(node)

    def _visit_tested(self, node: ast.While | ast.IfExp) -> None:
        self._negate(node.test)
        self.generic_visit(node)

    visit_While = visit_IfExp = _visit_tested

    def visit_comprehension(self, node: ast.comprehension) -> None:
        for one in node.ifs:
            self._negate(one)
        self.generic_visit(node)

    def _negate(self, test: ast.expr) -> None:
        """`not` before a condition; one comparison and one `not` are turned round by changes of their own."""
        if isinstance(test, ast.UnaryOp) or (isinstance(test, ast.Compare) and len(test.ops) == 1):
            return
        self._put(test, f"(not ({ast.unparse(test)}))", "add not")

    # Expressions

    def visit_Compare(self, node: ast.Compare) -> None:
        for number, op in enumerate(node.ops):
            for other in COMPARED.get(type(op), ()):
                self._changed(
                    node, f"{SIGNS[type(op)]} -> {SIGNS[other]}",
                    lambda n=number, o=other: node.ops.__setitem__(n, o()),
                    lambda n=number, o=op: node.ops.__setitem__(n, o))
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        op = node.op
        other = ast.Or() if isinstance(op, ast.And) else ast.And()
        self._changed(node, f"{SIGNS[type(op)]} -> {SIGNS[type(other)]}",
                      lambda: setattr(node, "op", other), lambda: setattr(node, "op", op))
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if type(node.op) in SIGNS:
            self._put(node, f"({ast.unparse(node.operand)})", f"drop {SIGNS[type(node.op)]}")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        op, other = node.op, COMPUTED.get(type(node.op))
        if other is not None and not _is_text(node.left) and not _is_text(node.right):
            self._changed(node, f"{SIGNS[type(op)]} -> {SIGNS[other]}",
                          lambda: setattr(node, "op", other()), lambda: setattr(node, "op", op))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self._put(node, str(not value), f"{value} -> {not value}")
        elif isinstance(value, (int, float)):
            for other in dict.fromkeys((value + 1, value - 1, type(value)(0), value * 2)):
                if other != value:
                    self._put(node, f"({other!r})" if other < 0 else repr(other), f"{value!r} -> {other!r}")

    def visit_Name(self, node: ast.Name) -> None:
        if node.id in ("min", "max", "any", "all"):
            self._put(node, CALLED[node.id], f"{node.id} -> {CALLED[node.id]}")

    def visit_Attribute(self, node: ast.Attribute) -> None:
        if node.attr in CALLED and isinstance(node.ctx, ast.Load):
            end = self._at(node.end_lineno or node.lineno, node.end_col_offset or 0)
            self._put(node, CALLED[node.attr], f"{node.attr} -> {CALLED[node.attr]}",
                      first=end - len(node.attr.encode()))
        self.generic_visit(node)


def _is_dots(node: ast.stmt) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and node.value.value is ...


def _is_text(node: ast.expr) -> bool:
    held = isinstance(node, ast.Constant) and isinstance(node.value, (str, bytes))
    return held or isinstance(node, ast.JoinedStr)
