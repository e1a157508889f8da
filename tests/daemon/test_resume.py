"""A session goes on where the run stands, or says that nobody knows: never from the beginning by mistake."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from rig.daemon.intake import Intake
from rig.daemon.observers.phases import Phases
from rig.daemon.observers.record_observer import Announcer, LimitsInForce
from rig.daemon.observers.stimulus_sources import Sources
from rig.daemon.resume import Keeper, refuse_other_measures
from rig.domain import program_state
from rig.domain.layout_json import to_json
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, ChannelSource, EventKind, Layout, Limit, Scan, Side, Unit
from rig.domain.orders import Order, OrderKind
from rig.domain.program import Phase, PhaseTarget, Program
from rig.domain.program_state import PhaseStage
from rig.errors import UsageError
from rig.store import rundir, session_state
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter
from tests.daemon.live import DEAF_RIG, Logger, no_logger_left, soakrig
from tests.drivers.bus.scripted import ManualClock

__all__ = ["no_logger_left"]  # a fixture
S = 1_000_000_000
MAINS = Channel(
    name="mains", unit_of_measure="V", unit=None, kind=ChannelKind.STIMULUS,
    source=ChannelSource(instrument="meter", field="mains"), limits=(Limit(side=Side.HIGH, value=253.0),),
)  # fmt: skip


def phase(name: str, volts: float, high: float) -> Phase:
    return Phase(
        name=name, duration_s=10.0, settle_s=1.0, targets={"mains": PhaseTarget(value=volts, tolerance=3.0)},
        limits={"mains": (Limit(side=Side.HIGH, value=high),)},
    )  # fmt: skip


PROGRAM = Program(phases=(phase("low", 207.0, 215.0), phase("high", 253.0, 260.0)), order=("low", "high"))
LAYOUT = Layout(
    rig="room",
    units={"A1": Unit(name="A1", serial="1", load="", channels=())},
    channels={"mains": MAINS},
    instruments={},
    program=PROGRAM,
)


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    return rundir.create(tmp_path, rig="room", created_ns=10**18, software="test")


def session(run: RunDir, *progress: dict[str, Any]) -> None:
    """Record a session that ended without a stop, with events about the program."""
    config = rundir.freeze_config(run, "rig: room\n", to_json(LAYOUT))
    writer = RunWriter(
        run, session=rundir.next_session(run), boot_id="b", boot_ns=0, utc_ns=10**18, synchronised=True,
        blocks=[("mains",)], software="test", host="test", config=config,
    )  # fmt: skip
    for at, one in enumerate(progress):
        writer.event(EventKind.PHASE, at, str(one["phase"]), "said", {"progress": one})
    writer.sync()


def keeper(run: RunDir, layout: Layout = LAYOUT) -> Keeper:
    return Keeper(run, layout, rundir.freeze_config(run, "rig: room\n", to_json(layout)), "eve@rack")


@dataclass
class Shell:
    """The program of a session whose clock and readings the test plays."""

    run: RunDir
    said: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    clock: ManualClock = field(default_factory=ManualClock)

    def __post_init__(self) -> None:
        self.keeper = keeper(self.run)
        self.evaluation = Evaluation([("mains",)], LAYOUT.channels, self.clock.boot_ns())
        self.limits = LimitsInForce(
            layout=LAYOUT,
            evaluation=self.evaluation,
            announce=Announcer(Intake(), self.clock),
            clock=self.clock,
        )
        self.phases = Phases(
            program=PROGRAM, layout=LAYOUT, blocks=[("mains",)], stale_s={"mains": 5.0}, limits=self.limits,
            sources=Sources(specs={}, channels=LAYOUT.channels, blocks=[("mains",)], send=_nobody,
                            announce=self._announce, clock=self.clock),
            keeper=self.keeper, announce=self._announce, clock=self.clock,
        )  # fmt: skip

    def _announce(
        self, kind: EventKind, subject: str, text: str, data: Any, boot_ns: int | None = None
    ) -> None:
        self.said.append((text, dict(data)))

    def live(self, seconds: float, volts: float) -> None:
        for _ in range(round(seconds * 10)):
            self.clock.advance(0.1)
            now_ns = self.clock.boot_ns()
            self.phases.scan(
                Scan(block=0, sent_ns=now_ns, received_ns=now_ns, values=(volts,), statuses=b"\0")
            )
            self.phases.tick()

    def whats(self) -> list[str]:
        return [str(data["what"]) for _, data in self.said]

    def high(self) -> float:
        return self.limits.channels()["mains"].limits[0].value


def _nobody(*_: Any) -> None:
    raise AssertionError("no source is configured")


def test_a_new_run_begins_at_the_first_phase_with_its_limits(run: RunDir) -> None:
    shell = Shell(run)
    assert shell.whats() == ["due"]
    assert shell.high() == 215.0
    shell.live(2.0, 207.0)
    assert shell.whats() == ["due", "reached"]
    assert shell.said[1][1]["limits"]["mains"][0]["value"] == 215.0


def test_the_next_session_goes_on_where_the_last_was_kept(run: RunDir) -> None:
    first = Shell(run)
    first.live(6.0, 207.0)
    first.phases.close()
    session(run)
    second = Shell(run)
    text, data = second.said[0]
    assert data["what"] == "resumed"
    assert "its targets must be met again" in text
    assert data["done_s"] == pytest.approx(5.0, abs=0.5)
    second.live(9.0, 207.0)
    assert second.whats() == ["resumed", "back", "done", "due"]
    assert second.high() == 260.0  # on the way from low to high, either is allowed


def test_without_the_kept_state_the_journals_say_where_the_program_was(run: RunDir) -> None:
    kept = program_state.to_json(
        program_state.Progress(at=1, stage=PhaseStage.RUNNING, done_s=4.0, before="low"), PROGRAM.steps
    )
    session(run, {"phase": "low"}, kept)
    (run.path / session_state.NAME).write_text("{")
    shell = Shell(run)
    assert shell.said[0][1]["what"] == "resumed"
    assert shell.said[0][1]["phase"] == "high"
    assert any(one.kind is EventKind.DAMAGE for one in shell.keeper.findings)


def test_where_nobody_knows_the_strictest_limits_hold_until_somebody_says(run: RunDir) -> None:
    session(run)
    shell = Shell(run)
    text, data = shell.said[0]
    assert data["what"] == "unknown"
    assert "strictest limits of all phases" in text
    assert shell.high() == 215.0
    shell.live(30.0, 207.0)
    assert shell.whats() == ["unknown"]
    shell.phases.move(Order(id="x" * 8, kind=OrderKind.PHASE, by="eve", asked_ns=0, data={"to": "high"}))
    assert shell.whats() == ["unknown", "due"]
    assert shell.said[1][1]["by"] == "eve"
    assert shell.high() == 260.0


def test_after_a_pre_flight_the_program_begins_at_its_first_phase(run: RunDir) -> None:
    # its session knows of the program and does not drive it
    keeper(run).save()
    session(run)
    assert Shell(run).whats() == ["due"]


def test_a_session_that_drives_no_program_does_not_make_a_lost_place_look_like_none(run: RunDir) -> None:
    session(run)
    preflight = keeper(run)
    assert preflight.lost
    assert preflight.save()
    assert Shell(run).whats() == ["unknown"]


def test_a_run_that_had_no_program_begins_one_when_the_rig_file_gets_it(run: RunDir) -> None:
    bare = replace(LAYOUT, program=None)
    config = rundir.freeze_config(run, "rig: bare\n", to_json(bare))
    RunWriter(
        run, session=1, boot_id="b", boot_ns=0, utc_ns=10**18, synchronised=True, blocks=[("mains",)],
        software="test", host="test", config=config,
    ).sync()  # fmt: skip
    assert Shell(run).whats() == ["due"]


def test_another_rig_file_than_the_last_sessions_is_told_with_what_it_changed(run: RunDir) -> None:
    keeper(run).save()
    hotter = replace(MAINS, limits=(Limit(side=Side.HIGH, value=260.0),))
    other = replace(LAYOUT, channels={"mains": hotter}, units={})
    config = rundir.freeze_config(run, "rig: other\n", to_json(other))
    (found,) = Keeper(run, other, config, "eve@rack").findings
    assert found.kind is EventKind.CONFIG_CHANGE
    assert "mains: high 253 V -> high 260 V" in found.text
    assert "unit A1" in found.text
    assert found.data["by"] == "eve@rack"


def test_a_channel_in_another_unit_of_measure_than_earlier_in_the_run_is_refused(run: RunDir) -> None:
    session(run)
    refuse_other_measures(run, LAYOUT)
    bare = replace(LAYOUT, channels={})
    config = rundir.freeze_config(run, "rig: bare\n", to_json(bare))
    RunWriter(
        run, session=2, boot_id="b", boot_ns=0, utc_ns=10**18, synchronised=True, blocks=[], software="test",
        host="test", config=config,
    ).close()  # fmt: skip
    # left out for a while and back in another unit: not only the session before counts
    other = replace(LAYOUT, channels={"mains": replace(MAINS, unit_of_measure="kV")})
    with pytest.raises(UsageError, match=r"^mains was recorded in V in the run .* the rig file now says kV"):
        refuse_other_measures(run, other)
    refuse_other_measures(run, replace(LAYOUT, channels={"supply": other.channels["mains"]}))


@pytest.mark.slow
def test_the_logger_does_not_go_on_in_a_run_with_another_unit_of_measure(tmp_path: Path) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(DEAF_RIG, "utf-8")
    logger = Logger(file)  # nothing listens there: whether the instrument answers does not matter
    logger.until_event(EventKind.SESSION_START)
    assert logger.stop() == 0
    before = sorted(path.name for path in logger.run.rglob("*"))
    file.write_text(DEAF_RIG.replace("unit: degC", "unit: K"), "utf-8")
    refused = soakrig("log", file)
    assert refused.returncode == UsageError.exit_code
    assert "ambient was recorded in degC in the run" in refused.stderr
    assert sorted(path.name for path in logger.run.rglob("*")) == before
    assert soakrig("log", file, "--new", "--for", "100 ms").returncode == 0
