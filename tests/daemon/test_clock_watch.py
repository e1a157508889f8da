"""Steps of the wall clock and suspends are told from a process merely halted between two readings."""

from __future__ import annotations

import pytest

from rig.clock import SystemClock
from rig.daemon.logger_watchers import STEP_NS, UNSURE_NS, ClockWatch
from rig.domain.model import EventKind

SECOND_NS = 1_000_000_000


class HaltingClock(SystemClock):
    """Time that a test moves; after each reading of the wall or monotonic clock it may stand ``halt_ns``."""

    def __init__(self) -> None:
        self.now_ns = 5 * SECOND_NS
        self.wall_ns = 1_700_000_000 * SECOND_NS
        self.slept_ns = 0
        self.halts: list[int] = []

    def _halt(self) -> None:
        self.now_ns += self.halts.pop(0) if self.halts else 0

    def boot_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        read_ns = self.wall_ns + self.now_ns
        self._halt()
        return read_ns

    def monotonic_ns(self) -> int:
        read_ns = self.now_ns - self.slept_ns
        self._halt()
        return read_ns


def watched(clock: HaltingClock) -> tuple[ClockWatch, list[EventKind]]:
    told: list[EventKind] = []

    def announce(kind: EventKind, *_: object, **__: object) -> None:
        told.append(kind)

    return ClockWatch(announce, clock), told


@pytest.mark.parametrize("halts", [[2 * STEP_NS], [20 * STEP_NS] * 4, [20 * STEP_NS] * 50])
def test_a_process_halted_between_two_readings_is_no_step(halts: list[int]) -> None:
    clock = HaltingClock()
    watch, told = watched(clock)
    clock.halts = list(halts)
    watch.look()
    clock.halts = []
    watch.look()
    assert told == []


@pytest.mark.parametrize(("moved_ns", "expected"), [(STEP_NS, []), (STEP_NS + 1, [EventKind.CLOCK_STEP])])
def test_a_step_is_told_from_just_above_its_limit(moved_ns: int, expected: list[EventKind]) -> None:
    clock = HaltingClock()
    watch, told = watched(clock)
    clock.wall_ns += moved_ns
    watch.look()
    assert told == expected


@pytest.mark.parametrize(("ahead_ns", "expected"), [(0, []), (1, [EventKind.CLOCK_STEP])])
def test_a_clock_steered_as_fast_as_the_kernel_can_is_not_told_as_a_step(
    ahead_ns: int, expected: list[EventKind]
) -> None:
    """adjtimex(2): a tick of 1,100,000 us a second at most; looks may be seconds apart on a busy machine."""
    clock = HaltingClock()
    watch, told = watched(clock)
    for _ in range(3):
        clock.now_ns += 10 * SECOND_NS
        clock.wall_ns += SECOND_NS
        watch.look()
    assert told == []
    clock.now_ns += 10 * SECOND_NS
    clock.wall_ns += SECOND_NS + STEP_NS + ahead_ns
    watch.look()
    assert told == expected


def test_a_step_missed_by_an_unsure_look_is_told_by_the_next() -> None:
    clock = HaltingClock()
    watch, told = watched(clock)
    clock.wall_ns -= 4 * STEP_NS
    clock.halts = [2 * UNSURE_NS + 2] * 50
    watch.look()
    assert told == []
    clock.halts = [2 * UNSURE_NS - 2] * 50
    watch.look()
    assert told == [EventKind.CLOCK_STEP]


def test_a_suspend_is_a_gap() -> None:
    clock = HaltingClock()
    watch, told = watched(clock)
    clock.now_ns += 40 * SECOND_NS
    clock.slept_ns += 40 * SECOND_NS
    watch.look()
    assert told == [EventKind.GAP]
