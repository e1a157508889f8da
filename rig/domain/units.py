"""Units of measure: amounts as people write them (``2 s``, ``253 V``, ``95 degC``) and their conversion.

Factors are exact fractions, so ``300 ms`` is the float nearest to 0.3 and not a product of two
rounded ones. Sources: BIPM, The International System of Units (SI brochure, 9th edition): base and
derived units (tables 2 and 4), prefixes (table 7), units accepted beside the SI (table 8); Fahrenheit
scale: t/degF = 9/5 t/degC + 32 (NIST SP 811, appendix B.8).

Temperatures come in two kinds that never convert into each other by accident: points on a scale
(``degC``, ``degF``) and differences (``K``). A limit of a ``degC`` channel is written in ``degC``, its
deadband and accuracy in ``K``. ``95 K`` as a limit of a ``degC`` channel is refused: it would be -178 degC.
Logarithmic units (``dB``, ``dBV``, ``dBu``, ``dBA``) are names only and convert to nothing but themselves.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from fractions import Fraction

_NUMBER = r"[+-]?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?"
NUMBER = re.compile(_NUMBER)
_AMOUNT = re.compile(rf"({_NUMBER})(\s*)(.*)", re.DOTALL)
_FACTOR = re.compile(r"(1|%|[A-Za-z]+)(?:\^(-?[1-9]))?")
_MAX_TEXT = 60

PREFIXES = {"": 0, "p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6, "G": 9}

# Exponents of metre, kilogram, second, ampere, kelvin.
_Vector = tuple[int, int, int, int, int]
_NONE: _Vector = (0, 0, 0, 0, 0)

_PREFIXABLE: dict[str, tuple[_Vector, Fraction]] = {
    "m": ((1, 0, 0, 0, 0), Fraction(1)),
    "g": ((0, 1, 0, 0, 0), Fraction(1, 1000)),
    "s": ((0, 0, 1, 0, 0), Fraction(1)),
    "A": ((0, 0, 0, 1, 0), Fraction(1)),
    "K": ((0, 0, 0, 0, 1), Fraction(1)),
    "Hz": ((0, 0, -1, 0, 0), Fraction(1)),
    "N": ((1, 1, -2, 0, 0), Fraction(1)),
    "Pa": ((-1, 1, -2, 0, 0), Fraction(1)),
    "bar": ((-1, 1, -2, 0, 0), Fraction(100_000)),
    "J": ((2, 1, -2, 0, 0), Fraction(1)),
    "W": ((2, 1, -3, 0, 0), Fraction(1)),
    "VA": ((2, 1, -3, 0, 0), Fraction(1)),
    "var": ((2, 1, -3, 0, 0), Fraction(1)),
    "Wh": ((2, 1, -2, 0, 0), Fraction(3600)),
    "C": ((0, 0, 1, 1, 0), Fraction(1)),
    "Ah": ((0, 0, 1, 1, 0), Fraction(3600)),
    "V": ((2, 1, -3, -1, 0), Fraction(1)),
    "F": ((-2, -1, 4, 2, 0), Fraction(1)),
    "ohm": ((2, 1, -3, -2, 0), Fraction(1)),
    "S": ((-2, -1, 3, 2, 0), Fraction(1)),
    "Wb": ((2, 1, -2, -1, 0), Fraction(1)),
    "T": ((0, 1, -2, -1, 0), Fraction(1)),
    "H": ((2, 1, -2, -2, 0), Fraction(1)),
    "l": ((3, 0, 0, 0, 0), Fraction(1, 1000)),
}
_PLAIN: dict[str, tuple[_Vector, Fraction]] = {
    "1": (_NONE, Fraction(1)),
    "%": (_NONE, Fraction(1, 100)),
    "ppm": (_NONE, Fraction(1, 1_000_000)),
    "min": ((0, 0, 1, 0, 0), Fraction(60)),
    "h": ((0, 0, 1, 0, 0), Fraction(3600)),
    "d": ((0, 0, 1, 0, 0), Fraction(86_400)),
    "rpm": ((0, 0, -1, 0, 0), Fraction(1, 60)),
    "cm": ((1, 0, 0, 0, 0), Fraction(1, 100)),
    "hPa": ((-1, 1, -2, 0, 0), Fraction(100)),
}
# Points on a temperature scale: kelvin = factor x value + offset.
_SCALES: dict[str, tuple[Fraction, Fraction]] = {
    "degC": (Fraction(1), Fraction("273.15")),
    "degF": (Fraction(5, 9), Fraction("459.67") * Fraction(5, 9)),
}
_LABELS = ("dB", "dBV", "dBu", "dBA")
# °, and the two code points each of micro sign/mu and ohm sign/omega.
_SPELLINGS = str.maketrans({"°": "deg", "\u00b5": "u", "\u03bc": "u", "\u2126": "ohm", "\u03a9": "ohm"})

_NICKNAMES = {
    "volt": "V",
    "volts": "V",
    "amp": "A",
    "amps": "A",
    "watt": "W",
    "watts": "W",
    "ohms": "ohm",
    "c": "degC",
    "celsius": "degC",
    "kelvin": "K",
    "hertz": "Hz",
    "percent": "%",
    "sec": "s",
    "second": "s",
    "seconds": "s",
    "minute": "min",
    "minutes": "min",
    "hour": "h",
    "hours": "h",
    "day": "d",
    "days": "d",
}


def takes_prefix(symbol: str) -> bool:
    """Return whether an SI prefix may stand before a unit's symbol: V and ohm, not mV, degC or K/W."""
    return symbol in _PREFIXABLE


def in_words() -> str:
    """Return which units of measure are known, in words."""
    prefixes = " ".join(one for one in PREFIXES if one)
    return (
        f"{', '.join(_PREFIXABLE)}, each also with one of the prefixes {prefixes}; {', '.join(_PLAIN)} (1: a "
        f"plain number); {', '.join(_SCALES)} for points on a temperature scale, K for differences; "
        f"{', '.join(_LABELS)} as names only. Combined with / and ^: K/W, V^2."
    )


class UnitError(ValueError):
    """An amount or unit that cannot be understood or converted. ``found`` and ``allowed`` explain it."""

    def __init__(self, found: str, allowed: str) -> None:
        self.found = found
        self.allowed = allowed
        super().__init__(f"{found}; {allowed}")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitOfMeasure:
    """A unit of measure that was understood.

    symbol: canonical ASCII spelling. kind: what it converts to and from (equal kinds convert).
    value in SI = factor x value + offset (offset only for temperature scales).
    """

    symbol: str
    kind: str | _Vector
    factor: Fraction
    offset: Fraction = Fraction(0)


BARE = UnitOfMeasure(symbol="", kind="none written", factor=Fraction(1))
"""Stands for the unit of a number that was written without one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A number with its unit of measure, as written."""

    number: Fraction
    unit: UnitOfMeasure
    text: str

    def to(self, target: str) -> float:
        """Return the amount in ``target``, rounded once. Raises UnitError if they differ in kind."""
        try:
            return float(self.exact(target))
        except OverflowError:
            raise UnitError(f"{self.text!r} is too large to compute with", "write less than 1e300") from None

    def exact(self, target: str) -> Fraction:
        """Return the amount in ``target`` as an exact fraction. Raises UnitError if they differ in kind."""
        wanted = unit_of_measure(target)
        if self.unit is BARE and wanted.symbol != "1":
            raise UnitError(f"{self.text!r} has no unit of measure", f"write it in {wanted.symbol}")
        if self.unit is not BARE and wanted.kind != self.unit.kind:
            raise UnitError(f"{self.text!r} is not an amount of {wanted.symbol}", _hint(self.unit, wanted))
        return (self.number * self.unit.factor + self.unit.offset - wanted.offset) / wanted.factor


def unit_of_measure(symbol: str) -> UnitOfMeasure:
    """Return the unit of measure that ``symbol`` names: one unit, or a product (``K/W``, ``V^2/ohm``).

    Raises UnitError for anything else, with a suggestion where one is near.
    """
    text = symbol.strip().translate(_SPELLINGS)
    if text in _SCALES:
        factor, offset = _SCALES[text]
        return UnitOfMeasure(symbol=text, kind="temperature", factor=factor, offset=offset)
    if text in _LABELS:
        return UnitOfMeasure(symbol=text, kind=text, factor=Fraction(1))
    if not text or len(text) > _MAX_TEXT:
        found = f"{symbol[:_MAX_TEXT]!r} is not a unit of measure"
        raise UnitError(found, "write one such as V, degC, K/W, or 1 for none")
    vector, factor = list(_NONE), Fraction(1)
    sign = 1
    for part in re.split(r"([*/])", text):
        if part in {"*", "/"}:
            sign = 1 if part == "*" else -1
            continue
        match = _FACTOR.fullmatch(part)
        if match is None:
            raise UnitError(f"{symbol!r} is not a unit of measure", _suggestion(part))
        one_vector, one_factor = _one(match[1], symbol)
        power = sign * int(match[2] or 1)
        vector = [a + power * b for a, b in zip(vector, one_vector, strict=True)]
        factor *= one_factor**power
    m, kg, s, a, k = vector
    return UnitOfMeasure(symbol=text, kind=(m, kg, s, a, k), factor=factor)


def amount(text: str, *, bare: bool = False) -> Amount:
    """Return the number and unit of measure that ``text`` holds (``95 degC``, ``500ms``).

    bare: a number without unit passes as well; it converts to the unit ``1`` only. Raises UnitError
    when the number is not plain decimal, the unit is missing or unknown, or no float holds the number.
    """
    match = _AMOUNT.fullmatch(text.strip()) if len(text) <= _MAX_TEXT else None
    if match is None:
        allowed = "write a number and a unit of measure, such as 2 s, 253 V or 95 degC"
        raise UnitError(f"{text[:_MAX_TEXT]!r} is not an amount", allowed)
    digits, space, symbol = match.groups()
    if not symbol and not bare:
        allowed = "write one after the number, such as 2 s, 253 V or 95 degC"
        raise UnitError(f"{text!r} has no unit of measure", allowed)
    if symbol and not space and symbol[0] in "0123456789.,:_+-":
        allowed = "write the number with digits and a decimal point, such as 12.5 s"
        raise UnitError(f"{text!r} is not an amount", allowed)
    unit = unit_of_measure(symbol) if symbol else BARE
    return Amount(number=exact_number(digits), unit=unit, text=text.strip())


def exact_number(text: str) -> Fraction:
    """Return the number that ``text`` spells, exactly: digits, decimal point, exponent.

    Refused with UnitError: leading zeros, ``_`` and ``,``, ``nan``, ``inf``, and what no float can hold.
    """
    if len(text) > _MAX_TEXT or NUMBER.fullmatch(text) is None:
        allowed = "write digits with a decimal point, such as 12.5 or 1e3"
        raise UnitError(f"{text[:_MAX_TEXT]!r} is not a number", allowed)
    rounded = float(text)
    if not math.isfinite(rounded) or (rounded == 0.0 and text.lower().split("e")[0].strip("+-0.")):
        raise UnitError(f"{text!r} does not fit a number", "write a number between 1e-300 and 1e300")
    return Fraction(text)


def difference_unit(symbol: str) -> str:
    """Return the unit in which differences of a channel in ``symbol`` are written: K for degC and degF."""
    return "K" if unit_of_measure(symbol).kind == "temperature" else symbol


def difference(value: Amount, symbol: str) -> float:
    """Return a difference (deadband, accuracy, resolution) in the steps of the channel's unit ``symbol``.

    For a degC channel the amount is in K; one kelvin is 1 step of degC and 9/5 steps of degF.
    Raises UnitError if the amount is of another kind.
    """
    unit = unit_of_measure(symbol)
    if unit.kind == "temperature":
        if value.unit.kind == "temperature":
            found = f"{value.text!r} is a point on a scale, not a difference"
            raise UnitError(found, "write a temperature difference in K")
        return float(value.exact("K") / unit.factor)
    return value.to(symbol)


def _one(name: str, whole: str) -> tuple[_Vector, Fraction]:
    if name in _PLAIN:
        return _PLAIN[name]
    if name in _PREFIXABLE:
        return _PREFIXABLE[name]
    for prefix, power in PREFIXES.items():
        if prefix and name.startswith(prefix) and name[len(prefix) :] in _PREFIXABLE:
            vector, factor = _PREFIXABLE[name[len(prefix) :]]
            return vector, factor * Fraction(10) ** power
    if name in _SCALES or name in _LABELS:
        allowed = f"{name} stands alone; in products write differences in K"
        raise UnitError(f"{whole!r} is not a unit of measure", allowed)
    raise UnitError(f"{whole!r} is not a unit of measure", _suggestion(name))


def _suggestion(name: str) -> str:
    known = [*_PREFIXABLE, *_PLAIN, *_SCALES, *_LABELS]
    folded = {k.lower(): k for k in [*(f"{p}{u}" for u in _PREFIXABLE for p in ("k", "m")), *known]}
    near = _NICKNAMES.get(name.lower()) or folded.get(name.lower())
    if near is None:
        near = next(iter(difflib.get_close_matches(name, known, n=1, cutoff=0.6)), None)
    return f"did you mean {near}?" if near else f"known are {', '.join(known)}, with prefixes p n u m k M G"


def _hint(found: UnitOfMeasure, wanted: UnitOfMeasure) -> str:
    kelvin = unit_of_measure("K").kind
    if wanted.kind == "temperature" and found.symbol == "C":
        return "C is the coulomb; degrees Celsius are written degC"
    if wanted.kind == "temperature" and found.kind == kelvin:
        return f"a temperature is written in {wanted.symbol}; K is for differences"
    if wanted.kind == kelvin and found.kind == "temperature":
        return "a temperature difference is written in K"
    return f"write it in {wanted.symbol}"
