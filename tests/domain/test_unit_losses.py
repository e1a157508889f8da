"""What a unit lost is dated and explained by what was known before and after nothing was read."""

from __future__ import annotations

import pytest

from rig.domain.operating_state import (
    Certainty,
    Input,
    Noted,
    OperatingState,
    Restarted,
    SwitchedOff,
    UnitRules,
)
from rig.domain.signals import SignalChange, SignalName
from rig.domain.state_spans import spans
from tests.domain.test_state_machine import ALL, ON, S, goes, told, words

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
    assert failed.start_ns == round(399.5 * S), "nobody saw it earlier"


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


def test_a_note_explains_a_unit_switched_off_while_nobody_read_whether_the_mains_was_back() -> None:
    off = [goes(one, False, 100) for one in (SignalName.OUTPUT, SignalName.SUPPLY, SignalName.MAINS)]
    note = Noted(at_ns=400 * S, text="off to look at a connector")
    found = told(
        *ON, *off, unread(SignalName.MAINS, 200, 205), note, goes(SignalName.MAINS, True, 600), until_s=900
    )
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
