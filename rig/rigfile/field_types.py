"""Kinds of values in a rig file: each turns the text that was written into a value, or says what is wrong.

All scalars arrive as the text that stands in the file: types come from these kinds and from nowhere
else, so ``no``, ``1e3``, ``12:30`` and ``0123`` never turn into something that was not written.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

from rig.domain.units import Amount, UnitError, amount, exact_number, unit_of_measure
from rig.errors import ConfigFault, shown
from rig.rigfile.node import BAD, Node, below, described, fault

_PART_OF = re.compile(r"(\S+?)\s*%\s+of\s+(.+)", re.DOTALL)


class FieldRefusedError(ValueError):
    """A scalar's text is not of its kind."""

    def __init__(self, found: str, allowed: str) -> None:
        self.found = found
        self.allowed = allowed
        super().__init__(f"{found}; {allowed}")


class FieldType(ABC):
    """What may stand at a key. ``str(kind)`` says it in words."""

    @abstractmethod
    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Any:
        """Return the value at ``node``, or BAD after adding to ``faults``."""

    def spell(self, value: Any) -> str:
        """Return how a value of this kind is written in a rig file, for the reference."""
        return str(value) or '""'

    def parts(self) -> Iterator[tuple[str, FieldType]]:
        """Yield (suffix of the key path, kind) of what stands below, for the reference."""
        yield from ()


class Scalar(FieldType):
    """One piece of text that means something."""

    @abstractmethod
    def convert(self, text: str) -> Any:
        """Return what the text means. Raises RefusedError."""

    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Any:
        """Return the converted text, or BAD after adding to ``faults``."""
        if not isinstance(node.value, str):
            faults.append(fault(node, path, described(node), f"write {self}"))
            return BAD
        try:
            return self.convert(node.value)
        except (FieldRefusedError, UnitError) as error:
            faults.append(fault(node, path, error.found, error.allowed))
            return BAD


@dataclass(frozen=True, slots=True)
class Text(Scalar):
    """Any text; ``empty`` says whether it may be ''."""

    empty: bool = False

    def convert(self, text: str) -> str:
        """Return the text as it is. Raises RefusedError for '' where a text is needed."""
        if not text and not self.empty:
            raise FieldRefusedError("found ''", "write some text")
        return text

    def __str__(self) -> str:
        return "text"


@dataclass(frozen=True, slots=True)
class Name(Scalar):
    """A name: a letter, then letters, digits and ``_``; with ``hyphens`` also ``-`` (never in formulas)."""

    hyphens: bool = False

    def convert(self, text: str) -> str:
        """Return the name. Raises RefusedError."""
        pattern = r"[A-Za-z][A-Za-z0-9_-]*" if self.hyphens else r"[A-Za-z][A-Za-z0-9_]*"
        if re.fullmatch(pattern, text) is None:
            raise FieldRefusedError(f"found {shown(text)}", f"write {self}")
        return text

    def __str__(self) -> str:
        return f"a name: a letter, then letters, digits, _{' or -' if self.hyphens else ''}"


class Choice(Scalar):
    """One of a few words, exactly as spelled."""

    def __init__(self, *words: str) -> None:
        self.words = words

    def convert(self, text: str) -> str:
        """Return the word. Raises RefusedError, with a suggestion where one is near."""
        if text in self.words:
            return text
        near = difflib.get_close_matches(text.lower(), self.words, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise FieldRefusedError(f"found {shown(text)}", f"{hint}write {self}")

    def __str__(self) -> str:
        return "one of " + ", ".join(self.words) if len(self.words) > 1 else self.words[0]


@dataclass(frozen=True, slots=True)
class _Bounded(Scalar):
    low: float | None = None
    high: float | None = None

    def _check(self, value: Any, text: str) -> Any:
        if (self.low is not None and value < self.low) or (self.high is not None and value > self.high):
            raise FieldRefusedError(f"found {shown(text)}", f"write {self}")
        return value

    def _range(self) -> str:
        if self.low is not None and self.high is not None:
            return f" from {self.low:.12g} to {self.high:.12g}"
        if self.low is not None:
            return f" of at least {self.low:.12g}"
        return "" if self.high is None else f" of at most {self.high:.12g}"


@dataclass(frozen=True, slots=True)
class Number(_Bounded):
    """A finite decimal number without unit (``12.5``, ``1e3``), from ``low`` to ``high``."""

    def convert(self, text: str) -> float:
        """Return the number. Raises RefusedError or UnitError."""
        return float(self._check(float(exact_number(text)), text))

    def __str__(self) -> str:
        return f"a number{self._range()}"

    def spell(self, value: Any) -> str:
        """Return the number in few digits."""
        return f"{value:.12g}"


@dataclass(frozen=True, slots=True)
class Integer(_Bounded):
    """A whole decimal number (``0``, ``9600``; ``0x1F`` where ``hexadecimal``), from ``low`` to ``high``."""

    hexadecimal: bool = False

    def convert(self, text: str) -> int:
        """Return the number. Raises RefusedError."""
        if re.fullmatch(r"[+-]?(0|[1-9][0-9]{0,18})", text):
            return int(self._check(int(text), text))
        if self.hexadecimal and re.fullmatch(r"0x[0-9A-Fa-f]{1,16}", text):
            return int(self._check(int(text, 16), text))
        allowed = f"write {self}, digits only, without leading zeros"
        raise FieldRefusedError(f"{shown(text)} is not a whole number", allowed)

    def __str__(self) -> str:
        return f"a whole number{self._range()}"


@dataclass(frozen=True, slots=True)
class Flag(Scalar):
    """``yes`` or ``no`` (or ``true``, ``false``)."""

    def convert(self, text: str) -> bool:
        """Return the truth value. Raises RefusedError."""
        if text not in {"yes", "no", "true", "false"}:
            raise FieldRefusedError(f"found {shown(text)}", f"write {self}")
        return text in {"yes", "true"}

    def __str__(self) -> str:
        return "yes or no"

    def spell(self, value: Any) -> str:
        """Return ``yes`` or ``no``."""
        return "yes" if value else "no"


@dataclass(frozen=True, slots=True)
class AmountField(Scalar):
    """An amount that converts to ``unit`` (``500 ms`` for "s" gives 0.5), from ``low`` to ``high``."""

    unit: str
    low: float | None = None
    high: float | None = None
    positive: bool = False

    def convert(self, text: str) -> float:
        """Return the amount in ``unit``. Raises RefusedError or UnitError."""
        value = amount(text).to(self.unit)
        low = self.low is not None and value < self.low
        if low or (self.high is not None and value > self.high) or (self.positive and value <= 0.0):
            raise FieldRefusedError(f"found {shown(text)}", f"write {self}")
        return value

    def __str__(self) -> str:
        above = f" above 0 {self.unit}" if self.positive else ""
        above += "" if self.low is None else f" of at least {self.low:.12g} {self.unit}"
        above += "" if self.high is None else f" up to {self.high:.12g} {self.unit}"
        return f"an amount such as 2 {self.unit}{above}"

    def spell(self, value: Any) -> str:
        """Return number and unit."""
        return f"{value:.12g} {self.unit}"


@dataclass(frozen=True, slots=True)
class Measure(Scalar):
    """An amount whose unit of measure is judged later (a limit, in the channel's own unit).

    A number without unit passes here; it fits channels of the unit ``1`` only.
    """

    def convert(self, text: str) -> Amount:
        """Return the amount as written. Raises UnitError."""
        return amount(text, bare=True)

    def __str__(self) -> str:
        return "an amount with its unit of measure, such as 253 V"


@dataclass(frozen=True, slots=True)
class Accuracy:
    """The largest error of a sensor as written: a share of the reading, and amounts, each times a factor.

    The amounts are judged later, in the channel's own unit.
    """

    share: float
    amounts: tuple[tuple[Fraction, Amount], ...]
    text: str


@dataclass(frozen=True, slots=True)
class LargestError(Scalar):
    """A sum of ``1.5 K``, ``0.5 % of reading``, ``0.1 % of 300 V``."""

    def convert(self, text: str) -> Accuracy:
        """Return what is written. Raises RefusedError or UnitError."""
        share, amounts = Fraction(0), []
        for term in re.split(r"\s+\+\s+", text.strip()):
            match = _PART_OF.fullmatch(term)
            if match is None:
                amounts.append((Fraction(1), amount(term, bare=True)))
                continue
            part, whole = exact_number(match[1]) / 100, match[2].strip()
            if part < 0:
                raise FieldRefusedError(f"found {shown(term)}", "write a share of 0 % or more")
            if whole == "reading":
                share += part
            elif whole in {"range", "full scale"}:
                allowed = "write the range itself, such as 0.1 % of 300 V"
                raise FieldRefusedError(f"{shown(term)} does not say which range", allowed)
            else:
                amounts.append((part, amount(whole, bare=True)))
        return Accuracy(float(share), tuple(amounts), text)

    def __str__(self) -> str:
        return "an amount such as 1.5 K, a share such as 0.5 % of reading or 0.1 % of 300 V, or a sum with +"


@dataclass(frozen=True, slots=True)
class UnitSymbol(Scalar):
    """A unit of measure (``degC``, ``V``, ``K/W``; ``1`` for a plain number)."""

    def convert(self, text: str) -> str:
        """Return the canonical ASCII symbol. Raises UnitError."""
        return unit_of_measure(text).symbol

    def __str__(self) -> str:
        return "a unit of measure such as degC, V, K/W, or 1 for none"


@dataclass(frozen=True, slots=True)
class Day(Scalar):
    """A calendar day as ISO 8601 writes it: 2027-03-31."""

    def convert(self, text: str) -> date:
        """Return the day. Raises RefusedError."""
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            try:
                return date.fromisoformat(text)
            except ValueError as error:
                raise FieldRefusedError(f"found {shown(text)}: {error}", f"write {self}") from error
        raise FieldRefusedError(f"found {shown(text)}", f"write {self}")

    def __str__(self) -> str:
        return "a day such as 2027-03-31"


@dataclass(frozen=True, slots=True)
class Checked(Scalar):
    """A scalar that ``check`` turns into something else, or refuses by ValueError (its message is shown)."""

    kind: Scalar
    check: Callable[[Any], Any]
    allowed: str

    def convert(self, text: str) -> Any:
        """Return what ``check`` makes of the value. Raises RefusedError or UnitError."""
        try:
            return self.check(self.kind.convert(text))
        except (FieldRefusedError, UnitError):
            raise
        except ValueError as error:
            raise FieldRefusedError(f"{shown(text)}: {error}", f"write {self}") from error

    def spell(self, value: Any) -> str:
        """Return the value; numbers in few digits."""
        return f"{value:.12g}" if isinstance(value, float) else self.kind.spell(value)

    def __str__(self) -> str:
        return self.allowed


@dataclass(frozen=True, slots=True)
class Seq(FieldType):
    """A list of one kind, as a tuple; ``least`` to ``most`` long."""

    kind: FieldType
    least: int = 0
    most: int | None = None

    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Any:
        """Return a tuple, or BAD after adding to ``faults``."""
        if not isinstance(node.value, list):
            faults.append(fault(node, path, described(node), f"write {self}, such as [a, b]"))
            return BAD
        if len(node.value) < self.least or (self.most is not None and len(node.value) > self.most):
            faults.append(fault(node, path, f"found {len(node.value)} entries", f"write {self}"))
            return BAD
        taken = tuple(self.kind.take(one, faults, f"{path}[{i}]") for i, one in enumerate(node.value))
        return BAD if any(one is BAD for one in taken) else taken

    def __str__(self) -> str:
        least = f" of at least {self.least}" if self.least else ""
        return f"a list{least}{'' if self.most is None else f' of at most {self.most}'}: {self.kind}"

    def spell(self, value: Any) -> str:
        """Return the list in brackets."""
        return "[" + ", ".join(self.kind.spell(one) for one in value) + "]"

    def parts(self) -> Iterator[tuple[str, FieldType]]:
        """Yield the kind of the entries."""
        yield "[]", self.kind


@dataclass(frozen=True, slots=True)
class Map(FieldType):
    """Free names with values of one kind, as a dict in the order of the file."""

    kind: FieldType
    names: Scalar = dataclasses.field(default_factory=Name)
    word: str = "NAME"
    least: int = 0

    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Any:
        """Return a dict, or BAD after adding to ``faults``."""
        if not isinstance(node.value, dict):
            faults.append(fault(node, path, described(node), f"write {self}"))
            return BAD
        taken = {}
        for name, one in node.value.items():
            key_node = Node(name, one.place, one.file)
            good_name = self.names.take(key_node, faults, below(path, name))
            taken[name] = self.kind.take(one, faults, below(path, name))
            if good_name is BAD:
                taken[name] = BAD
        if len(taken) < self.least:
            faults.append(fault(node, path, "found no entry", f"write {self}"))
            return BAD
        return BAD if any(one is BAD for one in taken.values()) else taken

    def __str__(self) -> str:
        return f"a block of names, each with {self.kind}"

    def spell(self, value: Any) -> str:
        """Return the block in braces."""
        return "{" + ", ".join(f"{name}: {self.kind.spell(one)}" for name, one in value.items()) + "}"

    def parts(self) -> Iterator[tuple[str, FieldType]]:
        """Yield the kind of the values."""
        yield f".{self.word}", self.kind


class OneOf(FieldType):
    """Any of several kinds; the first that fits. Faults are those of the kind whose shape was written."""

    def __init__(self, *kinds: FieldType) -> None:
        self.kinds = kinds

    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Any:
        """Return the value of the first kind that fits, or BAD after adding to ``faults``."""
        refusals: list[tuple[bool, list[ConfigFault]]] = []
        for kind in self.kinds:
            refused: list[ConfigFault] = []
            taken = kind.take(node, refused, path)
            if taken is not BAD:
                return taken
            refusals.append((_fits_shape(kind, node), refused))
        shaped = [refused for fits, refused in refusals if fits]
        if len(shaped) == 1:
            faults.extend(shaped[0])
        else:
            faults.append(fault(node, path, described(node), f"write {self}"))
        return BAD

    def __str__(self) -> str:
        return ", or ".join(str(kind) for kind in self.kinds)

    def spell(self, value: Any) -> str:
        """Return the value as the first kind would write it."""
        return self.kinds[0].spell(value)

    def parts(self) -> Iterator[tuple[str, FieldType]]:
        """Yield what stands below each of the kinds."""
        for kind in self.kinds:
            yield from kind.parts()


class Later(FieldType):
    """Anything; the node itself is returned, to be read when more is known. ``kind`` is what is expected."""

    def __init__(self, kind: FieldType | None = None) -> None:
        self.kind = kind

    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Node:
        """Return the node."""
        return node

    def __str__(self) -> str:
        return str(self.kind or "anything")

    def parts(self) -> Iterator[tuple[str, FieldType]]:
        """Yield what stands below the expected kind."""
        if self.kind is not None:
            yield from self.kind.parts()


def _fits_shape(kind: FieldType, node: Node) -> bool:
    if isinstance(kind, OneOf):
        return any(_fits_shape(one, node) for one in kind.kinds)
    if isinstance(kind, Scalar):
        return isinstance(node.value, str)
    return isinstance(node.value, list if isinstance(kind, Seq) else dict)
