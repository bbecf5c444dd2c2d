"""Small changes of a module's source, one at a time: each is a mistake that the tests should notice."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from types import CodeType

COMPARED = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
COMBINED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.LShift: ast.RShift, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult,
}
CALLED = {"maximum": "minimum", "minimum": "maximum", "max": "min", "min": "max", "any": "all", "all": "any"}
REMOVED = (ast.Expr, ast.AugAssign, ast.Raise, ast.Break, ast.Continue, ast.Delete)
LEFT_ALONE = {"annotation", "returns", "decorator_list", "type_params"}  # nothing of these is carried out


@dataclass(frozen=True)
class Mutant:
    """A changed module: where, what stood there, what stands there now."""

    line: int
    column: int
    was: str
    now: str
    code: CodeType


def mutants(source: str) -> list[Mutant]:
    """
    Return every mutant of a source, in its order.

    Changed are comparisons, arithmetic, logic, numbers, names in quotation marks, bounds of slices, conditions, what is returned,
    greatest and least; statements are left out. Sentences for people, types and decorators stay.
    """
    tree, made = ast.parse(source), []
    for owner, field, index, node in list(_places(tree)):
        for change in _changes(node):
            _put(owner, field, index, ast.fix_missing_locations(ast.copy_location(change, node)))
            code = compile(tree, "mutant", "exec")
            made.append(Mutant(node.lineno, node.col_offset + 1, ast.unparse(node), ast.unparse(change), code))
        _put(owner, field, index, node)
    return made


def _put(owner: ast.AST, field: str, index: int | None, node: ast.AST) -> None:
    if index is None:
        setattr(owner, field, node)
    else:
        getattr(owner, field)[index] = node


def _places(node: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST]]:
    """Yield what may be changed: the owner, its field, the position in a list, and the node itself."""
    for field, value in ast.iter_fields(node):
        if field in LEFT_ALONE:
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(child, ast.AST) or _is_text(child):
                continue
            if hasattr(child, "lineno"):
                yield node, field, index, child
            if not isinstance(child, ast.Raise | ast.JoinedStr):
                yield from _places(child)


def _is_text(node: ast.AST) -> bool:
    """Whether it is a docstring."""
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _changes(node: ast.AST) -> list[ast.AST]:
    """Return what may stand in the node's place."""
    match node:
        case ast.Compare():
            return [
                ast.Compare(node.left, [*node.ops[:i], other(), *node.ops[i + 1 :]], node.comparators)
                for i, one in enumerate(node.ops) for other in COMPARED[type(one)]
            ]
        case ast.BinOp() if type(node.op) in COMBINED:
            return [ast.BinOp(node.left, COMBINED[type(node.op)](), node.right)]
        case ast.AugAssign() if type(node.op) in COMBINED:
            return [ast.AugAssign(node.target, COMBINED[type(node.op)](), node.value), ast.Pass()]
        case ast.BoolOp():
            return [ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)]
        case ast.UnaryOp():
            return [node.operand]
        case ast.Constant(value=bool() | int() | float() | str()):
            return [ast.Constant(other) for other in _other(node.value)]
        case ast.Slice():
            return [ast.Slice(None, node.upper, node.step)] * bool(node.lower) + [
                ast.Slice(node.lower, None, node.step)
            ] * bool(node.upper)
        case ast.Attribute(attr=name) if name in CALLED:
            return [ast.Attribute(node.value, CALLED[name], node.ctx)]
        case ast.Name(id=name) if name in CALLED:
            return [ast.Name(CALLED[name], node.ctx)]
        case ast.If() | ast.While() if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp):
            return [type(node)(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse)]
        case ast.IfExp() if not isinstance(node.test, ast.Compare | ast.UnaryOp):
            return [ast.IfExp(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse)]
        case ast.Return(value=ast.expr()):
            return [ast.Return(ast.Constant(None))]
    return [ast.Pass()] if isinstance(node, REMOVED) else []


def _other(value: bool | int | float | str) -> list[bool | int | float | str]:
    """Return another value of the same type; none for a sentence."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, str):
        return [] if " " in value or not value else [f"{value}_"]
    return [value + 1 if isinstance(value, int) else 2 * value or 1.0]
