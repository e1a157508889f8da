"""Operating state of one unit under test: a state machine fed by signals, orders, notes and swaps.

Live and afterwards the same functions: ``follow`` takes what happened, in the order of ``at_ns``; ``advance``
lets time pass. Both return the changes that became certain enough to state. A change is stated after it has
lasted for a while (``hold``), and dated by the readings between which it happened.

What cannot be told from what is read is ``UNOBSERVED``. A failure is only suspected here, from driven time
without output or from an unexplained loss of supply; a person confirms or rejects it.
"""

from __future__ import annotations

from dataclasses import replace

from rig.domain.formatting import duration
from rig.domain.operating_state import (
    POWERED,
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
from rig.domain.unit_losses import (
    after_signal,
    explained,
    key_signal,
    known_state,
    lost_between,
    off_since_unread,
    reconsidered,
)


def follow(
    unit: UnitCondition, rules: UnitRules, happened: Input
) -> tuple[UnitCondition, tuple[StateChange, ...]]:
    """Return what is known of a unit after something happened, and the changes of state that became due."""
    # while no logger ran nothing can have lasted: nobody looked
    until_ns = happened.about_ns if isinstance(happened, Restarted) and happened.about_ns else happened.at_ns
    unit, changes = advance(unit, rules, until_ns)
    span = (happened.at_ns, happened.at_ns, happened.at_ns)
    match happened:
        case SignalChange():
            unit = after_signal(unit, happened)
            span = (happened.earliest_ns, happened.latest_ns, happened.at_ns)
        case Installed():
            unit, change = _install(unit, happened)
            changes = (*changes, change)
        case SwitchedOff():
            unit = replace(unit, ordered=happened.off)
        case Noted(died=True):
            about_ns = happened.about_ns or happened.at_ns
            span = (about_ns, about_ns, happened.at_ns)
            unit = replace(unit, died=happened)
        case Noted():
            unit = replace(unit, note=happened)
            went_ns = unit.off.get(key_signal(rules), (0, 0))
            span = (*went_ns, happened.at_ns) if went_ns[1] else span
        case Restarted():
            span = (happened.about_ns or happened.at_ns, happened.at_ns, happened.at_ns)
            unit = replace(unit, seen={}, lost=None, candidate=None, off=off_since_unread(unit, span[0]))
    unit = _judged(replace(unit, judged_ns=happened.at_ns), rules, span)
    unit, more = advance(unit, rules, happened.at_ns)
    return unit, (*changes, *more)


def _install(unit: UnitCondition, put_in: Installed) -> tuple[UnitCondition, StateChange]:
    """Return the unit now in the place, of which only the place's signals are known, and the change."""
    about_ns = put_in.about_ns or put_in.at_ns
    state = OperatingState.UNOBSERVED if put_in.serial else OperatingState.ABSENT
    change = StateChange(
        serial=put_in.serial,
        state=state,
        before=unit.state,
        cause=Cause.NONE,
        certainty=Certainty.CERTAIN,
        earliest_ns=about_ns,
        latest_ns=about_ns,
        at_ns=put_in.at_ns,
        evidence=(f"{put_in.serial} installed" if put_in.serial else "nobody installed",),
    )
    fresh = UnitCondition(serial=put_in.serial, state=state, since=(about_ns, about_ns), seen=unit.seen)
    return fresh, change


def advance(
    unit: UnitCondition, rules: UnitRules, now_ns: int
) -> tuple[UnitCondition, tuple[StateChange, ...]]:
    """Return what is known of a unit at a moment, and the changes of state that have become due."""
    changes: list[StateChange] = []
    while True:
        failed_ns = _failed_ns(unit, rules)
        due_ns = None if unit.candidate is None else unit.begun[2] + _hold_ns(unit, rules)
        if failed_ns is not None and failed_ns <= now_ns and (due_ns is None or failed_ns <= due_ns):
            unit, change = _fail(unit, rules, max(failed_ns, unit.judged_ns))
        elif due_ns is not None and due_ns <= now_ns:
            unit, change = _state(unit, rules, due_ns)
        else:
            return unit, tuple(changes)
        changes.append(change)


def takes_part(unit: UnitCondition) -> bool:
    """Return whether the test program has to wait for a unit: not if it is absent, failed or switched off.

    One without mains, or off for a reason that nobody knows, is waited for: the mains may be what the phase
    is about, and a person may come.
    """
    if unit.state is OperatingState.UNPOWERED:
        return unit.cause not in {Cause.ORDER, Cause.NOTE}
    return unit.state not in {OperatingState.ABSENT, OperatingState.FAILED}


def appearance(unit: UnitCondition, rules: UnitRules) -> tuple[OperatingState, Cause]:
    """Return the state that a unit shows now, whatever was stated before."""
    if not unit.serial:
        return OperatingState.ABSENT, Cause.NONE
    if unit.died is not None:
        return OperatingState.FAILED, Cause.NOTE
    mains, supply = unit.on(SignalName.MAINS), unit.on(SignalName.SUPPLY)
    output, drive = unit.on(SignalName.OUTPUT), unit.on(SignalName.DRIVE)
    if output is True:
        return OperatingState.DRIVEN, Cause.NONE
    if mains is False and supply is not True:
        return OperatingState.UNPOWERED, Cause.MAINS
    wired = SignalName.SUPPLY in rules.wired
    why = Cause.ORDER if unit.ordered else Cause.NOTE if unit.explained else Cause.UNKNOWN
    if supply is False:
        return OperatingState.UNPOWERED, why
    if supply is None and wired:
        return OperatingState.UNOBSERVED, Cause.NONE
    if not wired and output is False and why is not Cause.UNKNOWN:
        return OperatingState.UNPOWERED, why
    if drive is False and (wired or output is False):
        return OperatingState.IDLE, Cause.NONE
    if drive is True and output is False:
        return OperatingState.MUTED, Cause.NONE
    return OperatingState.UNOBSERVED, Cause.NONE


def _judged(unit: UnitCondition, rules: UnitRules, span: tuple[int, int, int]) -> UnitCondition:
    """Return a unit with what it shows now as the candidate, begun with ``span`` where that is new."""
    unit = explained(unit, rules, span[1])
    shows = appearance(unit, rules)
    unit = reconsidered(unit, shows, span)
    if unit.state is OperatingState.FAILED and not _ends_a_failure(unit, rules, shows):
        return replace(unit, candidate=None)
    if unit.lost is None and _loses(unit, rules, shows):
        unit = replace(unit, lost=(*(unit.gone or lost_between(unit, shows, span)), span[2]))
    elif unit.state in {OperatingState.DRIVEN, OperatingState.IDLE} and shows[0] is OperatingState.IDLE:
        unit = replace(unit, lost=None)
    elif shows[0] is OperatingState.UNPOWERED and unit.on(SignalName.MAINS) is not True:
        unit = replace(unit, lost=None)  # the mains may be out
    if shows == (unit.state, unit.cause):
        return replace(unit, candidate=None)
    if shows != unit.candidate:
        unit = replace(unit, candidate=shows, begun=span)
    return unit


def _ends_a_failure(unit: UnitCondition, rules: UnitRules, shows: tuple[OperatingState, Cause]) -> bool:
    """Return whether a suspected failure was none, or is confirmed."""
    if unit.died is not None:
        return shows != (unit.state, unit.cause)
    if unit.explained is not None and shows[0] is OperatingState.UNPOWERED:
        # a unit that failed with its supply on may be switched off later: that note explains no failure
        return unit.off.get(key_signal(rules), unit.since)[0] <= unit.since[1]
    supplied = unit.missing is SignalName.SUPPLY and unit.on(SignalName.SUPPLY) is True
    return shows[0] is OperatingState.DRIVEN or (supplied and shows[0] in POWERED)


def _loses(unit: UnitCondition, rules: UnitRules, shows: tuple[OperatingState, Cause]) -> bool:
    """Return whether what a unit shows may turn out to be a failure."""
    if shows[0] is OperatingState.MUTED:
        return SignalName.SUPPLY in rules.wired or unit.gave_output
    if shows != (OperatingState.UNPOWERED, Cause.UNKNOWN) or unit.on(SignalName.MAINS) is not True:
        return False
    after_mains = unit.state is OperatingState.UNPOWERED and unit.cause is Cause.MAINS
    driven = unit.on(SignalName.DRIVE) is True or known_state(unit) in {
        OperatingState.DRIVEN,
        OperatingState.MUTED,
    }
    return unit.gave_output and (after_mains or driven)


def _failed_ns(unit: UnitCondition, rules: UnitRules) -> int | None:
    """Return when a failure is to be suspected; None where nothing points to one."""
    if unit.lost is None or unit.state is OperatingState.FAILED or unit.died is not None:
        return None
    shows = unit.candidate or (unit.state, unit.cause)
    may = shows[0] is OperatingState.MUTED or shows == (OperatingState.UNPOWERED, Cause.UNKNOWN)
    return unit.lost[2] + rules.failed_after_ns if may else None


def _hold_ns(unit: UnitCondition, rules: UnitRules) -> int:
    """Return for how long the candidate must have lasted to be stated."""
    assert unit.candidate is not None
    state, cause = unit.candidate
    if state in {OperatingState.UNOBSERVED, OperatingState.ABSENT} or cause is Cause.NOTE:
        return 0
    if state is OperatingState.IDLE and unit.state not in {OperatingState.UNPOWERED, OperatingState.ABSENT}:
        return max(rules.idle_after_ns, rules.settle_ns)
    if state is OperatingState.MUTED:
        return max(rules.muted_after_ns, rules.settle_ns)
    return rules.settle_ns


def _state(unit: UnitCondition, rules: UnitRules, at_ns: int) -> tuple[UnitCondition, StateChange]:
    """Return a unit with its candidate stated, and the change."""
    assert unit.candidate is not None
    state, cause = unit.candidate
    earliest_ns, latest_ns, _ = unit.begun
    if state is unit.state and unit.cause is Cause.UNKNOWN and cause is not Cause.MAINS:
        # only the cause became known
        earliest_ns, latest_ns = unit.since
    suspected = unit.state is OperatingState.FAILED and unit.cause is Cause.UNKNOWN
    missing = state is OperatingState.MUTED or cause is Cause.UNKNOWN
    back = state in POWERED and unit.state is not OperatingState.FAILED
    change = StateChange(
        serial=unit.serial,
        state=state,
        before=unit.state,
        cause=cause,
        certainty=_certainty(unit, rules, state, cause),
        earliest_ns=min(earliest_ns, latest_ns),
        latest_ns=latest_ns,
        at_ns=at_ns,
        evidence=_evidence(unit, rules, state, cause),
        retracts=suspected and state is not OperatingState.FAILED,
    )
    now = replace(
        unit,
        state=state,
        cause=cause,
        since=(earliest_ns, latest_ns),
        known=known_state(unit),
        candidate=None,
        ordered=unit.ordered and not (back and known_state(unit) is OperatingState.UNPOWERED),
        lost=unit.lost if missing else None,
        gone=unit.gone or (unit.lost[:2] if missing and unit.lost is not None else None),
    )
    return now, change


def _fail(unit: UnitCondition, rules: UnitRules, at_ns: int) -> tuple[UnitCondition, StateChange]:
    """Return a unit suspected of having failed, and the change."""
    assert unit.lost is not None
    gone = unit.lost[:2]
    shows = unit.candidate or (unit.state, unit.cause)
    muted, powered = shows[0] is OperatingState.MUTED, unit.on(SignalName.SUPPLY) is True
    what = "output" if muted else "supply"
    lasted = duration((at_ns - unit.lost[2]) / 1e9)
    text = f"no {what} for {lasted} ({rules.wired.get(SignalName(what), what)})"
    known = [f"{one.value} on ({rules.wired[one]})" for one in SignalName if unit.on(one) is True]
    why = "" if muted and powered else "; a unit switched off by hand without a note looks the same"
    change = StateChange(
        serial=unit.serial,
        state=OperatingState.FAILED,
        before=unit.state,
        cause=Cause.UNKNOWN,
        certainty=Certainty.LIKELY if muted and powered else Certainty.POSSIBLE,
        earliest_ns=gone[0],
        latest_ns=gone[1],
        at_ns=at_ns,
        evidence=(text, *known, f"no order, note or mains loss explains it{why}"),
    )
    now = replace(
        unit,
        state=OperatingState.FAILED,
        cause=Cause.UNKNOWN,
        since=gone,
        gone=gone,
        missing=SignalName(what),
        known=known_state(unit),
        candidate=None,
        lost=None,
    )
    return now, change


def _certainty(unit: UnitCondition, rules: UnitRules, state: OperatingState, cause: Cause) -> Certainty:
    if state is OperatingState.FAILED or cause is Cause.ORDER:
        return Certainty.CERTAIN
    if cause is Cause.NOTE:
        return Certainty.LIKELY
    if state in {OperatingState.IDLE, OperatingState.MUTED}:
        if unit.on(SignalName.SUPPLY) is True:
            return Certainty.CERTAIN
        return Certainty.LIKELY if unit.on(SignalName.MAINS) is True else Certainty.POSSIBLE
    return Certainty.CERTAIN


def _evidence(unit: UnitCondition, rules: UnitRules, state: OperatingState, cause: Cause) -> tuple[str, ...]:
    words = {True: "on", False: "off", None: "not read"}
    if state is OperatingState.ABSENT:
        return ("nobody installed",)
    if state is OperatingState.FAILED and unit.died is not None:
        return (f"noted by a person: {unit.died.text}",)
    read = [f"{one.value} {words[unit.on(one)]} ({channel})" for one, channel in rules.wired.items()]
    if cause is Cause.NOTE and unit.explained is not None:
        read.append(f"note: {unit.explained.text}")
    if cause is Cause.ORDER:
        read.append("switched off by soakrig")
    return tuple(read)
