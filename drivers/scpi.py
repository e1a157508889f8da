"""Instruments that speak SCPI (SCPI-99, IEEE 488.2): one question, one or many values in the answer."""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from drivers import Exchange, Reply
from drivers.bus.lines import TERMINATORS, Command, IdentityQuery, ask_bytes, command_text, split, take_line
from drivers.bus.numbers import STATUS_WORDS, decode, read_field, settled, words_of
from rig.domain.model import Status
from rig.errors import InstrumentError, ReplyError, shown
from rig.rigfile.schema import Choice, Flag, Map, Name, Section, Seq, Text, key

_BLOCKS: Final = {"block-f32": "f", "block-f64": "d", "block-i16": "h", "block-i32": "i"}
_FIELD_BYTES: Final = 14
_ENTRY = re.compile(r'([+-]?[0-9]{1,6})\s*(?:,\s*"?(.*?)"?)?\s*', re.ASCII)
"""SCPI-99 21.8: ``<int>,"<text>[;<device info>]"``; an empty queue answers with the number 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiRead:
    """One question and the names of what its answer holds, in the answer's order."""

    ask: str = key(Text(), doc="query, as sent: READ?")
    fields: tuple[str, ...] = key(Seq(Name(), least=1), doc="names of the values in the answer")
    separator: str = key(Text(), default=",", doc="what stands between the values; or the word blanks")
    format: str = key(Choice("ascii", *_BLOCKS), default="ascii", doc="text, or IEEE 488.2 block of numbers")
    bytes_: str = key(
        Choice("big-endian", "little-endian"), name="byte-order", default="big-endian", doc="in a block"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the rig file may say under an instrument with ``driver: scpi``."""

    identity: str = key(
        Text(), doc="pattern that the whole answer to *IDN? must match; .* takes any", example='".*"'
    )
    terminator: str = key(Choice(*TERMINATORS), doc="end of what is sent", example="LF")
    reply_terminator: str = key(
        Choice("same", *TERMINATORS), default="same", doc="end of an answer; LF also takes CR LF"
    )
    reads: tuple[ScpiRead, ...] = key(
        Seq(Section(ScpiRead), least=1),
        doc="questions of one poll",
        example='[{ask: "READ?", fields: [value]}]',
    )
    setup: tuple[str, ...] = key(Seq(Text()), default=(), doc="commands sent after each opening")
    error_queue: bool = key(Flag(), default=True, doc="whether SYST:ERR? may be asked")
    words: Mapping[str, str] = key(
        Map(Choice(*STATUS_WORDS), names=Text(), word="WORD"),
        default={},
        doc="what the instrument's own words in place of a number mean",
    )


class Driver:
    """One SCPI instrument."""

    quiet_s = 0.0

    def __init__(self, options: Options) -> None:
        """Make the exchanges. Raises ValueError for options that make no sense together."""
        sent = TERMINATORS[options.terminator]
        end = sent if options.reply_terminator == "same" else TERMINATORS[options.reply_terminator]
        words = words_of(options.words)
        names = [name for read in options.reads for name in read.fields]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"reads: field {', '.join(twice)} is named twice; give each value its own name")
        self.polls: Sequence[Exchange] = tuple(_reading(read, sent, end, words) for read in options.reads)
        self.report: Exchange | None = ErrorEntry(sent, end) if options.error_queue else None
        opening: list[Exchange] = [
            IdentityQuery("*IDN?", pattern=options.identity, terminator=sent, reply_terminator=end)
        ]
        if options.setup:
            # Entries of a former life would be taken for faults of the set-up.
            opening += [Command("*CLS", sent)] if options.error_queue else []
            opening += [Command(text, sent) for text in options.setup]
            opening += [SetupCheck(sent, end, options.setup)] if options.error_queue else []
        self.opening: Sequence[Exchange] = tuple(opening)
        self._sent = sent

    def command(self, text: str) -> Exchange:
        """Return the exchange that sends a command. Raises ValueError for a query or what cannot be sent.

        What the instrument thinks of it is in its error queue afterwards (``report``).
        """
        text = command_text(text)
        if "?" in text:
            raise ValueError(f"{shown(text)} is a question; write a command")
        return Command(text, self._sent)


class _Query:
    """A question in bytes; what its answer means is for the subclass."""

    fields: tuple[str, ...] = ()
    reply_bytes: int

    def __init__(self, ask: str, sent: bytes, end: bytes) -> None:
        self.label = ask
        self._request = ask_bytes(ask, sent)
        self.request_bytes = len(self._request)
        self._end = end

    def request(self) -> bytes:
        """Return the bytes to send."""
        return self._request


class AsciiReading(_Query):
    """Values as text, separated."""

    def __init__(self, read: ScpiRead, sent: bytes, end: bytes, words: Mapping[str, Status]) -> None:
        super().__init__(read.ask, sent, end)
        self.fields = read.fields
        self.reply_bytes = _FIELD_BYTES * len(read.fields) + len(end)
        self._separator = read.separator
        self._words = words

    def parse(self, received: bytes) -> Reply | None:
        """Return one value per field. Raises ReplyError for another count or anything not a number."""
        taken = take_line(received, self._end)
        if taken is None:
            return None
        line, used = taken
        try:
            texts = split(decode(line), self._separator)
            if len(texts) != len(self.fields):
                raise ReplyError(
                    f"{len(texts)} fields in {shown(line)}, expected {len(self.fields)} "
                    f"({', '.join(self.fields)})"
                )
            pairs = [read_field(text, self._words) for text in texts]
        except ReplyError as error:
            raise ReplyError(str(error), used=used) from error
        values, statuses = zip(*pairs, strict=True)
        return Reply(values=values, statuses=statuses, used=used)


class ScpiBlock(_Query):
    """Values as a definite length block (IEEE 488.2, 8.7.9): ``#``, digits, length, bytes, terminator."""

    def __init__(self, read: ScpiRead, sent: bytes, end: bytes) -> None:
        super().__init__(read.ask, sent, end)
        self.fields = read.fields
        order = ">" if read.bytes_ == "big-endian" else "<"
        self._unpack = struct.Struct(f"{order}{len(read.fields)}{_BLOCKS[read.format]}")
        self.reply_bytes = 2 + len(str(self._unpack.size)) + self._unpack.size + len(end)

    def parse(self, received: bytes) -> Reply | None:
        """Return one value per field. Raises ReplyError for a block of another size or form."""
        if received[:1] not in {b"", b"#"}:
            raise ReplyError(
                f"{shown(received)} does not begin with #, expected a block of {len(self.fields)}"
            )
        if len(received) < 2:
            return None
        digits = received[1] - 0x30
        if not 1 <= digits <= 9:
            raise ReplyError(f"{shown(received)}: # must be followed by a digit from 1 to 9")
        length = received[2 : 2 + digits]
        if not (length.isdigit() or not length):
            raise ReplyError(f"{shown(received)}: the length of the block is not a number")
        if len(length) < digits:
            return None
        if int(length) != self._unpack.size:
            raise ReplyError(
                f"a block of {int(length)} bytes, expected {self._unpack.size} for {len(self.fields)} values"
            )
        begin = 2 + digits
        finish = begin + self._unpack.size
        tail = received[finish : finish + len(self._end) + 1]
        if self._end == b"\n" and tail.startswith(b"\r"):
            finish, tail = finish + 1, tail[1:]
        if not (tail.startswith(self._end) or self._end.startswith(tail)):
            raise ReplyError(f"{shown(tail)} after the block, expected {shown(self._end)}")
        if not tail.startswith(self._end):
            return None
        pairs = [settled(float(value)) for value in self._unpack.unpack_from(received, begin)]
        values, statuses = zip(*pairs, strict=True)
        return Reply(values=values, statuses=statuses, used=finish + len(self._end))


class ErrorEntry(_Query):
    """One entry of the instrument's error queue as text, '' when the queue is empty."""

    reply_bytes = 30

    def __init__(self, sent: bytes, end: bytes) -> None:
        super().__init__("SYST:ERR?", sent, end)

    def parse(self, received: bytes) -> Reply | None:
        """Return the entry. Raises ReplyError for what is not an entry."""
        taken = take_line(received, self._end)
        if taken is None:
            return None
        line, used = taken
        try:
            match = _ENTRY.fullmatch(decode(line))
        except ReplyError as error:
            raise ReplyError(str(error), used=used) from error
        if match is None:
            raise ReplyError(f'{shown(line)} is not an error queue entry, expected -113,"text"', used=used)
        number = int(match[1])
        return Reply(used=used, text=f"{number} {match[2] or ''}".strip() if number else "")


class SetupCheck(ErrorEntry):
    """The error queue after the set-up commands: it must be empty."""

    def __init__(self, sent: bytes, end: bytes, setup: Sequence[str]) -> None:
        super().__init__(sent, end)
        self._setup = setup

    def parse(self, received: bytes) -> Reply | None:
        """Return an empty reply. Raises InstrumentError with the entry otherwise."""
        reply = super().parse(received)
        if reply is not None and reply.text:
            raise InstrumentError(
                f"a set-up command was refused: {reply.text}; commands: {', '.join(self._setup)}"
            )
        return reply


def _reading(read: ScpiRead, sent: bytes, end: bytes, words: Mapping[str, Status]) -> Exchange:
    if read.format == "ascii":
        return AsciiReading(read, sent, end, words)
    return ScpiBlock(read, sent, end)
