"""What check says of states that cannot be known holds for the state machine, signal by signal."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from rig.domain.accounting import Accounting, LevelPlan
from rig.domain.model import Layout, Signals
from rig.domain.operating_state import Certainty, OperatingState, StateChange, UnitCondition, UnitRules
from rig.domain.program import Phase, PhaseTarget, Program
from rig.domain.signals import SignalChange, SignalName
from rig.domain.state_machine import advance, follow
from rig.domain.unseen_states import missing, unseen_states
from tests.recorder import channel, layout

S = 1_000_000_000
ALL = frozenset(SignalName)
MAINS, SUPPLY, OUTPUT, DRIVE = SignalName.MAINS, SignalName.SUPPLY, SignalName.OUTPUT, SignalName.DRIVE
SUBSETS = [
    frozenset(one) for count in range(len(ALL) + 1) for one in itertools.combinations(SignalName, count)
]


def lived(read: frozenset[SignalName], *steps: tuple[float, dict[SignalName, bool]]) -> list[StateChange]:
    """Return the changes of a unit whose signals go like this; those that are not read say nothing."""
    rules = UnitRules(
        wired={one: one.value for one in read}, settle_ns=2 * S, failed_after_ns=60 * S, idle_after_ns=5 * S
    )
    unit = UnitCondition(serial="1")
    found: list[StateChange] = []
    for at_s, values in steps:
        for signal, on in values.items():
            if signal in read:
                at_ns = round(at_s * S)
                change = SignalChange(
                    signal=signal, on=on, earliest_ns=at_ns - S, latest_ns=at_ns, at_ns=at_ns
                )
                unit, more = follow(unit, rules, change)
                found += more
    _, more = advance(unit, rules, 1000 * S)
    return [*found, *more]


ON = dict.fromkeys(SignalName, True)
NO_MAINS = {MAINS: False, SUPPLY: False, OUTPUT: False}
SWITCHED_OFF = {SUPPLY: False, OUTPUT: False}
NO_OUTPUT = {OUTPUT: False}
NO_DRIVE = {OUTPUT: False, DRIVE: False}
TRUTHS = {
    OperatingState.DRIVEN: ON,
    OperatingState.IDLE: {**ON, **NO_DRIVE},
    OperatingState.MUTED: {**ON, **NO_OUTPUT},
}


def text_of(signal: SignalName, read: frozenset[SignalName]) -> str:
    return next(one.text for one in missing(read) if one.signal is signal)


def failed(read: frozenset[SignalName], after: dict[SignalName, bool]) -> bool:
    """Return whether a unit that ran, and then went on like this, is suspected of having failed."""
    return any(one.state is OperatingState.FAILED for one in lived(read, (1, ON), (30, after)))


@pytest.mark.parametrize("read", SUBSETS, ids=lambda read: "+".join(sorted(read)) or "none")
def test_a_state_is_said_to_be_unknowable_if_and_only_if_the_unit_is_never_stated_in_it(
    read: frozenset[SignalName],
) -> None:
    """The state machine itself, let run through each state, is the judge."""
    hidden = {state for one in missing(read) for state in one.hides}
    for state, signals in TRUTHS.items():
        told = {one.state for one in lived(read, (1, ON), (10, signals))} | {
            one.state for one in lived(read, (1, signals))
        }
        assert (state not in told) == (state in hidden), state
    unpowered = [
        any(one.state is OperatingState.UNPOWERED for one in lived(read, (1, {**ON, **off})))
        for off in (NO_MAINS, SWITCHED_OFF)
    ]
    assert any(unpowered) == (OperatingState.UNPOWERED not in hidden)


def test_a_state_is_charged_to_the_signals_that_would_show_it_and_to_no_other() -> None:
    """Drive says nothing of whether a unit has power; supply does, and so does the mains for its loss."""
    found = {one.signal: one.hides for one in missing(frozenset({OUTPUT}))}
    assert found == {
        MAINS: (OperatingState.UNPOWERED,),
        SUPPLY: (OperatingState.UNPOWERED,),
        DRIVE: (OperatingState.IDLE, OperatingState.MUTED),
    }
    assert {one.signal: one.hides for one in missing(ALL - {OUTPUT})} == {
        OUTPUT: (OperatingState.DRIVEN, OperatingState.MUTED)
    }
    assert missing(ALL) == ()


@pytest.mark.parametrize("read", SUBSETS, ids=lambda read: "+".join(sorted(read)) or "none")
def test_each_signal_that_is_not_read_is_named_once_and_no_other(read: frozenset[SignalName]) -> None:
    assert [one.signal for one in missing(read)] == [one for one in SignalName if one not in read]
    assert all(one.text for one in missing(read))


@pytest.mark.parametrize(
    "read", [one for one in SUBSETS if OUTPUT not in one], ids=lambda r: "+".join(sorted(r))
)
def test_without_output_no_failure_is_suspected(read: frozenset[SignalName]) -> None:
    assert text_of(OUTPUT, read) == "no failure is suspected"
    assert not failed(read, NO_OUTPUT)
    assert not failed(read, SWITCHED_OFF)


@pytest.mark.parametrize(
    "read", [one for one in SUBSETS if DRIVE not in one], ids=lambda r: "+".join(sorted(r))
)
def test_without_drive_a_failure_that_leaves_the_unit_powered_is_not_suspected(
    read: frozenset[SignalName],
) -> None:
    assert "leaves the unit powered is not suspected" in text_of(DRIVE, read)
    assert not failed(read, NO_OUTPUT)
    assert failed(ALL, NO_OUTPUT)


def test_without_supply_a_unit_switched_off_by_hand_is_not_told_from_one_that_failed() -> None:
    read = ALL - {SUPPLY}
    assert "looks like one that failed" in text_of(SUPPLY, read)
    assert lived(read, (1, ON), (30, SWITCHED_OFF)) == lived(read, (1, ON), (30, NO_OUTPUT))
    assert lived(ALL, (1, ON), (30, SWITCHED_OFF)) != lived(ALL, (1, ON), (30, NO_OUTPUT))
    assert [one.certainty for one in lived(ALL, (1, ON), (30, NO_OUTPUT))][-1] is Certainty.LIKELY
    for blind in (ALL - {SUPPLY, OUTPUT}, ALL - {SUPPLY, DRIVE}):
        assert "not told from one that is on" in text_of(SUPPLY, blind)


def test_without_mains_its_loss_looks_like_something_else() -> None:
    read = ALL - {MAINS}
    assert "looks like a unit that was switched off" in text_of(MAINS, read)
    assert lived(read, (1, ON), (30, NO_MAINS)) == lived(read, (1, ON), (30, SWITCHED_OFF))
    assert not failed(read, SWITCHED_OFF)
    assert failed(ALL, SWITCHED_OFF)
    bare = frozenset({OUTPUT, DRIVE})
    assert "looks like a unit that failed" in text_of(MAINS, bare)
    assert failed(bare, NO_MAINS)
    assert not failed(bare | {MAINS}, NO_MAINS)
    assert text_of(MAINS, frozenset({OUTPUT})) == "a mains loss is not seen"


# ---- a whole rig


ACCOUNT = Accounting(
    output=LevelPlan(channel="{unit}.volts", on_above=5.0, off_below=3.0),
    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
    dead_after_s=600.0,
)


def rig(*names: str, accounting: Accounting | None = None, program: Program | None = None) -> Layout:
    own = [channel(f"{name}.volts", measure="V") for name in names]
    room = [channel("mains", measure="V"), channel("level", measure="V")]
    plan = layout(*room, *own, accounting=accounting, program=program)
    return replace(plan, units={name: plan.units[name] for name in names})


def test_like_units_are_told_together_and_runs_of_names_are_shortened() -> None:
    [all_of_them] = unseen_states(rig("A1", "A2", "A3", "A5", "B6", "B7", "C", "A9", "A10", "A11"))
    assert all_of_them.names == "A1 to A3, A5, B6, B7, C, A9 to A11"
    assert all_of_them.is_blind


def test_one_that_has_its_own_signals_is_told_apart() -> None:
    plan = rig("A1", "A2", "A3")
    level = LevelPlan(channel="mains", on_above=150.0, off_below=100.0)
    full = Signals(mains=level, supply=level, output=level, drive=level)
    units = {**plan.units, "A2": replace(plan.units["A2"], signals=full)}
    others, one = unseen_states(replace(plan, units=units))
    assert (others.names, one.names) == ("A1, A3", "A2")
    assert one.missing == ()
    assert one.stands_in == ""
    assert not one.is_blind


def test_what_stands_in_for_signals_is_said_in_words_for_like_units_at_once() -> None:
    [found] = unseen_states(rig("A1", "A2", accounting=ACCOUNT))
    assert found.stands_in == (
        "no signals: in the rig file; what stands in: account.output ({unit}.volts), account.drive (level), "
        "nothing for the mains, because no one channel is known to be it from the program; a failure is "
        "suspected after 10 min (account.dead-after)"
    )
    assert [one.signal for one in found.missing] == [MAINS, SUPPLY]


def test_the_mains_of_the_program_stands_in_too() -> None:
    phase = Phase(name="low", targets={"mains": PhaseTarget(value=200.0, tolerance=3.0)})
    [found] = unseen_states(rig("A1", accounting=ACCOUNT, program=Program(phases=(phase,), order=("low",))))
    assert "for the mains mains, which the program sets (on above 100 V)" in found.stands_in
    assert [one.signal for one in found.missing] == [SUPPLY]
    poor = Accounting(drive=ACCOUNT.drive)
    [blind] = unseen_states(rig("A1", accounting=poor, program=Program(phases=(phase,), order=("low",))))
    assert "a failure is suspected" not in blind.stands_in


def test_where_nothing_can_stand_in_that_is_said() -> None:
    [bare] = unseen_states(rig("A1"))
    assert bare.stands_in == "no signals: in the rig file, and no account: to stand in"
    [poor] = unseen_states(rig("A1", accounting=Accounting()))
    assert "neither account.output nor account.drive" in poor.stands_in


def test_a_rig_without_units_has_nothing_to_say() -> None:
    assert unseen_states(rig()) == []
