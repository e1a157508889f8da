"""The mutants of one module: every small change to its code that a test should notice.

A mutant is known by its function and by the changed expression before and after, not by a line number, so
that a reviewed list of mutants outlives edits elsewhere in the file.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

Path = tuple[tuple[str, int | None], ...]
"""Fields and positions that lead from the root of a tree to one of its nodes."""

CONTEXT = 70
"""Greatest length of the expression that is shown as the surroundings of a change."""
SMALL = 20
"""Whole-number constants up to this one are moved by one, greater ones by a quarter."""

COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
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
CALCULATED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
SWAPPED = {
    "min": "max",
    "any": "all",
    "argmin": "argmax",
    "minimum": "maximum",
    "bisect_left": "bisect_right",
}
SWAPPED |= {new: old for old, new in SWAPPED.items()}
UNTOUCHED = (ast.JoinedStr, ast.Assert, ast.Import, ast.ImportFrom, ast.Raise)
"""Texts for people, statements of invariants, and what is raised with which words."""
WITHOUT_EFFECT = {"dtype", "strict"}
"""Arguments that state what holds anyway."""
ORDER_ONLY = {"precedence"}
"""Arguments whose numbers only say what comes first: moved a little, they say the same."""
EMPTY = {"list": "[]", "tuple": "()", "dict": "{}", "set": "set()"}


@dataclass(frozen=True, eq=False)
class Mutant:
    """One change. before, after: the changed expression; ``nth`` counts equal changes of a function."""

    function: str
    line: int
    kind: str
    before: str
    after: str
    nth: int
    path: Path
    replacement: ast.AST

    @property
    def key(self) -> tuple[str, str, str, int]:
        """Return what the mutant is known by within its module."""
        return self.function, self.before, self.after, self.nth

    def applied(self, tree: ast.Module) -> ast.Module:
        """Return a copy of the module's tree with the change made."""
        changed = copy.deepcopy(tree)
        _put(changed, self.path, copy.deepcopy(self.replacement))
        return ast.fix_missing_locations(changed)


def mutants_of(source: str) -> list[Mutant]:
    """Return all mutants of a module, in the order of its text."""
    tree = ast.parse(source)
    found: list[Mutant] = []
    seen: dict[tuple[str, str, str], int] = {}
    for path, function, kind, replacement in _changes(tree):
        node = _get(tree, path)
        top = _surroundings(tree, path)
        before = _text(_get(tree, top))
        changed = copy.deepcopy(_get(tree, top))
        if top == path:
            changed = replacement
        else:
            _put(changed, path[len(top) :], copy.deepcopy(replacement))
        after = "pass" if isinstance(changed, ast.Pass) else _text(changed)
        if before == after:
            continue
        seen[function, before, after] = nth = seen.get((function, before, after), 0) + 1
        line = getattr(node, "lineno", 0)
        found.append(
            Mutant(function, line, kind, before, after, nth, path, ast.copy_location(replacement, node))
        )
    return found


def _get(root: ast.AST, path: Path) -> ast.AST:
    node = root
    for name, position in path:
        held = getattr(node, name)
        node = held if position is None else held[position]
    return node


def _put(root: ast.AST, path: Path, new: ast.AST) -> None:
    parent = _get(root, path[:-1])
    name, position = path[-1]
    if position is None:
        setattr(parent, name, new)
    else:
        getattr(parent, name)[position] = new


def _text(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())


def _surroundings(tree: ast.Module, path: Path) -> Path:
    """Return the path of the longest expression or statement about a node that still reads as one line."""
    best = path
    for length in range(len(path) - 1, 0, -1):
        node = _get(tree, path[:length])
        if isinstance(node, (ast.expr, ast.Assign, ast.AugAssign, ast.AnnAssign, ast.Return, ast.Slice)):
            if len(_text(node)) > CONTEXT:
                break
            best = path[:length]
        elif not isinstance(node, (ast.keyword, ast.comprehension)):
            break
    return best


def _changes(tree: ast.Module) -> Iterator[tuple[Path, str, str, ast.AST]]:
    for path, node, places in _walk(tree, (), ()):
        function = ".".join(places)
        if isinstance(node, ast.If):
            for value in (True, False):
                yield (*path, ("test", None)), function, "condition", ast.Constant(value)
        for kind, replacement in _variants(node, tree, path, function):
            yield path, function, kind, replacement


def _walk(
    node: ast.AST, path: Path, places: tuple[str, ...]
) -> Iterator[tuple[Path, ast.AST, tuple[str, ...]]]:
    """Return all nodes that may be changed, outer ones first, each with its path and function."""
    if isinstance(node, UNTOUCHED) and not isinstance(node, ast.Raise):
        return
    if isinstance(node, ast.keyword) and node.arg in WITHOUT_EFFECT | ORDER_ONLY:
        return
    if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        places = (*places, node.name)
        if isinstance(node, ast.ClassDef) and "Protocol" in {_text(base) for base in node.bases}:
            return
    yield path, node, places
    if isinstance(node, ast.Raise) or (isinstance(node, ast.Call) and _called(node) in {"cast", "TypeVar"}):
        return
    for name, held in ast.iter_fields(node):
        if name in {"decorator_list", "annotation", "returns", "bases", "type_params"}:
            continue
        if isinstance(held, ast.AST):
            yield from _walk(held, (*path, (name, None)), places)
        elif isinstance(held, list):
            for position, one in enumerate(held):
                if isinstance(one, ast.AST):
                    yield from _walk(one, (*path, (name, position)), places)


def _called(node: ast.Call) -> str:
    called = node.func
    return (
        called.id
        if isinstance(called, ast.Name)
        else called.attr
        if isinstance(called, ast.Attribute)
        else ""
    )


def _variants(node: ast.AST, tree: ast.Module, path: Path, function: str) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.stmt):
        yield from _of_statement(node, tree, path)
    elif isinstance(node, ast.Constant):
        yield from _of_constant(node, named=not function)
    elif isinstance(node, ast.Slice):
        yield from _of_slice(node)
    elif isinstance(node, ast.comprehension):
        for k in range(len(node.ifs)):
            without = copy.deepcopy(node)
            del without.ifs[k]
            yield "condition", without
    elif isinstance(node, ast.Call):
        yield from _of_call(node)
    elif isinstance(node, ast.expr):
        yield from _of_expression(node)


def _of_constant(node: ast.Constant, *, named: bool) -> Iterator[tuple[str, ast.AST]]:
    value = node.value
    kind = "named constant" if named else "constant"
    if isinstance(value, bool):
        yield kind, ast.Constant(not value)
    elif isinstance(value, int):
        step = 1 if abs(value) <= SMALL else abs(value) // 4
        yield kind, ast.Constant(value + step)
        if value:
            yield kind, ast.Constant(value - step)
    elif isinstance(value, float):
        yield kind, ast.Constant(value * 1.25 if value else 1.0)
        if value:
            yield kind, ast.Constant(value * 0.8)


def _of_slice(node: ast.Slice) -> Iterator[tuple[str, ast.AST]]:
    for name in ("lower", "upper"):
        end = getattr(node, name)
        plain = end.operand if isinstance(end, ast.UnaryOp) else end
        if end is None or isinstance(plain, ast.Constant):
            continue
        for sign in (ast.Add(), ast.Sub()):
            moved = copy.deepcopy(node)
            setattr(moved, name, ast.BinOp(copy.deepcopy(end), sign, ast.Constant(1)))
            yield "slice", moved


def _of_call(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    name = _called(node)
    if name in SWAPPED:
        swapped = copy.deepcopy(node)
        if isinstance(swapped.func, ast.Name):
            swapped.func.id = SWAPPED[name]
        elif isinstance(swapped.func, ast.Attribute):
            swapped.func.attr = SWAPPED[name]
        yield "function", swapped
    if name == "abs" and len(node.args) == 1:
        yield "function", copy.deepcopy(node.args[0])
    if name[:1].islower():
        for k, keyword in enumerate(node.keywords):
            if keyword.arg in WITHOUT_EFFECT:
                continue
            without = copy.deepcopy(node)
            del without.keywords[k]
            yield "argument", without


def _of_expression(node: ast.expr) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.Compare):
        for k, operator in enumerate(node.ops):
            changed = copy.deepcopy(node)
            changed.ops[k] = COMPARED[type(operator)]()
            yield "comparison", changed
    elif isinstance(node, ast.BoolOp):
        other = copy.deepcopy(node)
        other.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and, or", other
        for k in range(len(node.values)):
            without = copy.deepcopy(node)
            del without.values[k]
            yield "condition", without.values[0] if len(without.values) == 1 else without
    elif isinstance(node, ast.BinOp) and type(node.op) in CALCULATED:
        if not (isinstance(node.left, ast.Constant) and isinstance(node.left.value, str)):
            changed_op = copy.deepcopy(node)
            changed_op.op = CALCULATED[type(node.op)]()
            yield "arithmetic", changed_op
            if isinstance(node.op, (ast.Add, ast.Sub, ast.Mult)):
                yield "operand", copy.deepcopy(node.left)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
        yield "sign", copy.deepcopy(node.operand)
    elif isinstance(node, ast.IfExp):
        yield "condition", copy.deepcopy(node.body)
        yield "condition", copy.deepcopy(node.orelse)


def _of_statement(node: ast.stmt, tree: ast.Module, path: Path) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.Return) and node.value is not None:
        yield from ((f"result {_text(new)}", ast.Return(new)) for new in _results(node, tree, path))
    elif (
        isinstance(node, (ast.Continue, ast.Break, ast.Raise, ast.AugAssign))
        or (isinstance(node, ast.Expr) and isinstance(node.value, (ast.Call, ast.Yield)))
        or (isinstance(node, ast.Assign) and _again(node, tree, path))
    ):
        yield "statement", ast.Pass()


def _function(tree: ast.Module, path: Path) -> ast.FunctionDef | None:
    for length in range(len(path) - 1, 0, -1):
        node = _get(tree, path[:length])
        if isinstance(node, ast.FunctionDef):
            return node
    return None


def _results(node: ast.Return, tree: ast.Module, path: Path) -> list[ast.expr]:
    """Return what a function might wrongly give back instead, going by what it says it gives."""
    if isinstance(node.value, ast.Constant) and isinstance(node.value.value, bool):
        return []  # its constant is turned round anyway
    function = _function(tree, path)
    said = _text(function.returns) if function is not None and function.returns is not None else ""
    value = _text(node.value) if node.value is not None else ""
    texts = ["True", "False"] if said == "bool" else ["None"] if said.endswith("| None") else []
    texts += [EMPTY[said.split("[")[0]]] if said.split("[")[0] in EMPTY else []
    return [ast.parse(text, mode="eval").body for text in texts if text != value]


def _again(node: ast.Assign, tree: ast.Module, path: Path) -> bool:
    """Return whether an assignment can be left out without the name being unknown afterwards."""
    target = node.targets[0]
    if isinstance(target, (ast.Attribute, ast.Subscript)):
        return True
    function = _function(tree, path)
    if function is None or not isinstance(target, ast.Name):
        return False
    names = {arg.arg for arg in [*function.args.args, *function.args.kwonlyargs]}
    before = [
        one
        for one in ast.walk(function)
        if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store) and one.lineno < node.lineno
    ]
    return target.id in names | {one.id for one in before}
