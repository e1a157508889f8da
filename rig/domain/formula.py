"""Derived channels: formulas over other channels, in a small safe part of Python's expression syntax.

Allowed: decimal numbers, channel names (``mains``, ``A1.heatsink``), ``+ - * / **``, signs, parentheses,
and the functions ``min max abs sqrt exp log log10`` (``log`` is the natural logarithm). A name is a letter
followed by letters, digits and ``_``; ``-`` is always a minus. Nothing of the text is ever run as Python:
it is parsed, checked node by node and turned into nested functions over floats, so a large exponent
overflows at once and never becomes a long integer.
"""

from __future__ import annotations

import ast
import keyword
import math
import operator
import re
import warnings
from collections.abc import Callable, Mapping

from rig.errors import shown

MAX_LENGTH = 500
MAX_DEPTH = 100

_Compute = Callable[[Mapping[str, float]], float]
_LITERAL = re.compile(r"(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: math.pow,
}
_ONE: dict[str, Callable[[float], float]] = {
    "abs": abs,
    "sqrt": math.sqrt,
    "exp": math.exp,
    "log": math.log,
    "log10": math.log10,
}
_MANY: dict[str, Callable[..., float]] = {"min": min, "max": max}
_WRITE = "write numbers, channel names, + - * / ** ( ) and " + " ".join([*_MANY, *_ONE])


def in_words() -> str:
    """Return what a formula is made of, in words."""
    return _WRITE.removeprefix("write ")


class FormulaError(ValueError):
    """The text is not a formula. ``found`` and ``allowed`` explain it."""

    def __init__(self, found: str, allowed: str = _WRITE) -> None:
        self.found = found
        self.allowed = allowed
        super().__init__(f"{found}; {allowed}")


class Formula:
    """A formula that was understood; raises FormulaError for any other text.

    names: the channels it uses, in order of first appearance.
    """

    __slots__ = ("_compute", "names", "text")

    def __init__(self, text: str) -> None:
        self.text = " ".join(text.split())
        names: dict[str, None] = {}
        self._compute = _compile(_parsed(self.text), self.text, names, 0)
        self.names = tuple(names)
        if not names:
            found = f"{shown(self.text)} uses no channel"
            raise FormulaError(found, "a formula is computed from readings of channels")

    def evaluate(self, values: Mapping[str, float]) -> float | None:
        """Return the result, or None where there is none.

        None: an input is missing or not finite, a division by zero, an overflow, a root or logarithm of
        a negative number, a result that is not finite.
        """
        for name in self.names:
            if not math.isfinite(values.get(name, math.nan)):
                return None
        try:
            result = self._compute(values)
        except (ZeroDivisionError, OverflowError, ValueError):
            return None
        return result if math.isfinite(result) else None


def reserved(name: str) -> bool:
    """Return whether a channel or unit cannot have this name because formulas could not use it."""
    return keyword.iskeyword(name) or name in _ONE or name in _MANY


def _parsed(text: str) -> ast.expr:
    if len(text) > MAX_LENGTH:
        raise FormulaError(f"the formula has {len(text)} characters", f"write at most {MAX_LENGTH}")
    if not text.isascii():
        # Python folds some letters into others; what was written would not be what is looked up.
        raise FormulaError(f"{shown(text)} has letters beyond A-Z and a-z")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return ast.parse(text, mode="eval").body
    except SyntaxError as error:
        at = f" at character {error.offset}" if error.offset else ""
        raise FormulaError(f"{shown(text)} is not a formula: {error.msg}{at}") from error
    except (ValueError, MemoryError, RecursionError, Warning) as error:
        raise FormulaError(f"{shown(text)} is not a formula: {error}") from error


def _compile(node: ast.expr, source: str, names: dict[str, None], depth: int) -> _Compute:
    if depth > MAX_DEPTH:
        raise FormulaError(f"{shown(source)} is nested too deeply", f"at most {MAX_DEPTH} levels")
    if isinstance(node, ast.Constant):
        return _constant(node, source)
    if isinstance(node, ast.Name | ast.Attribute):
        name = _dotted(node, source)
        names[name] = None
        return lambda values: values[name]
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        combine = _OPERATORS[type(node.op)]
        left = _compile(node.left, source, names, depth + 1)
        right = _compile(node.right, source, names, depth + 1)
        return lambda values: combine(left(values), right(values))
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.UAdd | ast.USub):
        inner = _compile(node.operand, source, names, depth + 1)
        return inner if isinstance(node.op, ast.UAdd) else lambda values: -inner(values)
    if isinstance(node, ast.Call):
        return _call(node, source, names, depth)
    raise FormulaError(f"{_segment(node, source)} is not allowed in a formula")


def _constant(node: ast.Constant, source: str) -> _Compute:
    literal = ast.get_source_segment(source, node) or ""
    if _LITERAL.fullmatch(literal) is None:
        raise FormulaError(f"{shown(literal)} is not a decimal number")
    value = float(literal)
    if not math.isfinite(value):
        raise FormulaError(f"{shown(literal)} is too large to compute with")
    return lambda _values: value


def _call(node: ast.Call, source: str, names: dict[str, None], depth: int) -> _Compute:
    name = node.func.id if isinstance(node.func, ast.Name) else ""
    if name not in _ONE and name not in _MANY:
        raise FormulaError(f"{_segment(node.func, source)} is not a function of formulas")
    if node.keywords or any(isinstance(one, ast.Starred) for one in node.args):
        raise FormulaError(f"{_segment(node, source)} is not allowed in a formula")
    arguments = [_compile(one, source, names, depth + 1) for one in node.args]
    if name in _MANY:
        if len(arguments) < 2:
            raise FormulaError(f"{name} has {len(arguments)} argument(s)", "write at least two")
        many = _MANY[name]
        return lambda values: many(*(one(values) for one in arguments))
    if len(arguments) != 1:
        raise FormulaError(f"{name} has {len(arguments)} arguments", "write one")
    function, argument = _ONE[name], arguments[0]
    return lambda values: function(argument(values))


def _dotted(node: ast.Name | ast.Attribute, source: str) -> str:
    if isinstance(node, ast.Name):
        name = node.id
    elif isinstance(node.value, ast.Name):
        name = f"{node.value.id}.{node.attr}"
    else:
        raise FormulaError(f"{_segment(node, source)} is not a channel", "write CHANNEL, or UNIT.CHANNEL")
    if not name.isascii():
        # Python folds some letters into others; what was written would not be what is looked up.
        raise FormulaError(
            f"{_segment(node, source)} is not a channel", "names have the letters A-Z, a-z only"
        )
    if any(reserved(part) for part in name.split(".")):
        raise FormulaError(f"{shown(name)} is a word of the formula language, not a channel")
    return name


def _segment(node: ast.expr, source: str) -> str:
    return shown(ast.get_source_segment(source, node) or source)
