"""Text replies that end in a terminator: pure, shared by every driver that reads text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import regex

from drivers import Reply
from drivers.bus.numbers import decode
from rig.errors import InstrumentError, ReplyError, shown

TERMINATORS: Final[Mapping[str, bytes]] = {"LF": b"\n", "CR": b"\r", "CRLF": b"\r\n"}
MATCH_TIMEOUT_S: Final = 0.1
"""No pattern of a rig file may hold the bus: some take exponential time on the wrong text."""


def take_line(received: bytes, terminator: bytes) -> tuple[bytes, int] | None:
    """Return the first whole line without its terminator and how many bytes it used; None if unfinished.

    Where the terminator begins with LF, a CR before it belongs to it too.
    """
    at = received.find(terminator)
    if at < 0:
        return None
    line = received[:at]
    if terminator.startswith(b"\n"):
        line = line.removesuffix(b"\r")
    return line, at + len(terminator)


def split(text: str, separator: str) -> list[str]:
    """Return the fields of a line; the separator ``blanks`` is any run of spaces and tabs."""
    return text.split() if separator == "blanks" else text.split(separator)


def compiled(pattern: str, key: str) -> regex.Pattern[str]:
    """Return a compiled pattern. Raises ValueError naming the key of the rig file."""
    try:
        return regex.compile(pattern)
    except regex.error as error:
        raise ValueError(f"{key}: {shown(pattern)} is not a regular expression: {error}") from error


def matched(pattern: regex.Pattern[str], text: str) -> Any:
    """Return the match of the whole text, or None.

    Raises ReplyError when the pattern cannot decide within ``MATCH_TIMEOUT_S``.
    """
    try:
        return pattern.fullmatch(text, timeout=MATCH_TIMEOUT_S)
    except TimeoutError as error:
        raise ReplyError(
            f"pattern {shown(pattern.pattern)} takes too long on {shown(text)}; "
            "write it without nested repeats"
        ) from error


class Command:
    """A command that is not answered."""

    fields: tuple[str, ...] = ()
    reply_bytes = 0

    def __init__(self, text: str, terminator: bytes) -> None:
        self.label = text
        self._request = ask_bytes(text, terminator)
        self.request_bytes = len(self._request)

    def request(self) -> bytes:
        """Return the bytes to send."""
        return self._request

    def parse(self, received: bytes) -> Reply | None:
        """Refuse: nothing is to be parsed. Raises ReplyError."""
        raise ReplyError(
            f"{shown(received)} received, though {self.label} expects no answer", used=len(received)
        )


class _Matched:
    """A line out, and a line back that must match a pattern; ``text``: the line. ``what``: the key's name."""

    fields: tuple[str, ...] = ()
    reply_bytes = 10
    what = ""

    def __init__(self, text: str, *, pattern: str, terminator: bytes, reply_terminator: bytes) -> None:
        self.label = text
        self._request = ask_bytes(text, terminator)
        self.request_bytes = len(self._request)
        self._pattern = compiled(pattern, self.what)
        self._reply_terminator = reply_terminator

    def request(self) -> bytes:
        """Return the bytes to send."""
        return self._request

    def parse(self, received: bytes) -> Reply | None:
        """Return the answer as ``text``. Raises what ``refusal`` makes of another one."""
        taken = take_line(received, self._reply_terminator)
        if taken is None:
            return None
        line, used = taken
        try:
            text = decode(line)
        except ReplyError as error:
            raise ReplyError(str(error), used=used) from error
        if matched(self._pattern, text) is None:
            raise self.refusal(text, used)
        return Reply(used=used, text=text)

    def refusal(self, text: str, used: int) -> Exception:
        """Return the error for an answer that does not match."""
        raise NotImplementedError


class Answered(_Matched):
    """A command whose one-line answer must match a pattern, such as ``OK``; anything else is a refusal."""

    what = "command-reply"

    def refusal(self, text: str, used: int) -> Exception:
        """Return an InstrumentError: the instrument refused."""
        return InstrumentError(
            f"the command {shown(self.label)} was answered with {shown(text)}, "
            f"expected {shown(self._pattern.pattern)}"
        )


class IdentityQuery(_Matched):
    """A question whose whole answer must match a pattern; its text is the identity."""

    reply_bytes = 60
    what = "identity"

    def refusal(self, text: str, used: int) -> Exception:
        """Return a ReplyError: another instrument answers."""
        return ReplyError(
            f"another instrument answers: its identity is {shown(text)}, expected identity "
            f"{shown(self._pattern.pattern)}; check what is plugged in where",
            used=used,
        )


def command_text(text: str) -> str:
    """Return a command as it may be sent: one line of printable ASCII. Raises ValueError."""
    if not text or not text.isascii() or not text.isprintable():
        raise ValueError(f"{shown(text)} is not a command: write one line of printable ASCII")
    return text


def ask_bytes(text: str, terminator: bytes) -> bytes:
    """Return a question or command as bytes. Raises ValueError for text that is not ASCII."""
    try:
        return text.encode("ascii") + terminator
    except UnicodeEncodeError as error:
        raise ValueError(f"{shown(text)} is not ASCII") from error
