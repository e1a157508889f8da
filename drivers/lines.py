"""Instruments that send or answer with lines of text: mains readbacks, thermocouple boxes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import regex

from drivers import Exchange, Reply
from drivers.bus.lines import (
    TERMINATORS,
    Answered,
    Command,
    IdentityQuery,
    ask_bytes,
    command_text,
    compiled,
    matched,
    split,
    take_line,
)
from drivers.bus.numbers import STATUS_WORDS, decode, read_field, words_of
from drivers.bus.sums import crc16_modbus, crc16_xmodem, sum8, xor8
from rig.domain.model import Status
from rig.errors import ReplyError, shown
from rig.rigfile.schema import Choice, Map, Name, OneOf, Section, Seq, Text, key

_FIELD_BYTES: Final = 10
_SUMS: Final[Mapping[str, tuple[Callable[[bytes], int], int]]] = {
    "sum8": (sum8, 2),
    "xor8": (xor8, 2),
    "crc16-modbus": (crc16_modbus, 4),
    "crc16-xmodem": (crc16_xmodem, 4),
}
"""Checksum by name, and how many hexadecimal digits it has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checksum:
    """Where a line carries which checksum."""

    kind: str = key(Choice(*_SUMS), doc="what is computed over the bytes between start and mark")
    mark: str = key(
        Text(empty=True), default="*", doc="what stands between the line and the checksum's digits"
    )
    start: str = key(Text(empty=True), default="", doc="what a line begins with, left out of the checksum")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineIdentity:
    """Query of an instrument's identity."""

    ask: str = key(Text(), doc="question")
    pattern: str = key(Text(), doc="pattern that the whole answer must match")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRead:
    """One question and its answer of one line: fields and separator, or a pattern with named groups."""

    ask: str = key(Text(empty=True), default="", doc="question; without it the instrument is free-running")
    fields: tuple[str, ...] = key(Seq(Name()), default=(), doc="names of the values, in the line's order")
    separator: str = key(Text(), default=",", doc="what stands between the values; or the word blanks")
    pattern: str = key(Text(empty=True), default="", doc="in place of fields: (?P<volts>...) names a value")


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the rig file may say under an instrument with ``driver: lines``."""

    terminator: str = key(Choice(*TERMINATORS), doc="end of a line, in both directions", example="CRLF")
    reply_terminator: str = key(
        Choice("same", *TERMINATORS), default="same", doc="end of an answer; LF also takes CR LF"
    )
    prompt: str = key(
        Text(empty=True), default="", doc="what the instrument writes after the end of each answer, such as >"
    )
    reads: tuple[LineRead, ...] = key(
        Seq(Section(LineRead), least=1),
        doc="questions of one poll",
        example='[{ask: "T?", fields: [value1, value2]}]',
    )
    checksum: Any = key(
        OneOf(Section(Checksum), Choice("none")), default="none", doc="checksum at the end of each line"
    )
    identity: Any = key(
        OneOf(Section(LineIdentity), Choice("none")),
        default="none",
        doc="question and answer that prove who it is",
    )
    setup: tuple[str, ...] = key(
        Seq(Text()), default=(), doc="commands sent after each opening, not answered"
    )
    command_reply: str = key(
        Text(empty=True),
        default="",
        doc="pattern of the line that answers a command, such as OK; without it none is awaited",
    )
    words: Mapping[str, str] = key(
        Map(Choice(*STATUS_WORDS), names=Text(), word="WORD"),
        default={},
        doc="what the instrument's own words in place of a number mean",
    )


class Driver:
    """One instrument that speaks in lines."""

    quiet_s = 0.0
    report: Exchange | None = None

    def __init__(self, options: Options) -> None:
        """Make the exchanges. Raises ValueError for options that make no sense together."""
        sent = TERMINATORS[options.terminator]
        end = sent if options.reply_terminator == "same" else TERMINATORS[options.reply_terminator]
        end += ask_bytes(options.prompt, b"")
        checksum = options.checksum if isinstance(options.checksum, Checksum) else None
        words = words_of(options.words)
        readings = [
            LineReading(read, sent=sent, end=end, checksum=checksum, words=words) for read in options.reads
        ]
        names = [name for reading in readings for name in reading.fields]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"reads: field {', '.join(twice)} is named twice; give each value its own name")
        if len(readings) > 1 and any(reading.request_bytes == 0 for reading in readings):
            raise ValueError("reads: a free-running instrument has one read only; or give each an ask")
        self.polls: Sequence[Exchange] = tuple(readings)
        opening: list[Exchange] = []
        if isinstance(options.identity, LineIdentity):
            opening.append(
                IdentityQuery(
                    options.identity.ask,
                    pattern=options.identity.pattern,
                    terminator=sent,
                    reply_terminator=end,
                )
            )
        self.opening: Sequence[Exchange] = (*opening, *(Command(text, sent) for text in options.setup))
        self._sent, self._end, self._command_reply = sent, end, options.command_reply
        if options.command_reply:
            compiled(options.command_reply, "command-reply")
        self._streams = any(reading.request_bytes == 0 for reading in readings)

    def command(self, text: str) -> Exchange:
        """Return the exchange that sends a command line. Raises ValueError for what cannot be one."""
        text = command_text(text)
        if not self._command_reply:
            return Command(text, self._sent)
        if self._streams:
            raise ValueError("free-running instrument: an answer could not be distinguished from a reading")
        return Answered(text, terminator=self._sent, reply_terminator=self._end, pattern=self._command_reply)


class LineReading:
    """Values of one line, requested or free-running."""

    def __init__(
        self,
        read: LineRead,
        *,
        sent: bytes,
        end: bytes,
        checksum: Checksum | None,
        words: Mapping[str, Status],
    ) -> None:
        self.label = read.ask or "next line"
        self._request = ask_bytes(read.ask, sent) if read.ask else b""
        self.request_bytes = len(self._request)
        self._end = end
        self._checksum = checksum
        self._words = words
        self._separator = read.separator
        self._pattern: regex.Pattern[str] | None = None
        if bool(read.pattern) == bool(read.fields):
            raise ValueError("reads: write either fields (and separator) or pattern")
        if read.pattern:
            self._pattern = compiled(read.pattern, "pattern")
            groups = self._pattern.groupindex
            self.fields = tuple(sorted(groups, key=lambda name: groups[name]))
            if not self.fields:
                raise ValueError("pattern: names no value; write (?P<name>...) around each")
        else:
            self.fields = read.fields
        self.reply_bytes = _FIELD_BYTES * len(self.fields) + len(end)

    def request(self) -> bytes:
        """Return the bytes to send; b'' where the instrument sends by itself."""
        return self._request

    def parse(self, received: bytes) -> Reply | None:
        """Return the values of the first whole line. Raises ReplyError for any other line."""
        taken = take_line(received, self._end)
        if taken is None:
            return None
        line, used = taken
        try:
            text = decode(_checked(line, self._checksum))
            pairs = [
                (float("nan"), Status.NO_VALUE) if field is None else read_field(field, self._words)
                for field in self._split(text)
            ]
        except ReplyError as error:
            raise ReplyError(str(error), used=used) from error
        values, statuses = zip(*pairs, strict=True)
        return Reply(values=values, statuses=statuses, used=used)

    def _split(self, text: str) -> Sequence[str | None]:
        """Return one text per field; None for a group of the pattern that took no part."""
        if self._pattern is not None:
            match = matched(self._pattern, text)
            if match is None:
                raise ReplyError(f"{shown(text)} does not match the pattern {shown(self._pattern.pattern)}")
            return [match[name] for name in self.fields]
        texts = split(text, self._separator)
        if len(texts) != len(self.fields):
            raise ReplyError(
                f"{len(texts)} fields in {shown(text)}, expected {len(self.fields)} "
                f"({', '.join(self.fields)})"
            )
        return texts


def _checked(line: bytes, checksum: Checksum | None) -> bytes:
    """Return the line between start and mark. Raises ReplyError if its checksum is wrong or missing."""
    if checksum is None:
        return line
    function, digits = _SUMS[checksum.kind]
    start, mark = checksum.start.encode(), checksum.mark.encode()
    body, given = line[:-digits], line[-digits:]
    if len(given) < digits or not body.startswith(start) or not body.endswith(mark):
        raise ReplyError(
            f"{shown(line)} has no checksum: expected {shown(start)}...{shown(mark)} and {digits} digits"
        )
    body = body[len(start) : len(body) - len(mark)]
    expected = f"{function(body):0{digits}X}"
    if given.upper() != expected.encode():
        raise ReplyError(f"{shown(line)}: checksum {shown(given)}, but its bytes give {expected}; noise?")
    return body
