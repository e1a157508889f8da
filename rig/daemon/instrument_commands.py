"""Commands on their way to an instrument: handed to the thread that owns the bus, never sent by another.

A bus carries one conversation at a time. So whoever wants something done posts an errand; the bus's own
thread carries it out between two polls and says how it went.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from drivers import Driver, Exchange, command_of

Done = Callable[[str, int], None]
"""(what went wrong, '' if nothing; CLOCK_BOOTTIME ns when it was over). Called from the bus's thread."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentCommand:
    """Exchanges to be carried out with one instrument, in order.

    ``done`` is called once, unless the session ends or the bus is stuck for good before.
    """

    instrument: str
    exchanges: tuple[Exchange, ...]
    done: Done


class CommandQueue:
    """The errands of one bus: posted by any thread, taken by the bus's own. Outlives a stuck thread."""

    def __init__(self) -> None:
        self._waiting: deque[InstrumentCommand] = deque()
        self._woken = threading.Event()

    def post(self, errand: InstrumentCommand) -> None:
        """Hand over an errand and wake the bus's thread."""
        self._waiting.append(errand)
        self._woken.set()

    def wake(self) -> None:
        """End a wait without an errand."""
        self._woken.set()

    def take(self) -> InstrumentCommand | None:
        """Return the next errand, if there is one."""
        self._woken.clear()
        try:
            return self._waiting.popleft()
        except IndexError:
            return None

    def wait(self, timeout_s: float) -> bool:
        """Wait for an errand or a wake-up; return whether there was one within ``timeout_s``."""
        return bool(self._waiting) or self._woken.wait(timeout_s)


class CommandDispatch:
    """Turns commands of the rig file into errands for the right bus."""

    def __init__(
        self,
        *,
        bus_of: Mapping[str, str],
        drivers_of: Mapping[str, Driver],
        errands: Mapping[str, CommandQueue],
    ) -> None:
        self._bus_of = bus_of
        self._drivers_of = drivers_of
        self._errands = errands

    def send(self, instrument: str, commands: Sequence[str], done: Done) -> None:
        """Have ``commands`` sent to an instrument. Raises ValueError if its driver refuses the words."""
        driver = self._drivers_of[instrument]
        exchanges = tuple(command_of(driver, command) for command in commands)
        errand = InstrumentCommand(instrument=instrument, exchanges=exchanges, done=done)
        self._errands[self._bus_of[instrument]].post(errand)
