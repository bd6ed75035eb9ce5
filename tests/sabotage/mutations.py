"""Small changes to a source file, each of which ought to make some test fail: the mutants of mutation testing.

Made from the syntax tree, written into the text at the place of the node, so that the rest of the file stays as it is. Beside the usual
operators (comparisons, arithmetic, conditions, constants, statements: Offutt et al. 1996, doi:10.1145/227607.227610) there are those for
where this service fails worst: a lock taken away, a condition or lock dropped from an SQL statement, a route opened to a lower role.

Left out are changes that nobody would call a fault: texts for people, log lines, annotations, options of dataclasses.
"""

from __future__ import annotations

import ast
import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property


@dataclass(frozen=True, slots=True)
class Mutation:
    """One change. ``start`` and ``end`` are places in the encoded file, ``lines`` those a test has to run to notice."""

    path: str
    line: int
    within: str  #: the function or class it stands in
    operator: str
    old: str
    new: str
    start: int
    end: int
    lines: tuple[int, int]
    in_function: bool  #: else it runs when the module is imported
    defines: frozenset[str] = frozenset()  #: module-level names it takes part in defining

    @property
    def change(self) -> str:
        """The change in a line, without where it stands."""
        return f"{_short(self.old)} → {_short(self.new) or 'nothing'}"

    def applied(self, source: bytes) -> bytes:
        """The file with the change in it."""
        return source[: self.start] + self.new.encode() + source[self.end :]


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 70 else text[:67] + "..."


_COMPARISONS: dict[type[ast.cmpop], tuple[str, ...]] = {
    ast.Lt: ("<=", ">="),
    ast.LtE: ("<", ">"),
    ast.Gt: (">=", "<="),
    ast.GtE: (">", "<"),
    ast.Eq: ("!=",),
    ast.NotEq: ("==",),
    ast.Is: ("is not",),
    ast.IsNot: ("is",),
    ast.In: ("not in",),
    ast.NotIn: ("in",),
}
_ARITHMETIC: dict[type[ast.operator], tuple[str, str]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "*"),
    ast.Mod: ("%", "//"),
    ast.Pow: ("**", "*"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
}
_OTHER_CALL = {"min": "max", "max": "min", "any": "all", "all": "any", "ceil": "floor", "floor": "ceil"}
#: Links of a chain of calls that builds a statement, and what is left where one is missing.
_LINKS = {"where", "with_for_update", "order_by", "limit", "on_conflict_do_nothing", "distinct"}
_ROLES = {"Operator": "Viewer", "Technician": "Viewer", "Supervisor": "Viewer", "Administrator": "Supervisor"}
_SQL = re.compile(
    r"\b(SELECT|UPDATE|DELETE|INSERT)\b[\s\S]*\b(FROM|SET|INTO|WHERE|set_config|pg_\w+)\b|\A\s*(AND|WHERE)\b"
)
_SQL_CHANGES: tuple[tuple[str, str], ...] = (
    # a condition, up to what ends it: one more, the end of the line or of the text, or another clause
    (
        r"\bAND (?:[^()\n\"]|\((?:[^()\n\"]|\([^()\n\"]*\))*\))+?(?=\s+AND\b|\s*[\n\"]|\s+(?:FOR|ORDER|RETURNING|LIMIT)\b)",
        "",
    ),
    (r"\s+FOR (?:UPDATE|SHARE)(?: OF \w+)?(?: SKIP LOCKED)?", ""),
    (r" SKIP LOCKED", ""),
    (r" <= ", " < "),
    (r" >= ", " > "),
    (r"(?<![<>=!-]) > ", " >= "),
    (r"(?<![<>=!-]) < ", " <= "),
    (r" IS NULL", " IS NOT NULL"),
    (r" IS NOT NULL", " IS NULL"),
    (r" \+ 1\b", " + 0"),
    (r" DESC\b", ""),
    (r" OR ", " AND "),
)
_QUIET_CALLS = re.compile(
    r"^(log|logger|_log|structlog)\b|\.(debug|info|warning|exception)$|^warnings\.|^print$|^typer\.echo$"
)
_NOT_RUN = re.compile(r"#\s*pragma: no cover")


def mutations(path: str, source: bytes) -> list[Mutation]:
    """Every change known for a file, in the order of the text."""
    found = sorted(_Finder(path, source).found(), key=lambda m: (m.start, m.end, m.new))
    # Two operators may come to the same text.
    return list({(m.start, m.end, m.new): m for m in found}.values())


@dataclass
class _Finder:
    path: str
    source: bytes

    @cached_property
    def offsets(self) -> list[int]:
        places, at = [0], 0
        for line in self.source.splitlines(keepends=True):
            at += len(line)
            places.append(at)
        return places

    def span(self, node: ast.AST) -> tuple[int, int]:
        place: ast.expr = node  # type: ignore[assignment]
        assert place.end_lineno is not None
        assert place.end_col_offset is not None
        return (
            self.offsets[place.lineno - 1] + place.col_offset,
            self.offsets[place.end_lineno - 1] + place.end_col_offset,
        )

    def text(self, node: ast.AST) -> str:
        start, end = self.span(node)
        return self.source[start:end].decode()

    def found(self) -> Iterator[Mutation]:
        yield from self.walk(ast.parse(self.source).body, [], False, frozenset(), None)

    def make(self, place: _Place, operator: str, start: int, end: int, new: str) -> Iterator[Mutation]:
        old = self.source[start:end].decode()
        line, last = bisect_right(self.offsets, start), bisect_right(self.offsets, max(start, end - 1))
        first = place.statement.lineno if place.statement is not None else line
        shown = self.source[self.offsets[line - 1] : self.offsets[line]].decode()
        if old == new or _NOT_RUN.search(shown):
            return
        yield Mutation(
            self.path, line, ".".join(place.names), operator, old, new, start, end, (min(first, line), last),
            place.in_function, place.defines,
        )  # fmt: skip

    def replaced(self, place: _Place, operator: str, node: ast.AST, new: str) -> Iterator[Mutation]:
        start, end = self.span(node)
        yield from self.make(place, operator, start, end, new)

    # --- statements -------------------------------------------------------------------------------------------------

    def walk(
        self,
        body: list[ast.stmt],
        names: list[str],
        in_function: bool,
        defines: frozenset[str],
        parent: ast.stmt | None,
    ) -> Iterator[Mutation]:
        for statement in body:
            if isinstance(statement, ast.Import | ast.ImportFrom | ast.Pass | ast.Global | ast.Nonlocal):
                continue
            if isinstance(statement, ast.If) and "TYPE_CHECKING" in ast.dump(statement.test):
                continue
            if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
                continue  # a docstring
            own = defines or _defined(statement)
            place = _Place(names, in_function, own, statement)
            if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef):
                if statement.name in ("__repr__", "__str__"):
                    continue
                yield from self.function(statement, place)
            elif isinstance(statement, ast.ClassDef):
                yield from self.walk(statement.body, [*names, statement.name], in_function, own, statement)
            else:
                yield from self.statement(statement, place)

    def function(self, function: ast.FunctionDef | ast.AsyncFunctionDef, place: _Place) -> Iterator[Mutation]:
        names = [*place.names, function.name]
        defined = place.defines | {function.name}
        outside = _Place(names, place.in_function, defined, function)
        for default in (*function.args.defaults, *(d for d in function.args.kw_defaults if d is not None)):
            yield from self.expression(default, outside)
        for decorator in function.decorator_list:
            if isinstance(decorator, ast.Call):
                for keyword in decorator.keywords:
                    if keyword.arg == "dependencies":
                        yield from self.replaced(outside, "a route's check dropped", keyword.value, "[]")
        for argument in (*function.args.args, *function.args.kwonlyargs):
            if isinstance(argument.annotation, ast.Name) and argument.annotation.id in _ROLES:
                lower = _ROLES[argument.annotation.id]
                yield from self.replaced(outside, "a route opened", argument.annotation, lower)
        yield from self.walk(function.body, names, True, frozenset(), function)

    def statement(self, statement: ast.stmt, place: _Place) -> Iterator[Mutation]:
        match statement:
            case ast.If(test=test) | ast.While(test=test):
                yield from self.condition(test, place)
            case ast.Return(value=value) if value is not None:
                yield from self.returned(value, place)
                yield from self.expression(value, place)
            case ast.Raise():
                yield from self.replaced(place, "statement removed", statement, "pass")
                return  # what an error says is text
            case ast.Expr(value=ast.Call() as call):
                if _QUIET_CALLS.search(self.text(call.func)):
                    return
                yield from self.replaced(place, "statement removed", statement, "pass")
                yield from self.expression(call, place)
            case ast.Expr(value=ast.Yield() | ast.YieldFrom() | ast.Await()):
                return
            case ast.Assign(targets=[target], value=value):
                if isinstance(target, ast.Attribute | ast.Subscript) and place.in_function:
                    yield from self.replaced(place, "statement removed", statement, "pass")
                if isinstance(target, ast.Name) and target.id in ("__slots__", "__all__", "_BYTES", "log"):
                    return
                yield from self.expression(value, place)
            case ast.AnnAssign(value=value):
                if value is not None:
                    yield from self.expression(value, place)
            case ast.AugAssign(op=op, value=value, target=target):
                yield from self.replaced(place, "statement removed", statement, "pass")
                if type(op) in _ARITHMETIC:
                    old, new = _ARITHMETIC[type(op)]
                    start = self.span(target)[1]
                    at = self.source.index(old.encode() + b"=", start)
                    yield from self.make(place, "arithmetic", at, at + len(old), new)
                yield from self.expression(value, place)
            case ast.Delete() | ast.Break() | ast.Continue():
                yield from self.replaced(place, "statement removed", statement, "pass")
            case ast.For(iter=looped):
                yield from self.expression(looped, place)
            case ast.With(items=items):
                yield from self.held(items, place)
            case ast.Match(subject=subject):
                yield from self.expression(subject, place)
            case _:
                pass
        yield from self.inner(statement, place)

    def inner(self, statement: ast.stmt, place: _Place) -> Iterator[Mutation]:
        """The statements within a statement."""
        for field in ("body", "orelse", "finalbody"):
            body = getattr(statement, field, [])
            if isinstance(body, list):
                yield from self.walk(body, place.names, place.in_function, place.defines, statement)
        for handler in getattr(statement, "handlers", []):
            within = _Place(place.names, place.in_function, place.defines, None)
            if handler.type is not None:
                yield from self.replaced(within, "exception not handled", handler.type, "()")
            yield from self.walk(handler.body, place.names, place.in_function, place.defines, statement)
        for case in getattr(statement, "cases", []):
            if case.guard is not None:
                yield from self.condition(case.guard, _Place(place.names, place.in_function, place.defines, None))
            yield from self.walk(case.body, place.names, place.in_function, place.defines, statement)

    def held(self, items: list[ast.withitem], place: _Place) -> Iterator[Mutation]:
        for item in items:
            context = item.context_expr
            words = self.text(context)
            if item.optional_vars is None and re.search(r"lock|hashing|guard|holding|_turn\b|mutex", words, re.I):
                yield from self.replaced(place, "lock removed", context, '__import__("contextlib").nullcontext()')
            elif isinstance(context, ast.Call) and words.startswith(("suppress(", "contextlib.suppress(")):
                inside = self.source[self.span(context)[0] : self.span(context)[1]].decode()
                yield from self.replaced(place, "exception not handled", context, inside[: inside.index("(")] + "()")
            else:
                yield from self.expression(context, place)

    # --- expressions --------------------------------------------------------------------------------------------------

    def condition(self, test: ast.expr, place: _Place) -> Iterator[Mutation]:
        """What decides: also turned round where no operator within it would be."""
        if isinstance(test, ast.Name | ast.Attribute | ast.Call | ast.NamedExpr):
            yield from self.replaced(place, "condition turned", test, f"(not ({self.text(test)}))")
        yield from self.expression(test, place)

    def returned(self, value: ast.expr, place: _Place) -> Iterator[Mutation]:
        if isinstance(value, ast.Compare | ast.BoolOp):
            return  # its operators are turned below
        if isinstance(value, ast.Constant) and value.value is None:
            return
        if isinstance(value, ast.Constant) and isinstance(value.value, bool | str):
            return
        yield from self.replaced(place, "returns nothing", value, "None")

    def expression(self, node: ast.expr, place: _Place) -> Iterator[Mutation]:
        match node:
            case ast.JoinedStr() | ast.Lambda(body=ast.Constant()):
                return
            case ast.Compare(left=left, ops=ops, comparators=comparators):
                before = left
                for op, after in zip(ops, comparators, strict=True):
                    start, end = self.span(before)[1], self.span(after)[0]
                    between = self.source[start:end]
                    for new in _COMPARISONS[type(op)]:
                        # Parentheses round an operand lie between the two.
                        turned = re.sub(rb"(is\s+not|not\s+in|is|in|[<>=!]=|[<>])", new.encode(), between, count=1)
                        yield from self.make(place, "comparison", start, end, turned.decode())
                    before = after
            case ast.BoolOp(op=op, values=values):
                old, new = ("and", "or") if isinstance(op, ast.And) else ("or", "and")
                if len(values) == 2:
                    start, end = self.span(values[0])[1], self.span(values[1])[0]
                    other = re.sub(rf"\b{old}\b", new, self.source[start:end].decode(), count=1)
                    yield from self.make(place, "and/or", start, end, other)
                for value in values:
                    if isinstance(op, ast.Or) and isinstance(value, ast.Constant) and not value.value:
                        continue  # "or 0.0" is "or False" already
                    yield from self.replaced(
                        place, "condition dropped", value, "True" if isinstance(op, ast.And) else "False"
                    )
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                yield from self.replaced(place, "not dropped", node, f"({self.text(operand)})")
            case ast.UnaryOp(op=ast.USub(), operand=operand) if not isinstance(operand, ast.Constant):
                yield from self.replaced(place, "sign dropped", node, f"({self.text(operand)})")
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _ARITHMETIC:
                if not _is_text(left) and not _is_text(right):
                    old, new = _ARITHMETIC[type(op)]
                    start, end = self.span(left)[1], self.span(right)[0]
                    at = self.source.index(old.encode(), start, end)
                    yield from self.make(place, "arithmetic", at, at + len(old), new)
            case ast.IfExp(test=test):
                yield from self.condition(test, place)
            case ast.Constant(value=value):
                yield from self.constant(node, value, place)
            case ast.Call():
                yield from self.call(node, place)
            case _:
                pass
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.expr):
                yield from self.expression(child, place)
            elif isinstance(child, ast.keyword):
                if child.arg not in ("strict", "key", "maxsize", "reverse") or child.arg == "reverse":
                    yield from self.expression(child.value, place)
            elif isinstance(child, ast.comprehension):
                yield from self.expression(child.iter, place)
                for test in child.ifs:
                    yield from self.condition(test, place)

    def constant(self, node: ast.Constant, value: object, place: _Place) -> Iterator[Mutation]:
        match value:
            case bool():
                yield from self.replaced(place, "constant", node, str(not value))
            case int():
                new = "1" if value == 0 else "0" if value == 1 else str(2 * value) if value >= 5 else str(value + 1)
                yield from self.replaced(place, "constant", node, new)
            case float():
                yield from self.replaced(place, "constant", node, "1.0" if value == 0.0 else f"({self.text(node)} * 2)")
            case str() if _SQL.search(value):
                yield from self.sql(node, place)
            case _:
                pass

    def sql(self, node: ast.Constant, place: _Place) -> Iterator[Mutation]:
        start, _ = self.span(node)
        text = self.text(node)
        for pattern, new in _SQL_CHANGES:
            for hit in re.finditer(pattern, text):
                at = start + len(text[: hit.start()].encode())
                yield from self.make(place, "SQL", at, at + len(hit[0].encode()), new)

    def call(self, call: ast.Call, place: _Place) -> Iterator[Mutation]:
        func = call.func
        if isinstance(func, ast.Name | ast.Attribute):
            name = func.id if isinstance(func, ast.Name) else func.attr
            if name in _OTHER_CALL:
                start, end = self.span(func)
                yield from self.make(place, "another function", end - len(name), end, _OTHER_CALL[name])
            # NumPy has a where() of its own, which is no condition of a statement.
            if name in _LINKS and isinstance(func, ast.Attribute) and self.text(func.value) != "np":
                start, end = self.span(func.value)[1], self.span(call)[1]
                if len(call.args) > 1 and name == "where":
                    for argument in call.args:
                        yield from self.replaced(place, "SQL", argument, "True")
                else:
                    yield from self.make(place, "SQL", start, end, "")
        plain = [a for a in call.args if isinstance(a, ast.Name | ast.Attribute)]
        if len(call.args) >= 2 and len(plain) == len(call.args) and not call.keywords:
            first, second = call.args[:2]
            if self.text(first) != self.text(second):
                start, end = self.span(first)[0], self.span(second)[1]
                between = self.source[self.span(first)[1] : self.span(second)[0]].decode()
                yield from self.make(
                    place, "arguments swapped", start, end, self.text(second) + between + self.text(first)
                )


@dataclass(frozen=True)
class _Place:
    names: list[str]
    in_function: bool
    defines: frozenset[str]
    statement: ast.stmt | None


def _defined(statement: ast.stmt) -> frozenset[str]:
    match statement:
        case ast.ClassDef(name=name) | ast.FunctionDef(name=name):
            return frozenset({name})
        case ast.Assign(targets=targets):
            return frozenset(n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name))
        case ast.AnnAssign(target=ast.Name(id=name)):
            return frozenset({name})
    return frozenset()


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))
