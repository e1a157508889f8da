"""What state a unit is in follows from its signals, orders, notes and swaps, and from nothing else."""

from __future__ import annotations

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
    advance,
    follow,
)
from rig.domain.signals import SignalChange, SignalName
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


# ---- what was not read, and what was known before it


def unread(signal: SignalName, good_s: float, seen_s: float) -> SignalChange:
    """Return a signal whose last good reading was at ``good_s``."""
    return SignalChange(
        signal=signal,
        on=None,
        earliest_ns=round(good_s * S),
        latest_ns=round(seen_s * S),
        at_ns=round(seen_s * S),
    )


def test_a_fuse_that_blew_while_no_logger_ran_is_suspected() -> None:
    again = Restarted(at_ns=200 * S, about_ns=100 * S)
    back = [goes(one, one in {SignalName.MAINS, SignalName.DRIVE}, 202) for one in SignalName]
    found = told(*ON, again, *back, until_s=900)
    assert words(found) == ["driven", "unobserved", "unpowered unknown", "failed unknown"]
    assert (found[3].earliest_ns, found[3].latest_ns) == (100 * S, 202 * S)
    assert found[3].certainty is Certainty.POSSIBLE


def test_a_fuse_that_blew_while_its_meter_was_lost_is_suspected() -> None:
    lost = [unread(SignalName.SUPPLY, 100, 105), goes(SignalName.OUTPUT, False, 150)]
    found = told(*ON, *lost, goes(SignalName.SUPPLY, False, 300), until_s=900)
    assert words(found)[-1] == "failed unknown"
    assert found[-1].earliest_ns <= 150 * S


@pytest.mark.parametrize(("driven", "expected"), [(True, "failed unknown"), (False, "unpowered unknown")])
def test_supply_lost_while_idle_may_be_a_fuse_once_there_is_drive_again(driven: bool, expected: str) -> None:
    off = [goes(one, False, 50) for one in (SignalName.DRIVE, SignalName.OUTPUT)]
    found = told(
        *ON, *off, goes(SignalName.SUPPLY, False, 100), goes(SignalName.DRIVE, driven, 400), until_s=900
    )
    assert words(found)[-1] == expected
    if driven:
        assert (found[-1].earliest_ns, found[-1].latest_ns) == (99 * S, 100 * S)


def test_a_death_in_a_long_pause_lies_between_its_beginning_and_its_end() -> None:
    pause = [goes(SignalName.OUTPUT, False, 99.5), goes(SignalName.DRIVE, False, 100)]
    found = told(*ON, *pause, goes(SignalName.DRIVE, True, 400), until_s=900)
    assert words(found) == ["driven", "idle", "muted", "failed unknown"]
    assert (found[-1].earliest_ns, found[-1].latest_ns) == (round(98.5 * S), 400 * S)
    whole = spans(found, (0, 900 * S), "1")
    idle, failed = whole[-2:]
    assert (idle.state, failed.state) == (OperatingState.IDLE, OperatingState.FAILED)
    assert failed.start_ns == 400 * S, "nobody saw it earlier"


def test_output_missed_before_a_pause_is_missed_since_then() -> None:
    lost = goes(SignalName.OUTPUT, False, 100)
    pause = [goes(SignalName.DRIVE, False, 140), goes(SignalName.DRIVE, True, 300)]
    found = told(*ON, lost, *pause, until_s=900)
    assert words(found) == ["driven", "muted", "idle", "muted", "failed unknown"]
    assert (found[-1].earliest_ns, found[-1].latest_ns) == (99 * S, 100 * S)
    assert found[-1].at_ns == 360 * S, "a pause is no driven time"


def test_output_missed_before_the_mains_went_is_missed_since_then() -> None:
    lost = goes(SignalName.OUTPUT, False, 100)
    cycle = [
        goes(one, on, at)
        for at, on in ((140, False), (200, True))
        for one in (SignalName.SUPPLY, SignalName.MAINS)
    ]
    found = told(*ON, lost, *cycle, until_s=900)
    assert words(found)[-1] == "failed unknown"
    assert (found[-1].earliest_ns, found[-1].latest_ns) == (99 * S, 100 * S)


def test_a_short_gap_between_output_and_drive_at_a_pause_dates_no_later_failure() -> None:
    pause = [goes(SignalName.OUTPUT, False, 100), goes(SignalName.DRIVE, False, 100.9)]
    again = Restarted(at_ns=150 * S, about_ns=104 * S)
    back = [goes(one, one is not SignalName.OUTPUT, 152) for one in SignalName]
    found = told(*ON, *pause, again, *back, until_s=900)
    assert words(found)[-1] == "failed unknown"
    assert (found[-1].earliest_ns, found[-1].latest_ns) == (99 * S, 152 * S)


def test_nothing_lasts_while_no_logger_runs() -> None:
    """Drive seen on, output not yet: the logger stops before it is read."""
    pause = [goes(one, False, 100) for one in (SignalName.OUTPUT, SignalName.DRIVE)]
    begun = goes(SignalName.DRIVE, True, 105)
    again = Restarted(at_ns=300 * S, about_ns=106 * S)
    found = told(*ON, *pause, begun, again, *(goes(one, True, 302) for one in SignalName), until_s=400)
    assert words(found) == ["driven", "unobserved", "driven"]


def test_a_supply_that_comes_back_was_no_fuse() -> None:
    off = [goes(SignalName.OUTPUT, False, 100), goes(SignalName.SUPPLY, False, 100)]
    rest = [goes(SignalName.DRIVE, False, 300), goes(SignalName.SUPPLY, True, 400)]
    found = told(*ON, *off, *rest, until_s=900)
    assert words(found) == ["driven", "unpowered unknown", "failed unknown", "idle"]
    assert found[-1].retracts


def test_supply_lost_where_no_mains_is_read_is_no_failure() -> None:
    rules = UnitRules(
        wired={one: name for one, name in ALL.items() if one is not SignalName.MAINS},
        settle_ns=3 * S, failed_after_ns=60 * S, idle_after_ns=30 * S,
    )  # fmt: skip
    on = [one for one in ON if one.signal is not SignalName.MAINS]
    off = [goes(SignalName.OUTPUT, False, 100), goes(SignalName.SUPPLY, False, 101)]
    assert words(told(*on, *off, until_s=900, rules=rules)) == ["driven", "unpowered unknown"]


# ---- notes


def off_with_the_mains() -> list[Input]:
    return [goes(one, False, 100) for one in (SignalName.OUTPUT, SignalName.SUPPLY, SignalName.MAINS)]


def test_a_note_of_a_unit_switched_off_while_the_mains_was_out_explains_it() -> None:
    note = Noted(at_ns=390 * S, text="off for a new fan")
    found = told(*ON, *off_with_the_mains(), note, goes(SignalName.MAINS, True, 400), until_s=900)
    assert words(found)[-1] == "unpowered note"
    assert "failed unknown" not in words(found)


def test_a_note_explains_a_loss_that_the_meter_showed_later() -> None:
    lost = [unread(SignalName.SUPPLY, 100, 105), goes(SignalName.OUTPUT, False, 150)]
    note = Noted(at_ns=151 * S, text="off for a new fan")
    found = told(*ON, *lost, note, goes(SignalName.SUPPLY, False, 600), until_s=1500)
    assert words(found)[-1] == "unpowered note"


@pytest.mark.parametrize(
    "later", [Restarted(at_ns=700 * S, about_ns=650 * S), Noted(at_ns=700 * S, text="dusty")]
)
def test_an_explained_loss_stays_explained(later: Input) -> None:
    off = [goes(SignalName.SUPPLY, False, 100), goes(SignalName.OUTPUT, False, 100)]
    back = [goes(one, one in {SignalName.MAINS, SignalName.DRIVE}, 702) for one in SignalName]
    found = told(*ON, *off, Noted(at_ns=110 * S, text="off for a new fan"), later, *back, until_s=1500)
    assert words(found)[-1] == "unpowered note"
    assert "failed unknown" not in words(found)


def test_a_late_note_takes_a_suspicion_back_even_while_the_mains_is_out() -> None:
    off = [goes(SignalName.SUPPLY, False, 100), goes(SignalName.OUTPUT, False, 100)]
    note = Noted(at_ns=500 * S, about_ns=100 * S, text="off for a new fan")
    found = told(*ON, *off, goes(SignalName.MAINS, False, 400), note, until_s=900)
    assert found[-1].retracts


def test_a_note_on_switching_a_dead_unit_off_takes_no_suspicion_back() -> None:
    dead = goes(SignalName.OUTPUT, False, 100)
    off: list[Input] = [
        goes(SignalName.SUPPLY, False, 400),
        Noted(at_ns=400 * S, text="no output, switched off"),
    ]
    found = told(*ON, dead, *off, until_s=900)
    assert words(found) == ["driven", "muted", "failed unknown"]


def test_a_change_of_cause_is_dated_by_itself_unless_it_was_unknown() -> None:
    off: list[Input] = [goes(SignalName.SUPPLY, False, 100), goes(SignalName.OUTPUT, False, 100)]
    note = Noted(at_ns=101 * S, text="off for a new fan")
    found = told(*ON, *off, note, goes(SignalName.MAINS, False, 500), until_s=900)
    assert words(found)[-2:] == ["unpowered note", "unpowered mains"]
    assert (found[-1].earliest_ns, found[-1].latest_ns) == (499 * S, 500 * S)


def test_an_order_is_done_with_when_the_unit_is_on_again_though_it_was_not_read_in_between() -> None:
    off: list[Input] = [
        SwitchedOff(at_ns=100 * S, off=True),
        *(goes(one, False, 101) for one in (SignalName.OUTPUT, SignalName.SUPPLY)),
        Restarted(at_ns=300 * S, about_ns=200 * S),
        *(goes(one, True, 302) for one in SignalName),
        *(goes(one, False, 500) for one in (SignalName.OUTPUT, SignalName.SUPPLY)),
    ]
    assert words(told(*ON, *off, until_s=900))[-1] == "failed unknown"
