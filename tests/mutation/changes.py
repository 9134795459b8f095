"""The small changes that a test of a module ought to notice, one at a time."""

import ast
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from types import CodeType

_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_ORDERS = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
}
_SHOWN = 60


@dataclass(frozen=True)
class Change:
    """One change: the node in `field` of `parent` (at `index`, if that is a list) is another."""

    line: int
    before: str
    after: str
    parent: ast.AST
    field: str
    index: int | None
    replacement: ast.AST

    def __str__(self) -> str:
        return f"{self.line}: {self.before}  ->  {self.after}"


class Source:
    """A module as text, and what it would be after each change."""

    def __init__(self, text: str, path: str) -> None:
        self._tree = ast.parse(text, path)
        self._path = path

    def changes(self) -> list[Change]:
        """All changes, in the order of their lines."""
        found = [change for statement in self._tree.body for change in _within(statement)]
        return sorted(found, key=lambda change: change.line)

    def compiled(self, change: Change) -> CodeType:
        """The module's code with that one change."""
        now = _put(change, change.replacement)
        try:
            ast.fix_missing_locations(self._tree)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", SyntaxWarning)
                return compile(self._tree, self._path, "exec", dont_inherit=True)
        finally:
            _put(change, now)


def _put(change: Change, node: ast.AST) -> ast.AST:
    """Puts the node in the place of the change; what was there."""
    value = getattr(change.parent, change.field)
    if change.index is None:
        setattr(change.parent, change.field, node)
        return value  # type: ignore[no-any-return]  # a field that holds one node
    was: ast.AST = value[change.index]
    value[change.index] = node
    return was


def _within(parent: ast.AST) -> Iterator[Change]:
    for field, value in ast.iter_fields(parent):
        if _is_left_alone(parent, field):
            continue
        nodes = value if isinstance(value, list) else [value]
        for index, node in enumerate(nodes):
            if not isinstance(node, ast.AST):
                continue
            for replacement in _replacements(parent, field, node):
                shown = parent if isinstance(node, ast.operator | ast.boolop) else node
                yield Change(
                    line=getattr(node, "lineno", getattr(parent, "lineno", 0)),
                    before=_text(shown),
                    after=_text_after(parent, node, replacement),
                    parent=parent,
                    field=field,
                    index=index if isinstance(value, list) else None,
                    replacement=replacement,
                )
            yield from _within(node)


def _is_left_alone(parent: ast.AST, field: str) -> bool:
    """Whether a change there would be none: prose, and what only the type checker reads."""
    match parent:
        case ast.Expr(value=ast.Constant()):
            return True
        case ast.arg() | ast.AnnAssign() if field == "annotation":
            return True
        case ast.FunctionDef() | ast.AsyncFunctionDef() if field == "returns":
            return True
        case ast.Subscript(value=ast.Name(id="Literal" | "Annotated")):
            return True
        case ast.Assign(targets=[ast.Name(id="__all__")]):
            return True
        case ast.keyword(arg="frozen"):
            return True
        case ast.FormattedValue() if field == "format_spec":
            return True
        # A union of types.
        case ast.BinOp(op=ast.BitOr(), right=ast.Name(id=name)) if name[:1].isupper():
            return not name.isupper()
        case ast.BinOp(op=ast.BitOr(), right=ast.Constant(value=None)):
            return True
    return False


def _replacements(parent: ast.AST, field: str, node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Compare():
            for index, op in enumerate(node.ops):
                ops = list(node.ops)
                ops[index] = _COMPARISONS[type(op)]()
                yield ast.Compare(node.left, ops, node.comparators)
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value)):
            yield ast.Constant(value + 1)
            yield ast.Constant(value - 1)
        case ast.Constant(value=str(value)) if value:
            yield ast.Constant("")
        case ast.Constant(value=bytes(value)) if value:
            yield ast.Constant(b"")
        case ast.And():
            yield ast.Or()
        case ast.Or():
            yield ast.And()
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield operand
        case ast.operator() if type(node) in _ARITHMETIC:
            yield _ARITHMETIC[type(node)]()
        case ast.Return(value=value) if value is not None and not _is_none(value):
            yield ast.copy_location(ast.Return(ast.Constant(None)), node)
    is_condition = (field == "test" and isinstance(parent, ast.If | ast.While | ast.IfExp)) or (
        field == "ifs" and isinstance(parent, ast.comprehension)
    )
    if is_condition and isinstance(node, ast.expr) and not _is_turned_already(node):
        yield ast.UnaryOp(ast.Not(), node)


def _is_turned_already(node: ast.expr) -> bool:
    """Whether another change negates the condition: `==` to `!=`, or a `not` taken away."""
    if isinstance(node, ast.Compare):
        return len(node.ops) == 1 and not isinstance(node.ops[0], _ORDERS)
    return isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not)


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _text_after(parent: ast.AST, node: ast.AST, replacement: ast.AST) -> str:
    match parent, replacement:
        case ast.BinOp(left=left, right=right), ast.operator():
            return _text(ast.BinOp(left, replacement, right))
        case ast.AugAssign(target=target, value=value), ast.operator():
            return _text(ast.AugAssign(target, replacement, value))
        case ast.BoolOp(values=values), ast.boolop():
            return _text(ast.BoolOp(replacement, values))
    return _text(replacement)


def _text(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
