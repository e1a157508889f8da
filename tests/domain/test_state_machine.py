"""What state a unit is in follows from its signals, orders, notes and swaps, and from nothing else."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.domain.operating_state import (
    NOTE_WINDOW_NS,
    Cause,
    Certainty,
    Input,
    Installed,
    Noted,
    OperatingState,
    Restarted,
    StateChange,
    SwitchedOff,
    UnitCondition,
    UnitRules,
)
from rig.domain.signals import SignalChange, SignalName
from rig.domain.state_machine import advance, follow
from rig.domain.state_spans import spans

S = 1_000_000_000
ALL = {one: f"A1.{one.value}" for one in SignalName}
RULES = UnitRules(wired=ALL, settle_ns=3 * S, failed_after_ns=60 * S, idle_after_ns=30 * S)
BARE = UnitRules(
    wired={one: ALL[one] for one in (SignalName.OUTPUT, SignalName.DRIVE)},
    settle_ns=3 * S,
    failed_after_ns=60 * S,
    idle_after_ns=30 * S,
)


def goes(signal: SignalName, on: bool | None, at_s: float) -> SignalChange:
    at_ns = round(at_s * S)
    return SignalChange(signal=signal, on=on, earliest_ns=at_ns - S, latest_ns=at_ns, at_ns=at_ns)


def told(*inputs: Input, until_s: float, rules: UnitRules = RULES, serial: str = "1") -> list[StateChange]:
    unit = UnitCondition(serial=serial)
    found: list[StateChange] = []
    for one in inputs:
        unit, more = follow(unit, rules, one)
        found += more
    _, more = advance(unit, rules, round(until_s * S))
    return [*found, *more]


def words(changes: list[StateChange]) -> list[str]:
    return [" ".join(filter(None, (one.state, one.cause))) for one in changes]


ON = [goes(one, True, 1.0) for one in SignalName]
BARE_ON = [goes(one, True, 1.0) for one in BARE.wired]


def test_a_unit_with_all_signals_on_is_driven_from_its_first_readings_on() -> None:
    [one] = told(*ON, until_s=10)
    assert (one.state, one.earliest_ns, one.latest_ns, one.at_ns) == (OperatingState.DRIVEN, 0, S, 4 * S)


def test_a_state_is_stated_when_it_has_lasted_and_not_before() -> None:
    assert told(*ON, until_s=3.999) == []
    assert words(told(*ON, until_s=4.0)) == ["driven"]


def test_pauses_of_bursts_are_no_change() -> None:
    bursts = [
        goes(signal, on, at + skew)
        for at, on in ((56, False), (61, True), (116, False), (121, True))
        for signal, skew in ((SignalName.OUTPUT, 0.0), (SignalName.DRIVE, 0.9))
    ]
    assert words(told(*ON, *bursts, until_s=170)) == ["driven"]


@pytest.mark.parametrize(("until_s", "expected"), [(129.9, ["driven"]), (130.0, ["driven", "idle"])])
def test_a_longer_pause_is_idle_from_its_beginning(until_s: float, expected: list[str]) -> None:
    pause = [goes(SignalName.OUTPUT, False, 99.5), goes(SignalName.DRIVE, False, 100)]
    found = told(*ON, *pause, until_s=until_s)
    assert words(found) == expected
    if len(found) > 1:
        assert (found[1].earliest_ns, found[1].latest_ns) == (99 * S, 100 * S)


def test_protection_that_mutes_and_comes_back_is_muted() -> None:
    found = told(*ON, goes(SignalName.OUTPUT, False, 100), goes(SignalName.OUTPUT, True, 130), until_s=200)
    assert words(found) == ["driven", "muted", "driven"]
    assert found[1].certainty is Certainty.CERTAIN


@pytest.mark.parametrize(("back_s", "muted"), [(107.9, False), (108.1, True)])
def test_a_pause_of_the_output_shorter_than_stated_is_part_of_a_burst(back_s: float, muted: bool) -> None:
    rules = replace(RULES, muted_after_ns=8 * S)
    pause = [goes(SignalName.OUTPUT, False, 100), goes(SignalName.OUTPUT, True, back_s)]
    assert ("muted" in words(told(*ON, *pause, until_s=200, rules=rules))) is muted


@pytest.mark.parametrize(("back_s", "failed"), [(159.9, False), (160.1, True)])
def test_no_output_while_driven_is_a_suspected_failure_after_its_time(back_s: float, failed: bool) -> None:
    lost = goes(SignalName.OUTPUT, False, 100)
    found = told(*ON, lost, goes(SignalName.OUTPUT, True, back_s), until_s=300)
    assert ("failed unknown" in words(found)) is failed
    assert words(found)[-1] == "driven"
    assert found[-1].retracts is failed


def test_a_suspected_failure_is_dated_by_the_loss_of_its_output() -> None:
    found = told(*ON, goes(SignalName.OUTPUT, False, 100), until_s=300)
    assert words(found) == ["driven", "muted", "failed unknown"]
    assert (found[2].earliest_ns, found[2].latest_ns, found[2].at_ns) == (99 * S, 100 * S, 160 * S)
    assert found[2].certainty is Certainty.LIKELY


def test_a_failure_is_suspected_through_bursts_of_drive() -> None:
    bursts = [
        goes(SignalName.DRIVE, on, at) for at, on in ((110, False), (115, True), (170, False), (175, True))
    ]
    found = told(*ON, goes(SignalName.OUTPUT, False, 100), *bursts, until_s=300)
    assert words(found) == ["driven", "muted", "failed unknown"]


def test_a_retracted_suspicion_was_output_held_back() -> None:
    found = told(*ON, goes(SignalName.OUTPUT, False, 100), goes(SignalName.OUTPUT, True, 200), until_s=300)
    states = [(one.state, round(one.end_ns / S)) for one in spans(found, (0, 300 * S), "1")]
    assert states == [
        (OperatingState.UNOBSERVED, 1),
        (OperatingState.DRIVEN, 100),
        (OperatingState.MUTED, 200),
        (OperatingState.DRIVEN, 300),
    ]


def test_supply_lost_while_driven_with_mains_on_may_be_a_fuse() -> None:
    found = told(*ON, goes(SignalName.OUTPUT, False, 100), goes(SignalName.SUPPLY, False, 100.5), until_s=300)
    assert words(found) == ["driven", "unpowered unknown", "failed unknown"]
    assert found[2].certainty is Certainty.POSSIBLE


def test_supply_lost_while_idle_is_no_failure() -> None:
    off = [
        goes(SignalName.DRIVE, False, 50),
        goes(SignalName.OUTPUT, False, 50),
        goes(SignalName.SUPPLY, False, 100),
    ]
    assert words(told(*ON, *off, until_s=900)) == ["driven", "idle", "unpowered unknown"]


def test_supply_lost_with_the_mains_is_the_mains() -> None:
    off = [
        goes(one, False, 100 + k / 2)
        for k, one in enumerate((SignalName.OUTPUT, SignalName.SUPPLY, SignalName.MAINS))
    ]
    assert words(told(*ON, *off, until_s=900)) == ["driven", "unpowered mains"]


def test_a_unit_that_soakrig_switched_off_did_not_fail() -> None:
    off: list[Input] = [
        SwitchedOff(at_ns=100 * S, off=True),
        goes(SignalName.OUTPUT, False, 101),
        goes(SignalName.SUPPLY, False, 101),
    ]
    found = told(*ON, *off, until_s=900)
    assert words(found) == ["driven", "unpowered order"]
    assert found[1].certainty is Certainty.CERTAIN


def test_it_may_fail_again_once_it_was_on_again() -> None:
    off: list[Input] = [
        SwitchedOff(at_ns=100 * S, off=True),
        goes(SignalName.OUTPUT, False, 101),
        goes(SignalName.SUPPLY, False, 101),
    ]
    on = [
        goes(SignalName.SUPPLY, True, 200),
        goes(SignalName.OUTPUT, True, 200),
        goes(SignalName.OUTPUT, False, 300),
    ]
    assert words(told(*ON, *off, *on, until_s=900)) == [
        "driven",
        "unpowered order",
        "driven",
        "muted",
        "failed unknown",
    ]


@pytest.mark.parametrize(
    ("about_ns", "expected"),
    [
        (100 * S + NOTE_WINDOW_NS, "unpowered note"),
        (100 * S + NOTE_WINDOW_NS + 1, "failed unknown"),
        (99 * S - NOTE_WINDOW_NS, "unpowered note"),
        (99 * S - NOTE_WINDOW_NS - 1, "failed unknown"),
    ],
)
def test_a_note_near_the_loss_of_supply_explains_it_even_afterwards(about_ns: int, expected: str) -> None:
    note = Noted(at_ns=500 * S, about_ns=about_ns, text="off for a new fan")
    found = told(
        *ON, goes(SignalName.SUPPLY, False, 100), goes(SignalName.OUTPUT, False, 100), note, until_s=900
    )
    assert words(found)[-1] == expected
    assert found[-1].retracts is (expected == "unpowered note")


def test_a_note_does_not_explain_a_powered_unit_without_output() -> None:
    note = Noted(at_ns=101 * S, text="smells")
    assert words(told(*ON, goes(SignalName.OUTPUT, False, 100), note, until_s=900))[-1] == "failed unknown"


def test_a_person_may_say_that_a_unit_failed() -> None:
    note = Noted(at_ns=500 * S, about_ns=400 * S, text="rail on the load", died=True)
    found = told(*ON, note, until_s=900)
    assert words(found) == ["driven", "failed note"]
    assert (found[1].latest_ns, found[1].certainty) == (400 * S, Certainty.CERTAIN)


def test_a_confirmed_suspicion_is_not_retracted_by_output() -> None:
    lost = goes(SignalName.OUTPUT, False, 100)
    note = Noted(at_ns=500 * S, text="output stage", died=True)
    found = told(*ON, lost, note, goes(SignalName.OUTPUT, True, 600), until_s=900)
    assert words(found) == ["driven", "muted", "failed unknown", "failed note"]
    assert not any(one.retracts for one in found)


def test_a_spare_in_a_place_that_reads_nothing_has_not_failed() -> None:
    lost = [goes(SignalName.OUTPUT, False, 100)]
    swap = [Installed(at_ns=300 * S, serial=""), Installed(at_ns=400 * S, serial="2")]
    found = told(*BARE_ON, *lost, *swap, until_s=5000, rules=BARE)
    assert words(found) == ["driven", "muted", "failed unknown", "absent", "unobserved", "muted"]
    assert [one.serial for one in found] == ["1", "1", "1", "", "2", "2"]


def test_a_signal_that_is_not_read_claims_nothing() -> None:
    lapsed = [
        SignalChange(signal=one, on=None, earliest_ns=99 * S, latest_ns=105 * S, at_ns=105 * S)
        for one in SignalName
    ]
    found = told(*ON, *lapsed, until_s=900)
    assert words(found) == ["driven", "unobserved"]
    assert (found[1].earliest_ns, found[1].latest_ns) == (99 * S, 105 * S)


@pytest.mark.parametrize("missing", [SignalName.SUPPLY, SignalName.DRIVE])
def test_what_needs_a_signal_that_is_not_there_is_not_claimed(missing: SignalName) -> None:
    rules = UnitRules(
        wired={one: name for one, name in ALL.items() if one is not missing},
        settle_ns=3 * S, failed_after_ns=60 * S, idle_after_ns=30 * S,
    )  # fmt: skip
    on = [one for one in ON if one.signal is not missing]
    found = told(*on, goes(SignalName.OUTPUT, False, 100), until_s=900, rules=rules)
    if missing is SignalName.DRIVE:
        assert words(found) == ["driven", "unobserved"]
    else:
        assert found[-1].certainty is Certainty.POSSIBLE


def test_a_restart_knows_nothing_until_it_reads_but_keeps_a_failure() -> None:
    again = Restarted(at_ns=500 * S, about_ns=400 * S)
    healthy = told(*ON, again, *(goes(one, True, 502) for one in SignalName), until_s=900)
    assert words(healthy) == ["driven", "unobserved", "driven"]
    assert (healthy[1].earliest_ns, healthy[1].latest_ns) == (400 * S, 500 * S)
    dead = told(*ON, goes(SignalName.OUTPUT, False, 100), again, until_s=900)
    assert words(dead)[-1] == "failed unknown"


def test_an_empty_place_is_absent_and_a_unit_put_in_is_looked_at_anew() -> None:
    found = told(
        Installed(at_ns=5 * S, serial="7"),
        *(goes(one, True, 10) for one in SignalName),
        until_s=60,
        serial="",
    )
    assert words(found) == ["unobserved", "driven"]
    assert found[-1].serial == "7"
    assert found[-1].cause is Cause.NONE


def test_every_moment_of_a_record_is_in_one_state() -> None:
    found = told(*ON, goes(SignalName.OUTPUT, False, 100), Installed(at_ns=300 * S, serial=""), until_s=900)
    whole = spans(found, (0, 900 * S), "1")
    assert [one.start_ns for one in whole[1:]] == [one.end_ns for one in whole[:-1]]
    assert (whole[0].start_ns, whole[-1].end_ns) == (0, 900 * S)
