"""The program of a session with several groups, with a clock and readings that the test plays."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rig.daemon.intake import Intake
from rig.daemon.observers.phases import Phases
from rig.daemon.observers.record_observer import Announcer, LimitsInForce
from rig.daemon.observers.stimulus_sources import Sources
from rig.daemon.order_handlers import OrderHandlers
from rig.daemon.resume import Keeper
from rig.domain.accounting import LevelPlan
from rig.domain.layout_json import to_json
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    EventKind,
    Layout,
    Limit,
    Scan,
    Side,
    Signals,
    Unit,
)
from rig.domain.orders import Order, OrderKind
from rig.domain.program import Duty, Phase, PhaseTarget, Program, StimulusSource
from rig.store import rundir, session_state
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter
from tests.drivers.bus.scripted import ManualClock

NAMES = ("mains_a", "mains_b", "ambient", "A1.volts", "A2.volts", "B1.volts")
BLOCK = [NAMES]
FINE = {
    "mains_a": 207.0,
    "mains_b": 207.0,
    "ambient": 25.0,
    **{f"{u}.volts": 28.0 for u in ("A1", "A2", "B1")},
}


def channel(name: str) -> Channel:
    unit = name.partition(".")[0] if "." in name else None
    kind = ChannelKind.RESPONSE if unit else ChannelKind.STIMULUS
    return Channel(
        name=name, unit_of_measure="V", unit=unit, kind=kind,
        source=ChannelSource(instrument="meter", field=name), limits=(Limit(side=Side.HIGH, value=400.0),),
    )  # fmt: skip


def unit(name: str, mains: str | None) -> Unit:
    level = None if mains is None else LevelPlan(channel=mains, on_above=100.0, off_below=90.0)
    return Unit(
        name=name, serial=f"S{name}", load="", channels=(f"{name}.volts",), signals=Signals(mains=level)
    )


def phase(name: str, volts: float, seconds: float, **more: Any) -> Phase:
    targets = {one: PhaseTarget(value=volts, tolerance=3.0) for one in ("mains_a", "mains_b")}
    targets["{unit}.volts"] = PhaseTarget(value=28.0, tolerance=2.0)
    limits = {one: (Limit(side=Side.HIGH, value=volts + 10),) for one in ("mains_a", "mains_b")}
    return Phase(
        name=name, duration_s=seconds, settle_s=1.0, targets=targets, limits=limits, time_out_s=60.0, **more
    )


PROGRAM = Program(phases=(phase("low", 207.0, 10.0), phase("high", 253.0, 5.0)), order=("low", "high"))


def rig(program: Program = PROGRAM, *, signals: bool = True) -> Layout:
    mains = {"A1": "mains_a", "A2": "mains_a", "B1": "mains_b"}
    return Layout(
        rig="room",
        units={name: unit(name, one if signals else None) for name, one in mains.items()},
        channels={name: channel(name) for name in NAMES},
        instruments={},
        program=program,
    )


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    return rundir.create(tmp_path, rig="room", created_ns=10**18, software="test")


class Shell:
    """The program of a session; ``said``: text and data of each event."""

    def __init__(self, run: RunDir, layout: Layout | None = None) -> None:
        self.layout = layout or rig()
        assert self.layout.program is not None
        self.said: list[tuple[str, dict[str, Any]]] = []
        self.sent: list[str] = []
        self.clock = ManualClock()
        self.values = dict(FINE)
        frozen = rundir.freeze_config(run, f"rig: room {len(self.layout.units)}\n", to_json(self.layout))
        self.keeper = Keeper(run, self.layout, frozen, "eve@rack")
        self.limits = LimitsInForce(
            layout=self.layout,
            evaluation=Evaluation(BLOCK, self.layout.channels, self.clock.boot_ns()),
            announce=Announcer(Intake(), self.clock),
            clock=self.clock,
        )
        sources = Sources(
            specs=self.layout.program.sources, channels=self.layout.channels, blocks=BLOCK,
            send=lambda _name, words, _done: self.sent.extend(words), announce=self._announce,
            clock=self.clock,
        )  # fmt: skip
        self.phases = Phases(
            program=self.layout.program, layout=self.layout, blocks=BLOCK,
            stale_s=dict.fromkeys(NAMES, 5.0), limits=self.limits, sources=sources, keeper=self.keeper,
            announce=self._announce, clock=self.clock,
        )  # fmt: skip
        self.orders = OrderHandlers(
            run=run, layout=self.layout, keeper=self.keeper, announce=self._announce, limits=self.limits,
            phases=self.phases,
        ).handlers()  # fmt: skip

    def _announce(
        self, kind: EventKind, subject: str, text: str, data: Mapping[str, Any], boot_ns: int | None = None
    ) -> None:
        self.said.append((text, {**data, "kind": kind}))

    def live(self, seconds: float, **values: float) -> None:
        """Let time pass with these readings; ``A1`` stands for the volts of A1."""
        self.values |= {
            f"{name}.volts" if f"{name}.volts" in FINE else name: one for name, one in values.items()
        }
        for _ in range(round(seconds * 10)):
            self.clock.advance(0.1)
            now_ns = self.clock.boot_ns()
            readings = tuple(self.values[name] for name in NAMES)
            self.phases.scan(
                Scan(block=0, sent_ns=now_ns, received_ns=now_ns, values=readings, statuses=bytes(len(NAMES)))
            )
            self.phases.tick()

    def order(self, kind: OrderKind, **data: Any) -> None:
        self.orders[kind](Order(id="x" * 8, kind=kind, by="eve", asked_ns=0, data=data))

    def told(self, *group: str) -> list[tuple[str, str]]:
        """Return what was said of the phases of a group: what, and which phase."""
        return [
            (data["what"], data["phase"])
            for _, data in self.said
            if data["kind"] is EventKind.PHASE and data.get("group", []) == list(group)
        ]

    def last(self, what: str) -> tuple[str, dict[str, Any]]:
        return [one for one in self.said if one[1].get("what") == what][-1]

    def high(self, name: str) -> float:
        return self.limits.channels()[name].limits[0].value


def test_each_group_has_its_own_course_targets_and_limits(run: RunDir) -> None:
    shell = Shell(run)
    texts = [text for text, _ in shell.said]
    assert texts[0].startswith("ACTION: set mains_a to 207 ± 3 V, {unit}.volts to 28 ± 2 V")
    assert "(phase low for A1, A2, step 1 of 2); caution: mains voltage kills" in texts[0]
    assert "set mains_b to 207 ± 3 V" in texts[1]
    assert shell.said[0][1]["action"] is True
    assert set(shell.said[0][1]["targets"]) == {"mains_a", "{unit}.volts"}
    shell.live(8.0, mains_b=230.0)
    shell.live(5.0)
    assert shell.told("A1", "A2") == [("due", "low"), ("reached", "low"), ("done", "low"), ("due", "high")]
    assert shell.told("B1") == [("due", "low")]
    shell.live(3.0, mains_a=253.0)
    # A is in its phase at high mains; B still waits for low mains
    assert (shell.high("mains_a"), shell.high("mains_b")) == (263.0, 217.0)
    assert shell.high("ambient") == 400.0


def test_an_event_tells_the_limits_of_all_groups(run: RunDir) -> None:
    shell = Shell(run)
    shell.live(13.0)
    shell.live(3.0, mains_a=253.0)
    text, data = shell.last("reached")
    assert "for A1, A2" in text
    assert {name: limits[0]["value"] for name, limits in data["limits"].items()} == {
        "mains_a": 263.0, "mains_b": 263.0,
    }  # fmt: skip


def test_a_dead_unit_stops_nobody(run: RunDir) -> None:
    shell = Shell(run)
    shell.live(4.0)
    shell.live(20.0, A2=0.0)
    assert shell.told("A1", "A2")[-1] == ("left", "low")
    units = shell.last("left")[1]["units"]
    assert {name: one["stage"] for name, one in units.items()} == {"A1": "running", "A2": "left"}
    assert units["A1"]["done_s"] > units["A2"]["done_s"]
    shell.phases.take_part("A2", False)
    shell.live(0.3)
    text, _ = shell.last("leaves")
    assert text == (
        "A2 (serial number SA2) takes no part in the test program from now on; phase low for A1, A2 "
        "continues without it"
    )
    shell.live(8.0, mains_a=253.0, mains_b=253.0)
    assert shell.told("A1", "A2")[-1] == ("ended", "")


def test_a_note_that_a_unit_died_and_an_emptied_place_take_it_out_of_the_program(run: RunDir) -> None:
    shell = Shell(run)
    shell.order(OrderKind.NOTE, text="smoke", unit="A2", died=True)
    shell.live(0.3)
    assert shell.last("leaves")[0].startswith("A2 (serial number SA2)")
    shell.order(OrderKind.SWAP, unit="B1", serial="", text="out")
    shell.live(0.3)
    assert shell.last("leaves")[0].startswith("B1 (serial number SB1)")
    shell.live(13.0, A2=0.0, B1=0.0)
    assert shell.told("A1", "A2")[-1] == ("due", "high")
    # a spare in the place of the dead one takes part without being told to
    shell.order(OrderKind.SWAP, unit="A2", serial="SPARE", text="new one")
    shell.live(0.3, A2=28.0)
    assert shell.last("joins")[0].startswith("A2 (serial number SPARE) takes part in the test program")


def test_a_repaired_unit_is_given_what_it_lacks(run: RunDir) -> None:
    shell = Shell(run)
    shell.phases.take_part("A2", False)
    shell.live(13.0)
    shell.phases.take_part("A2", True)
    shell.live(8.0, mains_a=253.0, mains_b=253.0)
    assert shell.told("A1", "A2")[-1] == ("due", "low"), "A2 lacks all of it"
    assert "(phase low for A1, A2, step 1 of 2; only A2 still to do); caution" in shell.last("due")[0]
    shell.live(13.0, mains_a=207.0)
    assert shell.told("A1", "A2")[-1] == ("ended", "")
    assert shell.told("B1")[-1] == ("ended", "")


def test_a_serial_number_that_moves_to_another_group_brings_along_what_it_did(run: RunDir) -> None:
    shell = Shell(run)
    shell.live(13.0)
    shell.order(OrderKind.SWAP, unit="A2", serial="", text="")
    shell.live(0.3)
    shell.order(OrderKind.SWAP, unit="B1", serial="SA2", text="")
    shell.live(8.0, mains_a=253.0, mains_b=253.0)
    assert shell.told("B1")[-1] == ("ended", ""), "it had done the first phase in its old place"


def test_targets_that_stay_unmet_are_told_to_people_again(run: RunDir) -> None:
    shell = Shell(run)
    shell.live(61.0, mains_b=230.0)
    text, data = shell.last("overdue")
    assert data["action"] is True
    assert text.startswith("ACTION: set mains_b to 207 ± 3 V, now 230")
    assert "step 1 of 2; overdue for 1 min); caution: mains voltage kills, a variac does not isolate" in text
    shell.live(60.0)
    assert [one for one in shell.told("B1") if one[0] == "overdue"] == [("overdue", "low")] * 2
    assert "overdue" not in [what for what, _ in shell.told("A1", "A2")[:3]]


def test_a_hand_moves_one_group_or_all(run: RunDir) -> None:
    shell = Shell(run)
    shell.order(OrderKind.PHASE, to="next", unit="B1")
    assert shell.told("B1")[-1] == ("due", "high")
    assert shell.told("A1", "A2") == [("due", "low")]
    shell.order(OrderKind.PHASE, to="hold", text="lunch")
    assert shell.told("B1")[-1] == ("held", "high")
    assert shell.told("A1", "A2")[-1] == ("held", "low")
    shell.order(OrderKind.PHASE, to="go", unit="A1")
    # one of two can still be held: that is done, and only if none could it is refused
    shell.order(OrderKind.PHASE, to="hold")
    with pytest.raises(ValueError, match="hold is not possible now"):
        shell.order(OrderKind.PHASE, to="hold")
    with pytest.raises(ValueError, match="there is no position 'C9'"):
        shell.order(OrderKind.PHASE, to="go", unit="C9")


def close(shell: Shell, run: RunDir) -> None:
    shell.phases.close()
    writer = RunWriter(
        run, session=rundir.next_session(run), boot_id="b", boot_ns=0, utc_ns=10**18, synchronised=True,
        blocks=BLOCK, software="test", host="test", config=shell.keeper.config,
    )  # fmt: skip
    for at, (text, data) in enumerate(shell.said):
        if data["kind"] is EventKind.PHASE:
            plain = {name: value for name, value in data.items() if name != "kind"}
            writer.event(EventKind.PHASE, at, data["phase"], text, plain)
    writer.sync()


def test_the_next_session_goes_on_with_each_group_and_each_serial_number(run: RunDir) -> None:
    first = Shell(run)
    first.phases.take_part("A2", False)
    first.live(13.0, mains_b=230.0)
    close(first, run)
    second = Shell(run)
    assert second.told("A1", "A2") == [("resumed", "high")]
    assert second.told("B1") == [("resumed", "low")]
    second.live(8.0, mains_a=253.0, mains_b=230.0, A2=0.0)
    assert second.told("A1", "A2")[-1] == ("ended", ""), "the dead one is known to take no part"
    # another serial number in its place is another matter
    second.order(OrderKind.SWAP, unit="A2", serial="SPARE", text="")
    second.live(0.3, A2=28.0, mains_a=207.0)
    assert second.told("A1", "A2")[-1] == ("due", "low")


def test_without_the_kept_state_the_journals_say_where_each_group_was(run: RunDir) -> None:
    first = Shell(run)
    first.live(13.0, mains_b=230.0)
    close(first, run)
    (run.path / session_state.NAME).write_text("{")
    second = Shell(run)
    assert second.told("A1", "A2") == [("resumed", "high")]
    assert second.told("B1") == [("resumed", "low")]


def test_a_group_of_which_nothing_is_known_does_not_begin_anew(run: RunDir) -> None:
    first = Shell(run)
    first.live(13.0, mains_b=230.0)
    first.said = [one for one in first.said if one[1].get("group") != ["B1"]]
    close(first, run)
    (run.path / session_state.NAME).write_text("{")
    assert Shell(run).told("B1") == [("unknown", "")]


def test_a_state_of_one_program_per_rig_is_where_every_group_goes_on(run: RunDir) -> None:
    whole = Shell(run, rig(signals=False))
    assert whole.told() == [("due", "low")]
    whole.live(13.0)
    assert whole.told()[-1] == ("due", "high")
    close(whole, run)
    file = run.path / session_state.NAME
    state = json.loads(file.read_text())
    del state["program"]["serials"]  # as it was written before there were groups
    file.write_text(json.dumps(state))
    divided = Shell(run)
    assert divided.told("A1", "A2") == [("resumed", "high")]
    divided.live(8.0, mains_a=253.0, mains_b=253.0)
    assert divided.told("B1")[-1] == ("ended", "")


def test_software_that_knows_no_groups_finds_the_group_that_is_least_far(run: RunDir) -> None:
    shell = Shell(run)
    shell.live(13.0, mains_b=230.0)
    shell.phases.close()
    program = json.loads((run.path / session_state.NAME).read_text())["program"]
    assert (program["at"], program["phase"], program["of"]) == (0, "low", 2)
    assert [one["units"] for one in program["groups"]] == [["A1", "A2"], ["B1"]]


def test_one_group_says_and_keeps_what_it_always_did(run: RunDir) -> None:
    shell = Shell(run, rig(signals=False))
    shell.live(13.0)
    for _, data in shell.said:
        assert set(data) - {"kind", "action", "limits", "targets", "planned_s", "planned_cycles", "load"} == {
            "what", "phase", "pass", "stage", "done_s", "cycles", "progress", "why",
        }  # fmt: skip
        assert set(data["progress"]) == {
            "at", "of", "phase", "pass", "stage", "before", "done_s", "cycles", "warm_s",
        }  # fmt: skip
    assert "groups" not in shell.keeper.program
    text = shell.said[0][0]
    assert text.startswith("ACTION: set mains_a to 207 ± 3 V, mains_b to 207 ± 3 V, {unit}.volts to 28 ± 2 V")
    assert "(phase low, step 1 of 2)" in text


BURST = replace(
    phase("high", 253.0, 60.0), targets={}, limits={}, time_out_s=None,
    drive=Duty(channel="A1.volts", on_above=5.0, on_s=2.0, off_s=1.0), count=6, duration_s=None,
)  # fmt: skip


def test_another_unit_of_the_group_shows_the_drive_when_the_named_one_is_dead(run: RunDir) -> None:
    program = Program(phases=(BURST,), order=("high",))
    shell = Shell(run, rig(program, signals=False))

    def burst(dead: str) -> None:
        for second in range(12):
            on = 28.0 if second % 3 < 2 else 0.0
            shell.live(1.0, **{name: 0.0 if name == dead else on for name in ("A1", "A2", "B1")})

    burst("")
    assert shell.phases.groups[0].state.lead.cycles == 4
    burst("A1")
    assert shell.told()[-1] == ("left", "high")
    shell.phases.take_part("A1", False)
    burst("A1")
    told = [text for text, data in shell.said if data.get("what") == "witness"]
    assert told == ["phase high: the drive is read at A2.volts from now on: A1 takes no part"]
    assert shell.told()[-1] == ("ended", "")


SET = StimulusSource(instrument="variac", command="SET {value:.0f}", lowest=0.0, highest=260.0, scale=1.0)


def test_a_source_is_set_for_its_own_group_and_left_alone_by_the_others(run: RunDir) -> None:
    program = replace(PROGRAM, sources={"mains_a": SET, "mains_b": replace(SET, command="B {value:.0f}")})
    shell = Shell(run, rig(program))
    shell.live(0.5, mains_a=230.0, mains_b=230.0)
    assert shell.sent == ["SET 207", "B 207"]
    shell.live(13.0, mains_a=207.0)
    assert shell.sent == ["SET 207", "B 207", "SET 253"]
