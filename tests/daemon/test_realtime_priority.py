"""The logger asks to be woken in time, for its threads too, and its helpers come after it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading

import pytest

from rig.daemon import realtime_priority

TURNS = pytest.mark.skipif(
    tuple(int(one) for one in os.uname().release.split(".")[:2]) < (6, 12)
    or realtime_priority.turn_ns() is None,
    reason="the kernel lets nobody ask for short turns (Linux 6.12 does)",
)


def state() -> tuple[float, int, int, int | None]:
    return (
        sys.getswitchinterval(), os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0),
        realtime_priority.turn_ns(),
    )  # fmt: skip


@pytest.fixture
def _no_rights(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the system refuse real-time priority, as it does to most users."""

    def refused(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "sched_setscheduler", refused)


def may_be_real_time() -> bool:
    try:
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    except OSError:
        return False
    return True


def test_the_recording_process_is_prompt_and_becomes_itself_again() -> None:
    before = state()
    policy = os.SCHED_RR if may_be_real_time() else os.SCHED_OTHER
    with realtime_priority.raised_priority():
        assert sys.getswitchinterval() == pytest.approx(realtime_priority.SWITCH_S)
        assert os.getpriority(os.PRIO_PROCESS, 0) <= before[2]
        assert os.sched_getscheduler(0) == policy
    assert state() == before


@pytest.mark.usefixtures("_no_rights")
def test_without_rights_it_is_as_prompt_as_it_may() -> None:
    before = state()
    with realtime_priority.raised_priority():
        assert os.sched_getscheduler(0) == os.SCHED_OTHER
        assert sys.getswitchinterval() == pytest.approx(realtime_priority.SWITCH_S)
    assert state() == before


@TURNS
@pytest.mark.usefixtures("_no_rights")
def test_threads_made_meanwhile_have_short_turns_too() -> None:
    found: list[int | None] = []
    with realtime_priority.raised_priority():
        thread = threading.Thread(target=lambda: found.append(realtime_priority.turn_ns()))
        thread.start()
        thread.join()
    assert found == [realtime_priority.TURN_NS]


@TURNS
def test_a_helper_that_gives_way_has_long_turns_and_comes_later() -> None:
    said = (
        "import os; from rig.daemon.realtime_priority import turn_ns; print(turn_ns(), os.getpriority(0, 0))"
    )
    usual = realtime_priority.turn_ns()
    with realtime_priority.raised_priority():
        found = subprocess.run(
            [sys.executable, "-c", said],
            preexec_fn=realtime_priority.give_way,
            capture_output=True,
            text=True,
            check=True,
        )
    assert found.stdout.split() == [str(usual), str(realtime_priority.BEHIND)]


def test_a_thread_under_another_policy_is_left_as_it_is() -> None:
    found: list[tuple[bool, int]] = []

    def work() -> None:
        os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))
        found.append((realtime_priority.ask_for_turns(realtime_priority.TURN_NS), os.sched_getscheduler(0)))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert found == [(False, os.SCHED_BATCH)]
