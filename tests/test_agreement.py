"""Whoever is asked says the same of one recording: what left its limits, and which limits were in force.

The recordings are made by the store's writer and the live evaluation (``tests.recorder``). What truly
happened is written beside each scenario, from the rule of ISA-18.2 alone; then the code of every command is
asked.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from rig import forensics, notebook
from rig.alerts.alarms import Alarms
from rig.domain.limit_history import limit_spans
from rig.domain.model import EventKind, Layout, Status
from rig.endurance import run_account
from rig.endurance.event_search import EventQuery, matches
from rig.endurance.held_readings import HeldReadings
from rig.endurance.run_identity import RunIdentity
from rig.endurance.run_summary import summary
from rig.endurance.verdict import Decision, Rule, RunVerdict
from rig.forensics.answer import PostMortem, Role
from rig.reliability.run_digest import digest
from rig.render.channel_survey import survey
from rig.rigfile.alerts_section import Alerts
from rig.store.reader import RunReader
from rig.view.feed import Feed
from rig.view.past import PastSnapshots
from tests.recorder import UTC_NS, Recorder, S, channel, layout, limit

One = tuple[str, str, float]
"""Channel, side, and when it was first seen out, seconds from the beginning of the run."""
HOT = channel("A1.heat", limit("high", 95.0, deadband=2.0, on_delay_s=5.0))
VOLTS = channel("A1.volts", limit("low", 20.0, deadband=0.5), measure="V")
COOL = channel("A2.heat", limit("high", 95.0, early=85.0))
MAINS = channel("mains", limit("high", 253.0), limit("low", 207.0, on_delay_s=2.0), measure="V")
ROOM = layout(HOT, VOLTS, COOL, MAINS)
CALM = {"A1.heat": 80.0, "A1.volts": 24.0, "A2.heat": 70.0, "mains": 230.0}


def at(t_ns: int) -> float:
    return round((t_ns - UTC_NS) / S, 3)


# ---- what each command's own code says


def by_report(run: RunReader) -> list[One]:
    found = survey(run, 100).values()
    return sorted((e.channel, e.side.value, at(e.start_ns)) for one in found for e in one.excursions)


def by_notebook(run: RunReader) -> list[One]:
    found = notebook.open_run(run.path).excursions()
    return sorted((e.channel, e.side.value, at(e.first_outside.t_ns)) for e in found)


def by_post_mortem(run: RunReader) -> list[One]:
    every = {s.channel: s for unit in run.layout.units for s in forensics.analyse(run, unit).channels}
    return sorted(
        (e.channel, e.side.value, at(e.first_outside.t_ns)) for s in every.values() for e in s.excursions
    )


def by_account(run: RunReader) -> list[One]:
    found = run_account.account(run).margins
    return sorted((e.channel, e.side.value, at(e.start_ns)) for worst in found for e in worst.excursions)


def facts(run: RunReader) -> RunIdentity:
    return RunIdentity(run=run.dir.id, name="run", rig="room", where="here", state="", created_ns=UTC_NS)


def by_search(run: RunReader) -> list[One]:
    return sorted((one.subject, one.side, at(one.start_ns)) for one in matches(run, facts(run), EventQuery()))


def by_watch(run: RunReader) -> list[One]:
    room = Feed(run.path).live
    return sorted((e.channel, e.side, at(e.began_ns)) for e in room.excursions.all())


def by_watch_of_the_past(run: RunReader) -> list[One]:
    past = PastSnapshots(run.path, "2030-03-17T17:46:40+00:00")
    past.at_ns = run.span[1]
    return sorted((e.channel, e.side, at(e.began_ns)) for e in past.look().excursions)


EVERYBODY: dict[str, Callable[[RunReader], list[One]]] = {
    "report": by_report,
    "notebook": by_notebook,
    "post-mortem": by_post_mortem,
    "account": by_account,
    "search": by_search,
    "watch": by_watch,
    "watch of the past": by_watch_of_the_past,
}


def per_unit(run: RunReader, found: list[One]) -> dict[str, int]:
    """Return excursions by unit, '' for the room, as ``ls`` lists them."""
    return dict(Counter(run.layout.channels[name].unit or "" for name, _, _ in found))


def agreed(run: RunReader) -> list[One]:
    """Return the excursions of a run, after asking everybody."""
    answers = {name: ask(run) for name, ask in EVERYBODY.items()}
    first = answers["report"]
    assert answers == dict.fromkeys(answers, first)
    assert dict(summary(run, facts(run), 0).excursions) == per_unit(run, first)
    by_stay = digest(run, facts(run)).installations
    units = {unit: sum(stay.excursions for stay in by_stay if stay.unit == unit) for unit in run.layout.units}
    assert units == {unit: per_unit(run, first).get(unit, 0) for unit in run.layout.units}
    _lasting(run)
    _verdict_and_alerts(run, first)
    _deaths_phases_and_hours(run)
    return first


def _deaths_phases_and_hours(run: RunReader) -> None:
    """Ask everybody who died, which phase is in force at the end, and for how long each unit was logged."""
    account, stays = run_account.account(run), digest(run, facts(run)).installations
    dead = {one.serial for one in account.deaths}
    assert {one.serial for one in stays if one.death is not None} == dead
    judged = [unit for unit in verdict_on(run).units if any(r.rule is Rule.DEATH for r in unit.reasons)]
    assert {unit.serial for unit in judged} == dead
    assert [(one.unit, one.serial, one.observed_s / 3600) for one in account.exposures] == [
        (one.unit, one.serial, one.observed_h) for one in stays
    ]
    forces = HeldReadings(run).forces()
    last = {one.group: one.phase for one in forces if one.end_ns == account.span_ns[1]}
    shown = Feed(run.path).live.phases
    assert {group: one.view.name for group, one in shown.items()} == last


def _lasting(run: RunReader) -> None:
    """Ask everybody what never came back."""
    out = {e.channel for one in survey(run, 100).values() for e in one.excursions if e.end_ns is None}
    assert {name for name, _ in Feed(run.path).live.excursions.active} == out
    assert {one.subject for one in matches(run, facts(run), EventQuery()) if one.end_ns is None} == out
    assert set(run.event_summary().still_out) == out
    assert {e.channel for e in notebook.open_run(run.path).excursions() if e.returned is None} == out


def verdict_on(run: RunReader) -> RunVerdict:
    return run_account.judged(run, run_account.account(run))


def _verdict_and_alerts(run: RunReader, found: list[One]) -> None:
    """The verdict fails a unit by its limits, and alerts open an alarm, where there was an excursion."""
    blamed = {
        reason.evidence.channel
        for unit in verdict_on(run).units
        for reason in unit.reasons
        if reason.rule is Rule.LIMIT and reason.outcome is Decision.FAIL
    }
    assert blamed == {name for name, _, _ in found if run.layout.channels[name].unit is not None}
    alarms = Alarms(Alerts(settle_s=86_400.0), run.layout)
    for event in run.events():
        alarms.take(event)
    limits = [one for one in alarms.open.values() if one.category == "limits"]
    times = {(one.subject, one.side): one.times for one in limits}
    assert times == Counter((name, side) for name, side, _ in found)


def same_limits(recorder: Recorder, run: RunReader) -> None:
    """The limits that the live evaluation judged by are those that everybody finds in force afterwards."""
    events = run.events()
    for name in run.layout.channels:
        spans = limit_spans(name, run.layout, events, run.layouts)
        for t_ns, judged in recorder.trace:
            (now,) = [
                one
                for one in spans
                if (one.start_ns is None or one.start_ns <= t_ns)
                and (one.end_ns is None or t_ns < one.end_ns)
            ]
            assert now.limits == judged[name], (name, at(t_ns))
    last = recorder.trace[-1][1]
    assert {name: one.limits for name, one in Feed(run.path).live.layout.channels.items()} == last


def post_mortem(run: RunReader, unit: str = "A1") -> PostMortem:
    return forensics.analyse(run, unit)


# ---- scenarios


def test_two_minutes_about_the_limit_in_which_no_on_delay_ever_runs_are_no_excursion(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, ROOM)
    course = [*[80.0] * 300, *[100.0, 94.0] * 60, *[80.0] * 300]
    recorder.scans(CALM, A1__heat=course)
    run = recorder.finish()
    assert agreed(run) == []
    found = post_mortem(run)
    assert [one.role for one in found.findings if one.main] == [Role.NONE]
    assert verdict_on(run).units[0].reasons[0].outcome is not Decision.FAIL


def test_a_single_stray_reading_is_an_excursion_that_blames_nobody(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, layout(channel("A1.heat", limit("high", 95.0)), VOLTS, COOL, MAINS))
    recorder.scans(CALM, A1__heat=[*[84.0] * 200, 96.5, *[84.0] * 200])
    run = recorder.finish()
    assert agreed(run) == [("A1.heat", "high", 200.0)]
    found = post_mortem(run)
    assert [one.role for one in found.findings if one.main] == [Role.NONE]
    assert found.order.channels == ()
    assert "single-sample spike of A1.heat" in found.headline.result
    assert "96.5 degC, 84 before and 84 after it" in found.headline.result
    assert any("single-sample spike of A1.heat" in one for one in found.limitations)


def test_a_death_with_its_trip_a_swap_and_an_empty_place(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, ROOM)
    recorder.scans(CALM, A1__heat=[*[80.0] * 100, *[97.0, 99.0, 101.0, 102.0, 103.0, 104.0, 105.0, 106.0]])
    recorder.event(EventKind.SWITCH, "A1", "A1 switched off: A1.heat", state="off")
    dead = {**CALM, "A1.heat": 85.0, "A1.volts": 0.0}
    for _ in range(60):
        recorder.scan(dead)
    recorder.event(EventKind.NOTE, "A1", "it is dead, by hand", None, died=True, unit="A1")
    recorder.swap("A1", "")
    for _ in range(60):  # nobody is there: nothing of it can be out
        recorder.scan({**dead, "A1.heat": 120.0})
    recorder.swap("A1", "0099")
    recorder.scans(CALM, A1__volts=[*[0.0] * 3, *[24.0] * 60])
    run = recorder.finish()
    out = agreed(run)
    assert out == [("A1.heat", "high", 100.0), ("A1.volts", "low", 108.0), ("A1.volts", "low", 228.2)]
    same_limits(recorder, run)
    stays = digest(run, facts(run)).installations
    assert [one.serial for one in stays if one.death is not None] == ["00A1"]
    assert [(one.serial, one.excursions) for one in stays if one.unit == "A1"] == [("00A1", 2), ("0099", 1)]
    assert all(
        "A1.heat" not in one.text for one in verdict_on(run).units[1].reasons if one.outcome is Decision.FAIL
    )


def test_phases_with_and_without_limits_reloads_and_the_end_of_the_program(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, ROOM)
    recorder.scans(CALM, mains=[230.0] * 20)
    recorder.phase("warm", {"A1.volts": (), "A1.heat": (limit("high", 70.0),)})  # moved past its readings
    recorder.scans(CALM, A1__volts=[1.0] * 30)
    recorder.phase("hot", {"A1.heat": (limit("high", 105.0, on_delay_s=2.0),)})
    recorder.scans(CALM, A1__heat=[*[100.0] * 30, *[106.0] * 2, *[100.0] * 5, *[106.0] * 3, *[100.0] * 20])
    recorder.reload(channel("A2.heat", limit("high", 60.0)))  # moved past it, and back again
    recorder.scans(CALM, mains=[*[230.0] * 10, 254.0, 254.0, *[230.0] * 10])
    recorder.reload(channel("A2.heat", limit("high", 90.0)))
    recorder.phase("")
    recorder.scans(CALM, A1__volts=[*[24.0] * 20, *[5.0] * 30])
    run = recorder.finish(sealed=False)
    assert [(name, side) for name, side, _ in sorted(agreed(run), key=lambda one: one[2])] == [
        ("A1.heat", "high"),
        ("A1.heat", "high"),
        ("A2.heat", "high"),
        ("mains", "high"),
        ("A1.volts", "low"),
    ]
    same_limits(recorder, run)
    moved = [e for s in post_mortem(run, "A2").channels for e in s.excursions if e.moved]
    assert [(e.channel, e.limit) for e in moved] == [("A2.heat", 60.0)]


def test_restarts_while_out_in_the_band_back_and_within_an_on_delay(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, ROOM)
    recorder.scans(CALM, A1__heat=[*[80.0] * 50, *[100.0] * 10], A2__heat=[*[70.0] * 50, *[96.0] * 10])
    recorder.crash()  # A1 is still out for minutes, A2 is back
    recorder.scans(CALM, A1__heat=[94.0] * 90)
    recorder.scans(CALM, A1__heat=[*[100.0] * 20, *[80.0] * 5])
    recorder.scans(CALM, A1__heat=[100.0] * 4)  # one second of the on-delay is left
    recorder.crash(gone_s=2.0)
    recorder.scans(CALM, A1__heat=[*[100.0] * 4, 80.0])
    recorder.scans(CALM, A1__heat=[*[100.0] * 7])
    recorder.stop()
    recorder.clock.now_ns += 600 * S
    recorder.begin(layout(channel("A1.heat"), VOLTS, COOL, MAINS))  # a rig file without that limit
    recorder.scans(CALM, A1__heat=[100.0] * 20)
    recorder.crash(ROOM)
    recorder.scans(CALM, A1__heat=[*[100.0] * 10, *[Status.NO_REPLY] * 20])
    run = recorder.finish()
    heat = [round(start) for name, _, start in agreed(run) if name == "A1.heat"]
    assert len(heat) == 3
    assert heat[0] == 50
    same_limits(recorder, run)


def test_gaps_lost_readings_and_repeated_looks_begin_and_end_nothing(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, ROOM)
    lost = [Status.NO_REPLY] * 30
    recorder.scans(CALM, A1__heat=[*[80.0] * 30, 96.0, *lost, 96.0, *lost, 94.0, *[80.0] * 5])
    recorder.wait(300.0)
    recorder.scans(CALM, mains=[*[206.0] * 2, 230.0, *[206.0] * 3, *[Status.NO_VALUE] * 9, 206.0, 230.0])
    recorder.scans(CALM, A1__volts=[20.0, 19.9, 20.0, 20.5, 20.4, 19.9, 24.0])
    run = recorder.finish()
    assert [(name, side) for name, side, _ in sorted(agreed(run), key=lambda one: one[2])] == [
        ("A1.heat", "high"),
        ("mains", "low"),
        ("A1.volts", "low"),
        ("A1.volts", "low"),
    ]


def test_a_phase_that_limits_nothing_asks_for_no_readings(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, ROOM)
    recorder.phase("low")
    recorder.scans(CALM, mains=[230.0] * 60)
    recorder.phase("high", {"A1.volts": (), "A1.heat": (limit("high", 105.0),)})
    recorder.scans(CALM, A1__volts=[Status.NO_VALUE] * 60)
    recorder.phase("")
    run = recorder.finish()
    assert agreed(run) == []
    assert [r.text for u in verdict_on(run).units for r in u.reasons if r.rule is Rule.READINGS] == []


@pytest.mark.parametrize(
    "seed", [0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 12))]
)
def test_whatever_happens_in_a_room_everybody_says_the_same(tmp_path: Path, seed: int) -> None:
    recorder, dice = Recorder(tmp_path, ROOM), random.Random(seed)
    for _ in range(60):
        _something(recorder, dice)
        level = {
            "A1.heat": dice.choice([80.0, 80.0, 93.0, 94.0, 96.0]),
            "A1.volts": dice.choice([24.0, 24.0, 20.2, 19.0]),
            "A2.heat": dice.choice([70.0, 70.0, 86.0, 96.0]),
            "mains": dice.choice([230.0, 230.0, 254.0, 206.0]),
        }
        for _ in range(dice.choice([1, 2, 5, 6, 7, 30])):
            lost = {name: Status.NO_REPLY for name in level if dice.random() < 0.1}
            recorder.scan({**level, **lost})
    recorder.scan(CALM)
    run = recorder.finish(sealed=bool(seed % 2))
    assert agreed(run)
    same_limits(recorder, run)


def _something(recorder: Recorder, dice: random.Random) -> None:
    what = dice.randrange(12)
    if what == 0:
        recorder.crash(gone_s=dice.choice([1.0, 40.0, 200.0]))
    elif what == 1:
        recorder.stop()
        recorder.clock.now_ns += 100 * S
        recorder.begin(_other(dice))
    elif what == 2:
        recorder.swap("A1", "" if recorder.serials["A1"] else f"00{dice.randrange(100)}")
    elif what == 3:
        recorder.reload(channel("A1.heat", limit("high", dice.choice([79.0, 95.0]), deadband=1.0)))
    elif what == 4:
        recorder.phase(dice.choice(["warm", ""]), {"A2.heat": (), "mains": (limit("low", 240.0),)})
    elif what == 5:
        recorder.phase("", {})
    elif what == 6:
        recorder.wait(dice.choice([3.0, 100.0]))


def _other(dice: random.Random) -> Layout:
    return dice.choice([ROOM, layout(channel("A1.heat"), VOLTS, COOL, MAINS)])
