"""What the room is said to be doing, from what was recorded."""

from dataclasses import replace

import pytest

from rig.domain.model import EventKind, Status
from rig.domain.program import Phase, Program, Steady
from rig.view.snapshot import ChannelCondition, ChannelView, LinkState, PhaseView, RunState, Snapshot
from tests.view.rooms import START, Feeder, busy_room, layout


def view(snapshot: Snapshot, name: str) -> ChannelView:
    return next(channel for channel in snapshot.channels if channel.name == name)


def test_a_quiet_room_is_ok_and_every_channel_is_counted() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    snapshot = feeder.picture(1.5)
    assert snapshot.counts() == {ChannelCondition.OK: len(feeder.plan.channels)}
    assert not snapshot.stale
    assert snapshot.age_s == pytest.approx(0.5)


def test_the_worst_stands_first_among_channels_and_units() -> None:
    snapshot = busy_room().picture(300.5)
    ranks = [channel.condition.rank for channel in snapshot.channels]
    assert ranks == sorted(ranks)
    assert [unit.name for unit in snapshot.units[:3]] == ["A3", "A6", "A5"]
    assert [e.channel for e in snapshot.excursions] == ["A3.heatsink", "A3.bias"]
    assert [(e.first_out, e.place) for e in snapshot.excursions] == [(True, 1), (False, 2)]


def test_an_excursion_begins_at_the_first_reading_outside_not_when_it_counted() -> None:
    feeder = Feeder(layout())
    feeder.everything(10.0, {"A1.heatsink": 97.0})
    feeder.out("A1.heatsink", 10.0, delay_s=5.0)
    (excursion,) = feeder.picture(16.0).excursions
    assert excursion.began_ns == START + 10_000_000_000


def test_places_follow_the_first_readings_outside_not_the_delays() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    feeder.out("A1.bias", 20.0, delay_s=1.0)
    feeder.out("A1.ripple", 20.0, delay_s=2.0)
    feeder.out("A1.heatsink", 12.0, delay_s=10.0)  # counts last, left its limit first
    found = [(e.channel, e.place, e.first_out) for e in feeder.picture(30.0).excursions]
    assert found == [("A1.heatsink", 1, True), ("A1.bias", 2, False), ("A1.ripple", 2, False)]


def test_an_excursion_of_a_run_that_ended_does_not_grow_older() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": 97.0})
    feeder.out("A1.heatsink", 1.0)
    assert feeder.picture(5000.0, RunState.STOPPED).as_of_ns == START + 1_000_000_000
    assert feeder.picture(5.0).as_of_ns == START + 5_000_000_000


def test_first_out_is_per_unit_and_starts_anew_when_all_are_back() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    for name, at_s in (("A1.heatsink", 2.0), ("A2.heatsink", 3.0), ("A1.bias", 4.0)):
        feeder.out(name, at_s)
    for name in ("A1.heatsink", "A1.bias"):
        feeder.event(EventKind.LIMIT_IN, 10.0, name, side="high")
    feeder.out("A1.bias", 20.0)
    found = {(e.channel, e.began_ns): e.first_out for e in feeder.picture(30.0).excursions}
    assert list(found.values()).count(True) == 3
    assert found["A1.bias", START + 4_000_000_000] is False
    assert found["A1.bias", START + 20_000_000_000] is True


def test_beyond_the_limit_during_the_on_delay_is_crossed_not_out() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": 96.0})
    assert view(feeder.picture(1.1), "A1.heatsink").condition is ChannelCondition.PENDING


def test_an_early_warning_is_early_and_an_implausible_number_is_suspect() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": 90.0})
    assert view(feeder.picture(1.1), "A1.heatsink").condition is ChannelCondition.WARNING
    feeder.scan(("A1.heatsink",), 2.0, (900.0,), bytes([Status.SUSPECT]))
    assert view(feeder.picture(2.1), "A1.heatsink").condition is ChannelCondition.SUSPECT


def test_a_reading_without_a_number_neither_clears_an_excursion_nor_begins_one() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": 97.0})
    feeder.out("A1.heatsink", 1.0)
    feeder.everything(4.0, {"A1.heatsink": Status.NO_REPLY, "A2.heatsink": Status.OVER})
    snapshot = feeder.picture(4.5)
    assert view(snapshot, "A1.heatsink").condition is ChannelCondition.OUT
    assert view(snapshot, "A2.heatsink").condition is ChannelCondition.NO_NUMBER


def test_a_channel_is_silent_after_its_own_time_without_a_number() -> None:
    feeder = Feeder(layout())
    for at_s in (1.0, 30.0, 61.5):
        feeder.everything(at_s, {"A1.heatsink": Status.NO_REPLY} if at_s > 1 else None)
    assert view(feeder.picture(60.0), "A1.heatsink").condition is ChannelCondition.NOT_READ
    assert view(feeder.picture(62.0), "A1.heatsink").condition is ChannelCondition.SILENT


def test_the_recorders_word_that_nothing_valid_comes_is_enough_for_silent() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": Status.NO_VALUE})
    feeder.event(EventKind.NO_VALID, 61.0, "A1.heatsink")
    feeder.everything(61.5, {"A1.heatsink": Status.NO_VALUE})
    assert view(feeder.picture(62.0), "A1.heatsink").condition is ChannelCondition.SILENT
    feeder.event(EventKind.VALID_AGAIN, 63.0, "A1.heatsink")
    feeder.everything(63.0)
    assert view(feeder.picture(63.5), "A1.heatsink").condition is ChannelCondition.OK


def test_a_stopped_logger_makes_the_picture_stale_only_while_it_should_be_running() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    assert not feeder.picture(9.0).stale
    assert feeder.picture(12.0).stale
    assert not feeder.picture(12.0, RunState.FINISHED).stale


def test_a_finished_run_is_shown_as_it_ended_however_long_ago() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    snapshot = feeder.picture(90_000.0, RunState.FINISHED)
    assert snapshot.counts() == {ChannelCondition.OK: len(feeder.plan.channels)}
    assert snapshot.elapsed_s == pytest.approx(1.0)
    assert snapshot.age_s == pytest.approx(89_999.0)


def test_channels_of_an_instrument_that_is_offline_are_not_read_though_their_last_number_was_good() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    feeder.event(EventKind.INSTRUMENT_LOST, 2.0, "meter1", "meter1 is offline: its port is gone")
    assert {one.condition for one in feeder.picture(2.5).channels if one.unit == "A1"} == {
        ChannelCondition.NOT_READ
    }
    assert {one.condition for one in feeder.picture(2.5).channels if one.unit != "A1"} == {
        ChannelCondition.OK
    }
    feeder.everything(3.0)
    assert feeder.picture(3.5).counts() == {ChannelCondition.OK: len(feeder.plan.channels)}


def test_an_instrument_is_late_then_lost_and_answers_again() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)

    def link(at_s: float) -> LinkState:
        return next(i for i in feeder.picture(at_s).instruments if i.name == "meter1").link

    assert link(2.0) is LinkState.ONLINE
    for at_s in (3.0, 6.0):
        feeder.everything(at_s, dict.fromkeys(feeder.plan.units["A1"].channels, Status.NO_REPLY))
    assert link(6.5) is LinkState.SLOW
    feeder.event(EventKind.INSTRUMENT_LOST, 7.0, "meter1", "meter1 does not answer: nothing came")
    assert link(7.5) is LinkState.OFFLINE
    lost = next(i for i in feeder.picture(7.5).instruments if i.name == "meter1")
    assert (lost.last_fault, lost.failures, lost.numberless) == ("meter1 does not answer: nothing came", 2, 9)
    feeder.everything(9.0)
    feeder.event(EventKind.INSTRUMENT_BACK, 9.0, "meter1")
    assert link(9.5) is LinkState.ONLINE


def test_the_loggers_word_about_itself_is_no_news_but_gives_the_lateness() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    feeder.event(EventKind.HEALTH, 2.0, "run", "about itself", lateness_ms={"meter1": [0.1, 1.5, 9.0]})
    snapshot = feeder.picture(2.5)
    assert [event.kind for event in snapshot.events] == ["session start"]
    assert {i.name: i.late_ms for i in snapshot.instruments if i.late_ms is not None} == {"meter1": 1.5}


def test_a_stuck_bus_is_a_warning_until_one_of_its_instruments_replies() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    feeder.event(EventKind.BUS_STUCK, 2.0, "line1")
    snapshot = feeder.picture(3.0)
    assert snapshot.warnings == ("BUS HUNG: line1 (meter1, meter2)",)
    assert {i.name for i in snapshot.instruments if i.link is LinkState.HUNG} == {"meter1", "meter2"}
    feeder.everything(4.0)
    assert feeder.picture(4.5).warnings == ()


def test_a_disk_that_refuses_is_a_warning_until_it_takes_records_again() -> None:
    feeder = Feeder(layout())
    feeder.event(EventKind.STORE_FAULT, 2.0, "run", "could not append to j000001.journal: full")
    assert feeder.picture(3.0).warnings == ("DISK: could not append to j000001.journal: full",)
    feeder.event(EventKind.STORE_BACK, 4.0, "run")
    assert feeder.picture(5.0).warnings == ()


def test_trouble_with_sealing_is_an_event_and_no_lasting_warning_since_nobody_tells_its_end() -> None:
    feeder = Feeder(layout())
    feeder.event(EventKind.STORE_FAULT, 2.0, "run", "sealing failed", cause="seal")
    feeder.event(EventKind.STORE_LOW, 3.0, "run", "disk space low")
    snapshot = feeder.picture(4.0)
    assert snapshot.warnings == ()
    assert [one.text for one in snapshot.events if one.trouble] == [
        "disk space low", "sealing failed"
    ]  # fmt: skip


def test_an_excursion_left_open_by_a_crash_ends_when_the_channel_is_read_well_inside() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": 97.0})
    feeder.out("A1.heatsink", 1.0)
    feeder.event(EventKind.SESSION_START, 100.0, "run", "session 2", session=2)
    assert view(feeder.picture(100.5), "A1.heatsink").condition is ChannelCondition.OUT
    feeder.everything(101.0, {"A1.heatsink": 94.5})  # inside the deadband: still out
    assert view(feeder.picture(101.5), "A1.heatsink").condition is ChannelCondition.OUT
    feeder.everything(102.0)
    snapshot = feeder.picture(102.5)
    assert view(snapshot, "A1.heatsink").condition is ChannelCondition.OK
    assert snapshot.excursions[0].ended_ns == START + 102_000_000_000


def test_the_same_excursion_told_again_after_a_restart_is_one() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0, {"A1.heatsink": 97.0})
    feeder.out("A1.heatsink", 1.0)
    feeder.event(EventKind.SESSION_START, 100.0, "run", "session 2", session=2)
    feeder.everything(101.0, {"A1.heatsink": 98.0})
    feeder.event(EventKind.LIMIT_OUT, 103.0, "A1.heatsink", side="high", session=2)
    (excursion,) = feeder.picture(104.0).excursions
    assert excursion.began_ns == START + 1_000_000_000
    assert excursion.peak == 98.0


def test_one_channel_that_cannot_be_worked_out_costs_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    from rig.view import snapshot_maker as module
    from rig.view.margin import margin as true_margin

    def broken(channel, value):  # type: ignore[no-untyped-def]
        if channel.name == "A1.bias":
            raise ZeroDivisionError("made to fail")
        return true_margin(channel, value)

    monkeypatch.setattr(module, "margin", broken)
    feeder = Feeder(layout())
    feeder.everything(1.0)
    snapshot = feeder.picture(1.5)
    assert view(snapshot, "A1.bias").problem == "ZeroDivisionError: made to fail"
    assert snapshot.counts()[ChannelCondition.OK] == len(feeder.plan.channels) - 1


def phase(feeder: Feeder, at_s: float, **data: object) -> None:
    given = {"phase": "high-mains", "pass": 2, "stage": "running", "planned_s": 600.0} | data
    feeder.event(EventKind.PHASE, at_s, "high-mains", "said", **given)


def shown_phase(feeder: Feeder, at_s: float) -> PhaseView:
    (shown,) = feeder.picture(at_s).phases
    return shown


def test_the_phase_in_force_counts_on_while_it_runs() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    phase(feeder, 10.0, done_s=100.0)
    feeder.everything(70.0)
    shown = shown_phase(feeder, 70.0)
    assert (shown.name, shown.number) == ("high-mains", 2)
    assert shown.left_s == pytest.approx(600.0 - 100.0 - 60.0)


@pytest.mark.parametrize("stage", ["due", "left", "held", "settling", "returning", "over", "unknown"])
def test_a_phase_whose_targets_are_not_met_does_not_get_shorter(stage: str) -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    phase(feeder, 10.0, done_s=100.0, stage=stage)
    feeder.everything(70.0)
    assert shown_phase(feeder, 70.0).left_s == 500.0


PLAN = Phase(name="high-mains", duration_s=600.0)


@pytest.mark.parametrize(
    ("planned", "done_s", "stage", "left_s"),
    [
        (PLAN, 0.0, "running", 540.0),  # no warm-up: the step to running has no event of its own
        (replace(PLAN, warm_up_s=1800.0), 0.0, "warming up", 600.0),
        (replace(PLAN, steady=(Steady(channel="x", within=1.0, over_s=9.0),)), 0.0, "warming up", 600.0),
        (replace(PLAN, warm_up_s=1800.0), 100.0, "running", 440.0),  # back in it: the warm-up is over
        (None, 0.0, "warming up", 600.0),  # nobody knows whether a warm-up is planned
    ],
)
def test_time_counts_from_the_moment_a_phase_is_reached_unless_a_warm_up_is_to_come(
    planned: Phase | None, done_s: float, stage: str, left_s: float
) -> None:
    plan = replace(layout(), program=Program(phases=(planned,), order=("high-mains",)) if planned else None)
    feeder = Feeder(plan)
    feeder.everything(1.0)
    phase(feeder, 10.0, done_s=done_s, stage="warming up")
    feeder.everything(70.0)
    shown = shown_phase(feeder, 70.0)
    assert shown.stage == stage
    assert shown.left_s == pytest.approx(left_s)


def test_each_group_has_a_phase_of_its_own_until_an_event_of_its_units_or_of_all() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    phase(feeder, 10.0, done_s=0.0, group=["A1"])
    phase(feeder, 11.0, done_s=0.0, group=["A2"], phase="low-mains", stage="due")
    shown = {one.group: (one.name, one.left_s) for one in feeder.picture(20.0).phases}
    assert shown == {("A1",): ("high-mains", 590.0), ("A2",): ("low-mains", 600.0)}
    phase(feeder, 30.0, phase="", group=["A1"])
    assert [one.group for one in feeder.picture(31.0).phases] == [("A2",)]
    phase(feeder, 40.0, done_s=5.0)
    assert [one.group for one in feeder.picture(41.0).phases] == [()]


def test_a_unit_that_has_more_to_do_than_its_group_is_shown_with_its_own_time() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    units = {
        "A1": {"done_s": 400.0, "cycles": 0, "stage": "running"},
        "A2": {"done_s": 100.0, "cycles": 0, "stage": "left"},
    }
    phase(feeder, 10.0, done_s=100.0, stage="left", units=units)
    found = shown_phase(feeder, 70.0).units
    assert {unit: one.to_go_s for unit, one in found.items()} == {"A1": 140.0, "A2": 500.0}


def test_a_record_that_only_names_the_phase_or_talks_nonsense_is_taken_for_what_it_says() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    feeder.event(EventKind.PHASE, 2.0, "run", "burn-in")
    shown = shown_phase(feeder, 3.0)
    assert (shown.name, shown.left_s) == ("burn-in", None)
    phase(feeder, 4.0, done_s="soon", planned_s=float("inf"))
    assert shown_phase(feeder, 5.0).left_s is None
    phase(feeder, 6.0, phase="")
    assert feeder.picture(7.0).phases == ()
