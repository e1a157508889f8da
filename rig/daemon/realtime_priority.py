"""Being on time on a machine that does other work too: what the logger asks of Python and of the system.

Four things, each tried on its own, and none needed: without it all goes as before, only later.

* Python's threads hand over sooner (``SWITCH_S``).
* Turns on the processor before everything that has no real-time priority itself, at the lowest of those
  (sched(7), SCHED_RR), where the service or the user may. The kernel leaves a twentieth of the time to all.
* A higher priority among the others (``PRIORITY``), where that may be.
* A short turn (``TURN_NS``), which anyone may ask for from Linux 6.12 on. A higher priority alone makes turns
  more frequent, not sooner: a waking task waits until the running one has had its turn of about 3 ms, unless
  its own is shorter. The logger's polls are done in far less.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import struct
import sys
from collections.abc import Iterator

SWITCH_S = 0.0005
"""How long a thread may keep the others waiting: one that has a poll to send must not wait 5 ms for it."""
REAL_TIME = 1
"""The lowest real-time priority."""
PRIORITY = -10
"""Before whatever else runs on the machine, post-mortems of the same run included."""
TURN_NS = 100_000
"""The shortest turn on the processor that the kernel grants (sched(7))."""
BEHIND = 10
"""The priority of a process that has time."""

_SET, _GET = 0, 1
_CALLS = {
    ("x86_64", 8): (314, 315),
    ("aarch64", 8): (274, 275),
    ("riscv64", 8): (274, 275),
    ("armv7l", 4): (380, 381),
}
"""sched_setattr and sched_getattr by machine and bytes of a pointer; not every C library names them."""
_ATTRIBUTES = struct.Struct("=IIQiIQQQII")
"""struct sched_attr: size, policy, flags, nice, priority, runtime (the turn), deadline, period, clamps."""
_LIBC = ctypes.CDLL(None, use_errno=True)
_NUMBERS = _CALLS.get((platform.machine(), struct.calcsize("P")))


@contextlib.contextmanager
def raised_priority() -> Iterator[None]:
    """Let no thread wait long for its turn, and this process not for others, as far as the system lets it.

    Threads made inside inherit it, and so do processes: they begin with ``as_usual`` or ``give_way``.
    """
    interval_s, priority = sys.getswitchinterval(), os.getpriority(os.PRIO_PROCESS, 0)
    sys.setswitchinterval(SWITCH_S)
    _prioritise(PRIORITY)
    usual = ask_for_turns(TURN_NS)
    if usual:
        _schedule(os.SCHED_RR, REAL_TIME)
    try:
        yield
    finally:
        sys.setswitchinterval(interval_s)
        if usual:
            as_usual(priority)


def give_way() -> None:
    """Let this process, which inherited the logger's priority, come after it."""
    as_usual(BEHIND)


def as_usual(priority: int = 0) -> None:
    """Let this thread, and what it starts, run like any other again."""
    _schedule(os.SCHED_OTHER, 0)
    ask_for_turns(0)
    _prioritise(priority)


def ask_for_turns(turn_ns: int) -> bool:
    """Ask for turns of ``turn_ns`` on the processor for this thread, 0: what the system gives to all.

    Return False if this thread is under another policy than the usual; it is then left alone.
    """
    if os.sched_getscheduler(0) != os.SCHED_OTHER:
        return False
    if _NUMBERS is not None:
        nice = os.getpriority(os.PRIO_PROCESS, 0)
        asked = _ATTRIBUTES.pack(_ATTRIBUTES.size, os.SCHED_OTHER, 0, nice, 0, turn_ns, 0, 0, 0, 0)
        _LIBC.syscall(_NUMBERS[_SET], 0, asked, 0)
    return True


def turn_ns() -> int | None:
    """Return the turn this thread has in ns, as the kernel says; None where it says nothing."""
    if _NUMBERS is None:
        return None
    found = ctypes.create_string_buffer(_ATTRIBUTES.size)
    if _LIBC.syscall(_NUMBERS[_GET], 0, found, _ATTRIBUTES.size, 0):
        return None
    return int(_ATTRIBUTES.unpack(found.raw)[5]) or None


def _schedule(policy: int, priority: int) -> None:
    with contextlib.suppress(OSError):  # the right to do so may be given; without it all goes as before
        os.sched_setscheduler(0, policy, os.sched_param(priority))


def _prioritise(priority: int) -> None:
    with contextlib.suppress(OSError):  # as above
        os.setpriority(os.PRIO_PROCESS, 0, priority)
