"""A transport that follows a script and insists on every byte: for tests of what stands above it.

Time does not pass by itself: waiting for a silent instrument moves a ``ManualClock`` to the deadline.
A call that the script does not foresee raises ``ScriptError``, which no error handling takes for a
fault of the bus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

NS_PER_S = 1_000_000_000
T = TypeVar("T")


class ScriptError(BaseException):
    """The code under test did something that is not in the script."""


@dataclass(slots=True)
class ManualClock:
    """A clock that moves when told. ``now_ns`` is its monotonic time; boot time is one hour ahead."""

    now_ns: int = 1_000 * NS_PER_S

    def monotonic_ns(self) -> int:
        """Return the time."""
        return self.now_ns

    def boot_ns(self) -> int:
        """Return the time, an hour later, so that the two cannot be mixed up unnoticed."""
        return self.now_ns + 3_600 * NS_PER_S

    def utc_ns(self) -> int:
        """Return a wall clock in 2027."""
        return self.now_ns + 1_800_000_000 * NS_PER_S

    def boot_id(self) -> str:
        """Return the identity of this boot."""
        return "scripted"

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self.now_ns += round(seconds * NS_PER_S)


@dataclass(frozen=True, slots=True)
class Sends:
    """Exactly these bytes are to be sent."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Gives:
    """These bytes arrive ``after_s`` after they are waited for."""

    data: bytes
    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Silence:
    """Nothing arrives until the deadline."""


@dataclass(frozen=True, slots=True)
class Unasked:
    """These bytes have arrived before a question."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Resyncs:
    """The link makes sure that nothing is under way; ``discarded`` bytes are thrown away."""

    discarded: int = 0


@dataclass(frozen=True, slots=True)
class Raises:
    """The call of that name (``open``, ``send``, ``receive``, ``drain``, ``resync``) fails."""

    call: str
    error: Exception


Step = Sends | Gives | Silence | Unasked | Resyncs | Raises


@dataclass(slots=True)
class ScriptedTransport:
    """Follows ``steps``; ``calls`` lists what was called."""

    steps: Sequence[Step]
    clock: ManualClock
    name: str = "script"
    character_s: float = 0.0
    calls: list[str] = field(default_factory=list)
    is_open: bool = False
    resync_windows: list[tuple[int, int]] = field(default_factory=list)
    _at: int = 0

    @property
    def finished(self) -> bool:
        """Return whether every step was done."""
        return self._at == len(self.steps)

    def open(self) -> None:
        """Open, unless the script says otherwise."""
        self.calls.append("open")
        self._raise_if_scripted("open")
        self.is_open = True

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Compare with the script."""
        del deadline_ns
        self.calls.append("send")
        self._raise_if_scripted("send")
        step = self._take(Sends)
        if step.data != data:
            raise ScriptError(f"sent {data!r}, the script says {step.data!r}")

    def receive(self, deadline_ns: int) -> bytes:
        """Give what the script says, or pass the time until the deadline."""
        self.calls.append("receive")
        self._raise_if_scripted("receive")
        step = self._peek()
        if isinstance(step, Silence):
            self._at += 1
            self.clock.now_ns = max(self.clock.now_ns, deadline_ns)
            return b""
        step = self._take(Gives)
        arrives_ns = self.clock.now_ns + round(step.after_s * NS_PER_S)
        if arrives_ns > deadline_ns and step.after_s > 0.0:
            raise ScriptError(f"{step} would come after the deadline; write Silence before it")
        self.clock.now_ns = arrives_ns
        return step.data

    def drain(self) -> bytes:
        """Give what the script says has come unasked."""
        self.calls.append("drain")
        self._raise_if_scripted("drain")
        step = self._peek()
        if isinstance(step, Unasked):
            self._at += 1
            return step.data
        return b""

    def resync(self, quiet_until_ns: int, give_up_ns: int) -> int:
        """Note the window and pass the time until its end."""
        self.calls.append("resync")
        self._raise_if_scripted("resync")
        self.resync_windows.append((quiet_until_ns, give_up_ns))
        self.clock.now_ns = max(self.clock.now_ns, quiet_until_ns)
        return self._take(Resyncs).discarded

    def close(self) -> None:
        """Close."""
        self.calls.append("close")
        self.is_open = False

    def abandon(self) -> None:
        """Note it."""
        self.calls.append("abandon")

    def _peek(self) -> Step | None:
        return self.steps[self._at] if self._at < len(self.steps) else None

    def _take(self, kind: type[T]) -> T:
        step = self._peek()
        if not isinstance(step, kind):
            raise ScriptError(f"step {self._at + 1} of the script is {step}, not {kind.__name__}")
        self._at += 1
        return step

    def _raise_if_scripted(self, call: str) -> None:
        step = self._peek()
        if isinstance(step, Raises) and step.call == call:
            self._at += 1
            raise step.error
