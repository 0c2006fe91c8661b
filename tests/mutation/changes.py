"""The small changes that a good test must notice, made on the syntax tree of one module.

Not changed: docstrings, annotations, decorators (a data class stays frozen) and imports; none of
them computes anything.
"""

from __future__ import annotations

import ast
import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass

Step = tuple[str, int | None]
SKIPPED_FIELDS = {"annotation", "returns", "decorator_list", "type_params", "ctx"}
SKIPPED_NODES = (ast.Import, ast.ImportFrom)
BOUNDARY = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
OPPOSITE = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.MatMult: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True)
class Change:
    """One change: the way from the root of the tree to the node, and what stands there then.

    function: the qualified name of the outermost function whose body it is in; None for what the
    module computes when it is imported.
    """

    way: tuple[Step, ...]
    put: ast.AST
    kind: str
    line: int
    function: str | None
    before: str
    after: str

    def __str__(self) -> str:
        where = self.function or "module level"
        return f"line {self.line}, {where}: {self.before} -> {self.after}"


def changes_of(source: str) -> list[Change]:
    """Every change of one module, in the order of the tree."""
    return list(_walk(ast.parse(source), (), "", None))


def changed(source: str, change: Change) -> ast.Module:
    """The tree with this one change in it."""
    tree = ast.parse(source)
    node: object = tree
    for field, index in change.way[:-1]:
        node = _at(node, field, index)
    field, index = change.way[-1]
    put = copy.deepcopy(change.put)
    if index is None:
        setattr(node, field, put)
    else:
        getattr(node, field)[index] = put
    return ast.fix_missing_locations(tree)


def _at(node: object, field: str, index: int | None) -> object:
    value = getattr(node, field)
    return value if index is None else value[index]


def _walk(
    node: ast.AST, way: tuple[Step, ...], prefix: str, function: str | None
) -> Iterator[Change]:
    for field, value in ast.iter_fields(node):
        if field in SKIPPED_FIELDS:
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(child, ast.AST) or isinstance(child, SKIPPED_NODES):
                continue
            if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                continue  # a docstring
            step = (*way, (field, index))
            inside, deeper = function, prefix
            # Defaults of arguments are computed when the module is imported, not in the function.
            if isinstance(node, ast.FunctionDef) and function is None and field == "body":
                inside = prefix
            if isinstance(child, ast.FunctionDef | ast.ClassDef) and function is None:
                deeper = f"{prefix}.{child.name}" if prefix else child.name
            for kind, put in _changes(child, field):
                before, after = _said(child), _said(put)
                if kind == "argument":
                    before, after = _call(child, put)
                line = getattr(child, "lineno", getattr(node, "lineno", 0))
                yield Change(step, put, kind, line, inside, before, after)
            yield from _walk(child, step, deeper, inside)


def _said(node: ast.AST) -> str:
    try:
        text = ast.unparse(node)
    except (ValueError, KeyError):
        text = ast.dump(node)
    return " ".join(text.split())[:160]


def _call(whole: ast.AST, put: ast.AST) -> tuple[str, str]:
    """What a call lost, in short: a keyword, or what stood in a place."""
    if not (isinstance(whole, ast.Call) and isinstance(put, ast.Call)):
        raise TypeError(whole, put)
    name = _said(whole.func)
    kept = {keyword.arg for keyword in put.keywords}
    for keyword in whole.keywords:
        if keyword.arg not in kept:
            return (
                f"{name}(..., {keyword.arg}={_said(keyword.value)[:60]})",
                f"without {keyword.arg}",
            )
    for old, new in zip(whole.args, put.args, strict=True):
        if ast.dump(old) != ast.dump(new):
            return f"{name}(... {_said(old)[:60]} ...)", "None in its place"
    return name, name


def _changes(node: ast.AST, field: str) -> Iterator[tuple[str, ast.AST]]:
    match node:
        case ast.Compare():
            for at, op in enumerate(node.ops):
                for kind, table in (("boundary", BOUNDARY), ("comparison", OPPOSITE)):
                    if type(op) in table:
                        other = copy.deepcopy(node)
                        other.ops[at] = table[type(op)]()
                        yield kind, other
        case ast.BinOp() | ast.AugAssign():
            if type(node.op) in ARITHMETIC:
                other = copy.deepcopy(node)
                other.op = ARITHMETIC[type(node.op)]()
                yield "arithmetic", other
        case ast.BoolOp():
            other = copy.deepcopy(node)
            other.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "boolean", other
        case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert()):
            yield "boolean" if isinstance(node.op, ast.Not) else "arithmetic", node.operand
        case ast.If() | ast.IfExp() | ast.While():
            if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp):
                other = copy.deepcopy(node)
                other.test = ast.UnaryOp(ast.Not(), node.test)
                yield "boolean", other
        case ast.Constant():
            yield from _constants(node, field)
        case ast.Return(value=ast.AST() as value):
            if not (isinstance(value, ast.Constant) and value.value is None):
                yield "return", ast.Return(ast.Constant(None))
        case ast.Call():
            yield from _arguments(node)


def _constants(node: ast.Constant, field: str) -> Iterator[tuple[str, ast.AST]]:
    value = node.value
    if isinstance(value, bool):
        yield "constant", ast.Constant(not value)
    elif isinstance(value, int | float):
        yield "constant", ast.Constant(value + 1)
    elif isinstance(value, str):
        if field == "format_spec":
            return
        if re.fullmatch(r"\d+(\.\d+)?", value):
            # A figure in quotation marks, as a Decimal is made of it.
            yield "constant", ast.Constant(str(int(value[0]) + 1) + value[1:])
        else:
            yield "constant", ast.Constant("XX" + value)


def _arguments(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    for at, keyword in enumerate(node.keywords):
        if keyword.arg is not None:
            other = copy.deepcopy(node)
            del other.keywords[at]
            yield "argument", other
    if len(node.args) > 1:
        for at, argument in enumerate(node.args):
            if not isinstance(argument, ast.Constant | ast.Starred):
                other = copy.deepcopy(node)
                other.args[at] = ast.Constant(None)
                yield "argument", other
