"""Formulas against Python's own arithmetic, and against whatever may be written into them."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.formula import MAX_LENGTH, Formula, FormulaError, reserved

VALUES = {"mains": 230.0, "A1.volts": 28.28427, "A1.amps": 3.53553, "x": 2.0, "y": -3.0, "zero": 0.0}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # P = V^2/R and P = V*I: 100 W in 8 ohm are 28.2843 V and 3.5355 A (Ohm's law, rounded by hand).
        ("A1.volts**2 / 8", 100.0),
        ("A1.volts * A1.amps", 100.0),
        ("x + y * x", -4.0),
        ("-x ** 2", -4.0),
        ("(-x) ** 2", 4.0),
        ("x ** -1", 0.5),
        ("x ** 3 ** 2", 512.0),
        ("min(x, y, 7)", -3.0),
        ("max(x, y)", 2.0),
        ("abs(y)", 3.0),
        ("sqrt(x * 8)", 4.0),
        ("log(exp(x))", 2.0),
        ("20 * log10(mains / 23)", 20.0),
        ("+x - -y", -1.0),
        ("  x\n  * 2 ", 4.0),
        ("1e3 * x", 2000.0),
        ("zero ** 0 + x", 3.0),
    ],
)
def test_formulas_compute_what_algebra_says(text: str, expected: float) -> None:
    assert Formula(text).evaluate(VALUES) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(
    "text",
    [
        "x / zero",
        "zero ** -1",
        "y ** 0.5",
        "sqrt(y)",
        "log(y)",
        "log(zero)",
        "exp(mains ** 2)",
        "x ** mains ** 9",
        "abs(y ** 0.5)",
        "min(y ** 0.5, 1)",
        "1e308 * x * 10",
        "missing + 1",
    ],
)
def test_where_there_is_no_real_finite_result_there_is_none(text: str) -> None:
    assert Formula(text).evaluate(VALUES) is None


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_an_input_without_a_number_gives_no_result_even_where_it_would_not_matter(bad: float) -> None:
    assert Formula("max(x, y)").evaluate({"x": bad, "y": 1.0}) is None
    assert Formula("x ** 0").evaluate({"x": bad}) is None


def test_a_tower_of_exponents_does_not_hang() -> None:
    assert Formula("9**9**9**9**9**x").evaluate({"x": 9.0}) is None


def test_names_are_the_channels_in_order_of_appearance() -> None:
    assert Formula("max(A1.volts, x) + A1.volts - mains").names == ("A1.volts", "x", "mains")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1 + 2",
        "__import__('os')",
        "x.__class__.__mro__",
        "().__class__",
        "x[0]",
        "lambda: x",
        "x if y else 1",
        "x == y",
        "x < y",
        "not x",
        "x and y",
        "x // 2",
        "x % 2",
        "x @ y",
        "x | 1",
        "~x",
        "x := 1",
        "(x := 1)",
        "x = 1",
        "x; y",
        "[x for x in y]",
        "{x}",
        "f'{x}'",
        "'a' * x",
        "...",
        "None",
        "True * x",
        "1_000 * x",
        "0x10 * x",
        "0b1 * x",
        "012 * x",
        "1j * x",
        "1e999 * x",
        "min(x)",
        "min()",
        "sqrt(x, y)",
        "sqrt(x=y)",
        "min(*x)",
        "min(**x)",
        "pow(x, 2)",
        "eval(x)",
        "x(1)",
        "A1.volts(1)",
        "min + x",
        "A1.sqrt",
        "A1.in",
        "lambda + 1",
        "await x",
        "(yield x)",
        "1if x else 2",
        "x\0",
        "\u017f + x",
        "\uff58 + 1",
        "A1.B2.c",
        "(" * 250 + "x",
        "(" * 150 + "x" + ")" * 150 + " +",
        "-" * 300 + "x",
        "x+" * 240 + "x",
        "x" * (MAX_LENGTH + 1),
    ],
)
def test_everything_else_is_refused_and_says_what_may_be_written(text: str) -> None:
    with pytest.raises(FormulaError) as caught:
        Formula(text)
    assert caught.value.found
    assert caught.value.allowed


def test_words_of_the_language_cannot_name_channels() -> None:
    assert all(reserved(word) for word in ("min", "log10", "in", "lambda", "None"))
    assert not any(reserved(word) for word in ("mains", "input", "A1", "power"))


_NAMES = st.sampled_from(["x", "y", "A1.volts", "mains"])
_NUMBERS = st.one_of(st.integers(0, 99).map(str), st.floats(0.001, 1e6).map(lambda v: f"{v:.3f}"))


def _grown(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    pair = st.tuples(inner, st.sampled_from(["+", "-", "*", "/", "**"]), inner)
    return st.one_of(
        pair.map(lambda p: f"({p[0]} {p[1]} {p[2]})"),
        inner.map(lambda one: f"-{one}"),
        st.tuples(st.sampled_from(["abs", "sqrt", "exp", "log"]), inner).map(lambda p: f"{p[0]}({p[1]})"),
        st.tuples(st.sampled_from(["min", "max"]), inner, inner).map(lambda p: f"{p[0]}({p[1]}, {p[2]})"),
    )


_EXPRESSIONS = st.recursive(st.one_of(_NAMES, _NUMBERS), _grown, max_leaves=12)


class _Room:
    def __init__(self, volts: float) -> None:
        self.volts = volts


def _by_python(text: str, x: float, y: float, volts: float) -> float | None:
    """Python's own evaluation, with floats for whole numbers too; None where it has no real finite result."""
    import re

    floats = re.sub(r"(?<![\w.])(\d+)(?![\w.])", r"\1.0", text)
    names: dict[str, Any] = {"x": x, "y": y, "mains": 230.0, "A1": _Room(volts)}
    names |= {"sqrt": math.sqrt, "exp": math.exp, "log": math.log, "abs": abs, "min": min, "max": max}
    try:
        result = eval(floats, {"__builtins__": {}}, names)
    except (ZeroDivisionError, OverflowError, ValueError, TypeError):
        return None
    return result if isinstance(result, float) and math.isfinite(result) else None


@given(_EXPRESSIONS, st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(0.0, 100.0))
def test_formulas_agree_with_python_wherever_python_stays_with_real_numbers(
    text: str, x: float, y: float, volts: float
) -> None:
    ours = Formula(f"{text} + 0 * x").evaluate({"x": x, "y": y, "A1.volts": volts, "mains": 230.0})
    theirs = _by_python(f"{text} + 0 * x", x, y, volts)
    # Python may come back to a real number through complex ones, by way of a power; formulas never do.
    assert ours == theirs or (ours is None and "**" in text)


@given(st.text(alphabet="xyA1.()+-*/ ,minabsqrt'\"[]{}:=\\\n_0e", max_size=60))
def test_any_text_is_a_formula_or_a_named_refusal(text: str) -> None:
    try:
        formula = Formula(text)
    except FormulaError:
        return
    result = formula.evaluate(dict.fromkeys(formula.names, 2.0))
    assert result is None or math.isfinite(result)
