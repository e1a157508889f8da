"""Every error soakrig raises on purpose, sorted by who must act.

::

    SoakrigError                 anything raised on purpose
    ├── ConfigError              the author of the rig file must act
    ├── UsageError               the user of the command must act
    ├── BusError                 somebody must go to the rack
    │   ├── DeadlineError        no (complete) reply within the deadline
    │   ├── ReplyError           a reply came and is wrong
    │   ├── InstrumentError      the instrument itself reports an error
    │   └── BusInUseError        another program has the port open
    └── StoreError               somebody must look at the disk
        ├── RunInUseError        another process has this run (or port) open
        ├── FormatError          written by a newer soakrig, or not a run at all
        └── DamageError          bytes on disk are not what was written

Any other exception that reaches the user is a bug in soakrig.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

CUT = 80


def shown(raw: bytes | str) -> str:
    """Return the ``repr`` of what came, cut at 80 characters, for error messages."""
    text = repr(raw)
    return text if len(text) <= CUT else f"{text[: CUT - 1]}…"


class SoakrigError(Exception):
    """Base of all errors raised on purpose. ``exit_code`` is what the command line returns."""

    exit_code = 1


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class ConfigFault:
    """One mistake in a rig file: where it stands, what was found, what is allowed."""

    file: str
    line: int
    path: str
    found: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.path}: {self.found}; {self.allowed}"


class ConfigError(SoakrigError):
    """The rig file is wrong; ``faults`` lists every mistake found in one reading."""

    exit_code = 3

    def __init__(self, faults: Sequence[ConfigFault]) -> None:
        self.faults = tuple(sorted(faults))
        super().__init__("\n".join(str(fault) for fault in self.faults))


class UsageError(SoakrigError):
    """The command was asked for something that does not exist or makes no sense."""

    exit_code = 2


class BusError(SoakrigError):
    """A bus or instrument did not do its part: port absent, busy, gone, connection refused."""

    exit_code = 4


class DeadlineError(BusError):
    """No complete reply within the deadline. ``received`` holds the bytes that did come."""

    def __init__(self, message: str, *, received: bytes = b"") -> None:
        self.received = received
        super().__init__(message)


class ReplyError(BusError):
    """A reply came and is wrong: garbage, cut short, somebody else's, wrong count or checksum.

    ``used`` bytes of what was received make up the wrong reply, where its end is known (0: it is not).
    """

    def __init__(self, message: str, *, used: int = 0) -> None:
        self.used = used
        super().__init__(message)


class InstrumentError(BusError):
    """The instrument understood and refused: Modbus exception, entry in the SCPI error queue."""


class BusInUseError(BusError):
    """Another program has this port open; the message names it where that can be found out."""

    exit_code = 6


class StoreError(SoakrigError):
    """The run directory could not be read or written as needed."""

    exit_code = 5


class RunInUseError(StoreError):
    """Another process holds the lock of this run or port; the message names it."""

    exit_code = 6


class FormatError(StoreError):
    """Not a run directory, or one that a newer soakrig wrote."""

    exit_code = 7


class DamageError(StoreError):
    """Stored bytes fail their checksum; the message says which file and where."""

    exit_code = 8
