"""A formula with the formulas that it uses put in: its value over whole arrays, and its exact derivatives.

The syntax tree is walked with pairs (value, derivatives), so that the derivatives are exact up to rounding
(forward differentiation: sum, product, quotient and chain rule). At a kink (``min``, ``max``, ``abs``) they
are those of the branch that the value lies on.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.domain.formula import Formula

Floats = NDArray[np.float64]
_Dual = tuple[float, dict[str, float]]


class Expression:
    """A formula over variables. names: those left after the ``inner`` formulas have been put in.

    The value of an inner formula is what it gives plus the variable of its own name, where there is one
    (its own error). Raises FormulaError for a text that is no formula.
    """

    __slots__ = ("_inner", "_tree", "is_linear", "names")

    names: tuple[str, ...]
    is_linear: bool

    def __init__(self, text: str, inner: Mapping[str, Expression] | None = None) -> None:
        formula = Formula(text)
        self._tree = ast.parse(formula.text, mode="eval").body
        self._inner = {name: one for name, one in (inner or {}).items() if name in formula.names}
        names: dict[str, None] = {}
        for name in formula.names:
            names.update(dict.fromkeys(self._inner[name].names if name in self._inner else (name,)))
        self.names = tuple(names)
        self.is_linear = _is_linear(self._tree) and all(one.is_linear for one in self._inner.values())

    @property
    def inner(self) -> tuple[str, ...]:
        """Return the names of the formulas that were put in, those within them too."""
        names = dict.fromkeys(self._inner)
        for one in self._inner.values():
            names.update(dict.fromkeys(one.inner))
        return tuple(names)

    def values(self, of: Mapping[str, Any]) -> Floats:
        """Return the value for each set of the variables' values; NaN where there is none."""
        with np.errstate(all="ignore"):
            found = np.asarray(self._at(self._tree, of), np.float64)
        return np.asarray(np.where(np.isfinite(found), found, np.nan))

    def meets_pole(self, of: Mapping[str, Any]) -> bool:
        """Return whether something is divided by what is not of one sign over these sets of values."""
        with np.errstate(all="ignore"):
            return any(_has_zero(one) for one in self.divisors(of))

    def divisors(self, of: Mapping[str, Any]) -> Iterator[Any]:
        """Yield everything that is divided by, inner formulas' too."""
        for node in ast.walk(self._tree):
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div):
                yield self._at(node.right, of)
            elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
                exponent = self._at(node.right, of)
                yield np.where(np.less(exponent, 0.0), self._at(node.left, of), 1.0)
        for one in self._inner.values():
            yield from one.divisors(of)

    def gradient(self, of: Mapping[str, float]) -> dict[str, float]:
        """Return the derivative by each variable, inner formulas among them; NaN where there is none."""
        try:
            return {**dict.fromkeys([*self.names, *self.inner], 0.0), **self.tangent(of)[1]}
        except (ArithmeticError, ValueError):
            return dict.fromkeys([*self.names, *self.inner], math.nan)

    def tangent(self, of: Mapping[str, float]) -> tuple[float, dict[str, float]]:
        """Return value and derivatives. Raises ArithmeticError or ValueError where there are none."""
        return self._dual(self._tree, of)

    def _at(self, node: ast.expr, of: Mapping[str, Any]) -> Any:
        if isinstance(node, ast.Constant):
            return float(node.value)  # type: ignore[arg-type]
        if isinstance(node, ast.Name | ast.Attribute):
            name = ast.unparse(node)
            own = of.get(name, 0.0 if name in self._inner else np.nan)
            return self._inner[name].values(of) + own if name in self._inner else own
        if isinstance(node, ast.UnaryOp):
            inner = self._at(node.operand, of)
            return -inner if isinstance(node.op, ast.USub) else inner
        if isinstance(node, ast.BinOp):
            return _combined(node.op, self._at(node.left, of), self._at(node.right, of))
        assert isinstance(node, ast.Call)
        function = node.func.id  # type: ignore[attr-defined]
        inputs = [self._at(one, of) for one in node.args]
        if function in {"min", "max"}:
            pick = np.minimum if function == "min" else np.maximum
            for one in inputs[1:]:
                inputs[0] = pick(inputs[0], one)
            return inputs[0]
        return getattr(np, function)(inputs[0])

    def _dual(self, node: ast.expr, of: Mapping[str, float]) -> _Dual:
        if isinstance(node, ast.Constant):
            return float(node.value), {}  # type: ignore[arg-type]
        if isinstance(node, ast.Name | ast.Attribute):
            name = ast.unparse(node)
            if name not in self._inner:
                return of.get(name, math.nan), {name: 1.0}
            value, slopes = self._inner[name].tangent(of)
            return value + of.get(name, 0.0), {**slopes, name: 1.0}
        if isinstance(node, ast.UnaryOp):
            value, slopes = self._dual(node.operand, of)
            sign = -1.0 if isinstance(node.op, ast.USub) else 1.0
            return sign * value, _scaled(slopes, sign)
        if isinstance(node, ast.BinOp):
            return _rule(node.op, self._dual(node.left, of), self._dual(node.right, of))
        assert isinstance(node, ast.Call)
        return _chain(node.func.id, [self._dual(one, of) for one in node.args])  # type: ignore[attr-defined]


def _has_zero(values: Any) -> bool:
    return not (np.all(np.greater(values, 0.0)) or np.all(np.less(values, 0.0)))


def _combined(op: ast.operator, left: Any, right: Any) -> Any:
    if isinstance(op, ast.Add):
        return left + right
    if isinstance(op, ast.Sub):
        return left - right
    if isinstance(op, ast.Mult):
        return left * right
    if isinstance(op, ast.Div):
        return np.divide(left, np.where(np.equal(right, 0.0), np.nan, right))
    return np.power(np.asarray(left, np.float64), right)


def _rule(op: ast.operator, left: _Dual, right: _Dual) -> _Dual:
    (a, by_a), (b, by_b) = left, right
    if isinstance(op, ast.Add):
        return a + b, _sum(by_a, by_b)
    if isinstance(op, ast.Sub):
        return a - b, _sum(by_a, _scaled(by_b, -1.0))
    if isinstance(op, ast.Mult):
        return a * b, _sum(_scaled(by_a, b), _scaled(by_b, a))
    if isinstance(op, ast.Div):
        return a / b, _sum(_scaled(by_a, 1.0 / b), _scaled(by_b, -a / (b * b)))
    value = math.pow(a, b)
    slopes = _scaled(by_a, b * math.pow(a, b - 1.0)) if by_a else {}
    return value, _sum(slopes, _scaled(by_b, value * math.log(a))) if by_b else slopes


def _chain(function: str, inputs: list[_Dual]) -> _Dual:
    if function in {"min", "max"}:
        return (min if function == "min" else max)(inputs, key=lambda one: one[0])
    value, slopes = inputs[0]
    if function == "abs":
        return abs(value), _scaled(slopes, math.copysign(1.0, value))
    result = float(getattr(math, function)(value))
    if function == "sqrt":
        slope = 0.5 / result
    elif function == "exp":
        slope = result
    else:
        slope = 1.0 / value if function == "log" else 1.0 / (value * math.log(10.0))
    return result, _scaled(slopes, slope)


def _scaled(slopes: Mapping[str, float], by: float) -> dict[str, float]:
    return {name: by * one for name, one in slopes.items()}


def _sum(one: Mapping[str, float], two: Mapping[str, float]) -> dict[str, float]:
    return {name: one.get(name, 0.0) + two.get(name, 0.0) for name in {**one, **two}}


def _is_linear(node: ast.expr) -> bool:
    """Return whether the derivatives are the same everywhere: sums, and products with numbers."""
    if isinstance(node, ast.Constant | ast.Name | ast.Attribute):
        return True
    if isinstance(node, ast.UnaryOp):
        return _is_linear(node.operand)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
        return _is_linear(node.left) and _is_linear(node.right)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult):
        sides = (node.left, node.right)
        return all(map(_is_linear, sides)) and any(_is_number(one) for one in sides)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div):
        return _is_linear(node.left) and _is_number(node.right)
    return False


def _is_number(node: ast.expr) -> bool:
    return not any(isinstance(one, ast.Name | ast.Attribute) for one in ast.walk(node))
