"""The answering side of SCPI: headers in long and short form, compound lines, the error queue.

From SCPI-99 vol. 1 (6.2: short and long forms, 7.2.1: numbers that stand for no number, 21.8: error
queue) and IEEE 488.2 (common commands, compound messages, status byte).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence

NOT_A_NUMBER = "+9.910000E+37"
QUEUE_LENGTH = 20
_LIST = re.compile(r"\(@([0-9:,]+)\)")
_QUOTED_OR_LISTED = re.compile(r';(?=(?:[^"]*"[^"]*")*[^"]*$)')

Query = Callable[[Sequence[int], int, int], list[float | None]]
"""(channel numbers, began_ns, ended_ns) to values."""


class ComplaintError(Exception):
    """What goes into the error queue: number and text of SCPI-99 21.8."""

    def __init__(self, number: int, text: str) -> None:
        self.number = number
        super().__init__(text)


class ScpiPeer:
    """One SCPI instrument.

    identity: the answer to ``*IDN?``. queries: header in SCPI notation (``READ``, ``SOURce:LEVel``)
    to a function of (channel numbers, began_ns, ended_ns) that returns the values to send, None for
    no value; a query without a channel list gets (). commands: header to what is done with its number.
    """

    def __init__(
        self,
        identity: str,
        queries: Mapping[str, Query],
        commands: Mapping[str, Callable[[float], None]] | None = None,
    ) -> None:
        self._identity = identity
        self._queries = queries
        self._commands = commands or {}
        self._errors: deque[tuple[int, str]] = deque()
        self._events = 0

    def handle(self, line: str, began_ns: int, ended_ns: int) -> str | None:
        """Return the answer to one line, None where it holds no query or an error stops it."""
        answers: list[str] = []
        path: tuple[str, ...] = ()
        for part in _QUOTED_OR_LISTED.split(line):
            text = part.strip()
            if not text:
                continue
            head, _, rest = text.partition(" ")
            try:
                if head.startswith("*"):
                    said = self._common(head.upper())
                else:
                    full = (() if head.startswith(":") else path) + tuple(head.lstrip(":").split(":"))
                    path = full[:-1]
                    said = self._own(":".join(full), rest.strip(), began_ns, ended_ns)
            except ComplaintError as complaint:
                self._complain(complaint)
                break
            if said is not None:
                answers.append(said)
        return ";".join(answers) if answers else None

    def _common(self, head: str) -> str | None:
        if head == "*CLS":
            self._errors.clear()
            self._events = 0
            return None
        if head in {"*RST", "*WAI", "*OPC"}:
            return None
        events = self._events
        if head == "*ESR?":
            self._events = 0
        known = {
            "*IDN?": self._identity,
            "*OPC?": "1",
            "*TST?": "0",
            "*ESR?": str(events),
            "*STB?": str(4 if self._errors else 0),
        }
        if head not in known:
            raise ComplaintError(-113, "Undefined header")
        return known[head]

    def _own(self, head: str, rest: str, began_ns: int, ended_ns: int) -> str | None:
        if matches(head, "SYSTem:ERRor?") or matches(head, "SYSTem:ERRor:NEXT?"):
            number, text = self._errors.popleft() if self._errors else (0, "No error")
            return f'{number},"{text}"'
        if matches(head, "FORMat") or matches(head, "FORMat:DATA"):
            if not re.fullmatch(r"(?i)ASC(II)?(,[0-9]+)?", rest):
                raise ComplaintError(-224, "Illegal parameter value")
            return None
        if matches(head, "FORMat?"):
            return "ASC"
        for pattern, query in self._queries.items():
            if matches(head, pattern + "?"):
                try:
                    values = query(channel_numbers(rest), began_ns, ended_ns)
                except KeyError:
                    raise ComplaintError(-222, "Data out of range") from None
                return ",".join(NOT_A_NUMBER if value is None else f"{value:+.6E}" for value in values)
        for pattern, command in self._commands.items():
            if matches(head, pattern):
                try:
                    command(float(rest))
                except ValueError:
                    raise ComplaintError(-104, "Data type error") from None
                return None
        raise ComplaintError(-113, "Undefined header")

    def _complain(self, complaint: ComplaintError) -> None:
        kind = -complaint.number // 100
        self._events |= {1: 32, 2: 16, 3: 8, 4: 4}.get(kind, 8)
        self._errors.append((complaint.number, str(complaint)))
        if len(self._errors) > QUEUE_LENGTH:
            self._errors.pop()
            self._errors[-1] = (-350, "Queue overflow")


def matches(head: str, pattern: str) -> bool:
    """Return whether a header as sent is a header in SCPI notation: each part in long or in short form."""
    sent, known = head.upper().split(":"), pattern.split(":")
    return len(sent) == len(known) and all(
        one in {word.upper(), "".join(letter for letter in word if not letter.islower())}
        for one, word in zip(sent, known, strict=True)
    )


def channel_numbers(text: str) -> tuple[int, ...]:
    """Return the numbers of a channel list ``(@101:103,110)``; () for no text. Raises ComplaintError."""
    if not text:
        return ()
    match = _LIST.fullmatch(text)
    if match is None:
        raise ComplaintError(-102, "Syntax error")
    numbers: list[int] = []
    for part in match[1].split(","):
        first, _, last = part.partition(":")
        if not first or (":" in part and not last) or ":" in last:
            raise ComplaintError(-102, "Syntax error")
        numbers.extend(range(int(first), int(last or first) + 1))
        if len(numbers) > 1000:
            raise ComplaintError(-223, "Too much data")
    return tuple(numbers)
