"""Instruments: every module here (but ``bus``) is one kind of instrument; the folder is the list.

A driver holds no port and knows no time. It says which exchanges it wants and what a reply means; the
bus layer sends, stamps, keeps the deadline and resynchronises. So one contract test feeds every
driver's parser whole, split, late, trailing, truncated and garbage replies.

A module ``drivers/NAME.py`` defines

* ``Options``: a frozen dataclass whose fields are ``rig.rigfile.schema.key(...)``: what the rig file may
  say under an instrument that names this driver; and
* ``Driver``: a class, constructed as ``Driver(options)``, that fits the protocol below.

The user's own module works the same way under its dotted path.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from rig.domain.model import Status
from rig.errors import UsageError
from rig.rigfile.config import BlockFacts, DriverSpec

NOT_A_DRIVER = frozenset({"bus"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """Content of a complete reply.

    values, statuses: one per field of the exchange, in its order (NaN where the status has no number).
    used: how many of the received bytes belong to this reply; what is left over is unsolicited.
    text: the reply in words where it has no fields (identity, error queue entry; '' = queue empty).
    """

    values: tuple[float, ...] = ()
    statuses: tuple[Status, ...] = ()
    used: int
    text: str = ""


class Exchange(Protocol):
    """One question and its answer.

    label: for messages (``READ? (@101:110)``); fields: names of the values a reply carries;
    request_bytes, reply_bytes: expected lengths, for the time on the wire; reply_bytes 0 means that
    no reply is expected (a set-up command).

    An exchange may have an attribute ``tagged`` that is true: its reply carries the number of its
    request, and ``parse`` passes over a late reply to another one.
    """

    @property
    def label(self) -> str:
        """Short text for messages."""
        ...

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the values in a reply."""
        ...

    @property
    def request_bytes(self) -> int:
        """Expected length of the request; 0 = listen only (a free-running instrument)."""
        ...

    @property
    def reply_bytes(self) -> int:
        """Expected length of the reply; 0 = no reply comes."""
        ...

    def request(self) -> bytes:
        """Return the bytes to send; a new transaction number each time where the protocol has one."""
        ...

    def parse(self, received: bytes) -> Reply | None:
        """Return the reply, or None while more bytes are needed.

        Raises ReplyError when these bytes can never become this reply, InstrumentError when the
        instrument refused. Any other exception is a bug.
        """
        ...


class Driver(Protocol):
    """One instrument's side of the conversation."""

    @property
    def opening(self) -> Sequence[Exchange]:
        """Exchanges to be done in order after each opening: identity first, then set-up commands."""
        ...

    @property
    def polls(self) -> Sequence[Exchange]:
        """The exchanges of one poll; each is one block of readings with its own interval."""
        ...

    @property
    def report(self) -> Exchange | None:
        """The exchange that reads one entry of the instrument's error queue, if it has one."""
        ...

    @property
    def quiet_s(self) -> float:
        """Silence the protocol demands on the bus before a request (Modbus RTU: 3.5 characters)."""
        ...


class Commanded(Protocol):
    """Further attribute of a driver whose instrument takes commands (a relay, a source).

    A driver without ``command`` only reads; the rig file cannot name its instrument for switching.
    """

    def command(self, text: str) -> Exchange:
        """Return the exchange that carries out a command of the rig file.

        Raises ValueError, when the file is checked, for a text that is no command of this kind of instrument.
        """
        ...


def command_of(driver: Driver, text: str) -> Exchange:
    """Return the exchange for a command. Raises ValueError if the driver has none or refuses the text."""
    command = getattr(driver, "command", None)
    if command is None:
        raise ValueError("instruments of this kind are only read; the driver has no commands")
    exchange: Exchange = command(text)
    return exchange


def available() -> tuple[str, ...]:
    """Return the names of all drivers that come with soakrig."""
    return tuple(
        sorted(
            m.name for m in pkgutil.iter_modules(__path__) if m.name not in NOT_A_DRIVER and m.name[0] != "_"
        )
    )


def load(name: str) -> Any:
    """Return the driver module ``name``: one of ``available()``, or a dotted path to the user's own.

    Raises UsageError if there is none or it lacks ``Options`` or ``Driver``.
    """
    path = name if "." in name else f"drivers.{name}"
    if "." not in name and name not in available():
        raise UsageError(f"no driver named {name!r}; there are: {', '.join(available())}")
    if not all(part.isidentifier() for part in path.split(".")):
        raise UsageError(f"driver {name!r} is no module's name: names joined by single dots are")
    try:
        module = importlib.import_module(path)
    except Exception as error:  # a user's own module may fail in any way while it is read
        raise UsageError(f"driver {name!r}: cannot import {path}: {type(error).__name__}: {error}") from error
    missing = [attribute for attribute in ("Options", "Driver") if not hasattr(module, attribute)]
    if missing:
        raise UsageError(f"driver {name!r}: module {path} lacks {' and '.join(missing)}")
    return module


def spec(name: str) -> DriverSpec:
    """Return what the driver ``name`` says of itself to the reader of rig files. Raises UsageError."""
    module = load(name)

    def describe(options: Any) -> list[BlockFacts]:
        driver: Driver = module.Driver(options)
        return [
            BlockFacts(
                fields=one.fields,
                request_bytes=one.request_bytes,
                reply_bytes=one.reply_bytes,
                quiet_s=driver.quiet_s,
            )
            for one in driver.polls
        ]

    def check_command(options: Any, text: str) -> None:
        command_of(module.Driver(options), text)

    return DriverSpec(options=module.Options, describe=describe, check_command=check_command)
