"""Alerts that die are missed by the logger, which starts them again and says so in the record."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from rig.daemon.alerts_process import LONGEST_WAIT_S, AlertsProcess
from rig.domain.model import EventKind
from rig.errors import RunInUseError
from rig.store.rundir import Lock
from tests.daemon.live import DEAF_RIG, Logger, no_logger_left
from tests.drivers.bus.scripted import ManualClock

DIES = (sys.executable, "-c", "import os; os.kill(os.getpid(), 9)")
GIVES_WAY = (sys.executable, "-c", "import sys; sys.exit(6)")
STAYS = (sys.executable, "-c", "import time; time.sleep(60)")

RIG = DEAF_RIG + "alerts: {ways: {nobody: {command: {run: [/bin/true]}}}}\n"
__all__ = ["no_logger_left"]  # a fixture


class Beside:
    """A logger's view of its alerts. The clock is the test's; the processes are real."""

    def __init__(self, run: Path, command: tuple[str, ...]) -> None:
        self.clock = ManualClock()
        self.said: list[tuple[str, dict[str, Any]]] = []
        self.alerts_process = AlertsProcess(run, self._announce, self.clock, command)
        self.alerts_process.start()

    def _announce(
        self, kind: EventKind, subject: str, text: str, data: Any, boot_ns: int | None = None
    ) -> None:
        assert kind is EventKind.LOGGER_FAULT
        self.said.append((text, dict(data)))

    def look(self, seconds: float) -> None:
        """Let so much time pass, looking all the while."""
        for _ in range(round(seconds / 2.5)):
            self.clock.advance(2.5)
            self.alerts_process.look()

    def end_of_process(self) -> int:
        assert self.alerts_process._process is not None
        return self.alerts_process._process.wait(20)


@pytest.fixture
def beside(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Beside]:
    made = Beside(tmp_path, request.param)
    yield made
    assert made.alerts_process._process is not None
    made.alerts_process._process.kill()
    made.alerts_process._process.wait(20)


@pytest.mark.parametrize("beside", [DIES], indirect=True)
def test_alerts_that_die_are_told_and_started_again_after_longer_and_longer_waits(beside: Beside) -> None:
    for times in range(1, 5):
        before = beside.alerts_process._process
        assert beside.end_of_process() == -9
        beside.look(2.5)
        assert len(beside.said) == times
        text, data = beside.said[-1]
        assert "alerts process ended (exit -9): no alerts until its restart" in text
        assert data["wait_s"] == 2.0**times
        beside.look(data["wait_s"] + 5.0)
        assert beside.alerts_process._process is not before
    assert LONGEST_WAIT_S <= 3600, "never given up"


@pytest.mark.parametrize("beside", [STAYS], indirect=True)
def test_alerts_that_run_are_left_alone(beside: Beside) -> None:
    before = beside.alerts_process._process
    beside.look(100.0)
    assert beside.said == []
    assert beside.alerts_process._process is before


@pytest.mark.parametrize("beside", [GIVES_WAY], indirect=True)
def test_while_another_process_tells_of_the_run_none_is_started(beside: Beside, tmp_path: Path) -> None:
    (tmp_path / "alerts").mkdir()
    before = beside.alerts_process._process
    assert beside.end_of_process() == RunInUseError.exit_code
    with Lock(tmp_path / "alerts" / "lock").acquire("a service of its own"):
        beside.look(100.0)
        assert beside.alerts_process._process is before
    beside.look(10.0)
    assert beside.alerts_process._process is not before, "the other ended: somebody has to"
    assert beside.said == [], "all the while somebody told"


@pytest.mark.slow
def test_a_logger_whose_alerts_are_killed_starts_them_again(tmp_path: Path) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(RIG, "utf-8")
    logger = Logger(file)

    def alerts() -> list[psutil.Process]:
        children = psutil.Process(logger.process.pid).children()
        return [one for one in children if "rig.alerts" in one.cmdline()]

    logger.until(lambda: len(alerts()) == 1, "alerts")
    (killed,) = alerts()
    killed.kill()
    assert "exit -9" in logger.until_event(EventKind.LOGGER_FAULT).text
    logger.until(lambda: [one for one in alerts() if one.pid != killed.pid] != [], "alerts started again")
    assert logger.stop() == 0


def test_a_run_without_alerts_has_none_to_look_after(tmp_path: Path) -> None:
    def announce(*_args: object, **_more: object) -> None:
        pytest.fail("nothing was started")

    alerts_process = AlertsProcess(tmp_path, announce, ManualClock(), DIES)
    alerts_process.look()
    alerts_process.end()
