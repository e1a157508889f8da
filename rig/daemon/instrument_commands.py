"""Commands for instruments: queued by any thread, sent only by the thread that owns the bus.

A bus carries one exchange at a time, so a command is queued; the bus's own thread carries it out between
two polls and reports the result.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from drivers import Driver, Exchange, command_of

Done = Callable[[str, int], None]
"""(fault, '' if none; CLOCK_BOOTTIME ns at the end). Called from the bus's thread."""
Send = Callable[[str, Sequence[str], Done], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentCommand:
    """Exchanges with one instrument, to be carried out in order.

    ``done`` is called once, unless the session ends or the bus hangs for good before.
    """

    instrument: str
    exchanges: tuple[Exchange, ...]
    done: Done


class CommandQueue:
    """Commands for one bus: queued by any thread, taken by the bus's own. Outlives a hung thread."""

    def __init__(self) -> None:
        self._waiting: deque[InstrumentCommand] = deque()
        self._woken = threading.Event()

    def post(self, command: InstrumentCommand) -> None:
        """Queue a command and wake the bus's thread."""
        self._waiting.append(command)
        self._woken.set()

    def wake(self) -> None:
        """End a wait without a command."""
        self._woken.set()

    def take(self) -> InstrumentCommand | None:
        """Return the next command, None if there is none."""
        self._woken.clear()
        try:
            return self._waiting.popleft()
        except IndexError:
            return None

    def wait(self, timeout_s: float) -> bool:
        """Wait for a command or a wake-up; return whether there was one within ``timeout_s``."""
        return bool(self._waiting) or self._woken.wait(timeout_s)


class CommandDispatch:
    """Encoder of the rig file's commands and router to the right bus."""

    def __init__(
        self,
        *,
        bus_of: Mapping[str, str],
        drivers_of: Mapping[str, Driver],
        command_queues: Mapping[str, CommandQueue],
    ) -> None:
        self._bus_of = bus_of
        self._drivers_of = drivers_of
        self._queues = command_queues

    def send(self, instrument: str, commands: Sequence[str], done: Done) -> None:
        """Have ``commands`` sent to an instrument. Raises ValueError if its driver refuses the words."""
        driver = self._drivers_of[instrument]
        exchanges = tuple(command_of(driver, command) for command in commands)
        queue = self._queues[self._bus_of[instrument]]
        queue.post(InstrumentCommand(instrument=instrument, exchanges=exchanges, done=done))
