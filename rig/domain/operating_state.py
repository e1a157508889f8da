"""Operating state of one unit under test: a state machine fed by signals, orders, notes and swaps.

Live and afterwards the same functions: ``follow`` takes what happened, in the order of ``at_ns``; ``advance``
lets time pass. Both return the changes that became certain enough to state. A change is stated after it has
lasted for a while (``hold``), and dated by the readings between which it happened.

What cannot be told from what is read is ``UNOBSERVED``. A failure is only suspected here, from driven time
without output or from an unexplained loss of supply; a person confirms or rejects it.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from rig.domain.formatting import duration
from rig.domain.signals import SignalChange, SignalName

SETTLE_POLLS = 2.5
"""Polls of the slowest signal for which a state must have lasted: signals of one change are read by
different polls, up to one apart, and one more may be lost (common practice, no source)."""
SETTLE_SLACK_S = 0.5
NOTE_WINDOW_NS = 120 * 1_000_000_000
"""How far a note on a unit may be from its loss of supply to explain it (common practice, no source)."""


class OperatingState(enum.StrEnum):
    """State of a unit under test."""

    ABSENT = "absent"
    """Nobody is installed."""
    UNPOWERED = "unpowered"
    """No mains at it, or switched off."""
    IDLE = "idle"
    """Powered, no drive wanted."""
    DRIVEN = "driven"
    """Output present."""
    MUTED = "muted"
    """Powered and driven, output held back."""
    FAILED = "failed"
    """Suspected by readback, or noted by a person."""
    UNOBSERVED = "unobserved"
    """Not read: nothing is claimed."""


class Cause(enum.StrEnum):
    """Why a unit is unpowered, or who says that it failed."""

    NONE = ""
    ORDER = "order"
    """Switched off by soakrig."""
    NOTE = "note"
    """Switched off by hand, or noted as failed."""
    MAINS = "mains"
    UNKNOWN = "unknown"


class Certainty(enum.StrEnum):
    """How sure a state is, in words: nothing here is a calibrated probability."""

    CERTAIN = "certain"
    LIKELY = "likely"
    POSSIBLE = "possible"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRules:
    """Constants of one unit's state machine. wired: signals that are read, with their channels."""

    wired: Mapping[SignalName, str]
    settle_ns: int
    failed_after_ns: int
    idle_after_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """Something recorded about a unit. about_ns: the time it is about, where that is not ``at_ns``."""

    at_ns: int
    about_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Installed(Occurrence):
    """A serial number was put in ('' for nobody)."""

    serial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedOff(Occurrence):
    """soakrig ordered the unit off (True), or it is on again or could not be switched off (False)."""

    off: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted(Occurrence):
    """A person's note on the unit; died: it says that the unit failed."""

    text: str
    died: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Restarted(Occurrence):
    """A session of the logger begins: nothing is known of any signal."""


Input = SignalChange | Installed | SwitchedOff | Noted | Restarted


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """A change of state. earliest_ns, latest_ns: it lies between; at_ns: when it was stated.

    retracts: the suspected failure before it was none.
    """

    serial: str
    state: OperatingState
    before: OperatingState
    cause: Cause
    certainty: Certainty
    earliest_ns: int
    latest_ns: int
    at_ns: int
    evidence: tuple[str, ...] = ()
    retracts: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCondition:
    """What is known of a unit at a moment.

    seen: the last change of each signal. candidate: state and cause that it shows now, where that is not the
    stated one; begun: from when to when that began, and when it was seen. known: the last state that was
    observed. lost: since when driven time without output, or an unexplained loss of supply, counts; gone: from
    when to when that was lost, remembered while nobody could see it come back. off: from when to when output
    and supply went off (until when: 0 while they are not read), likewise. missed_ns: when a loss first showed
    that the mains does not explain; explained: the note that does. missing: what a suspicion rests on. gave_output: whether this serial number
    ever did here. judged_ns: when something happened last.
    """

    serial: str
    state: OperatingState = OperatingState.UNOBSERVED
    cause: Cause = Cause.NONE
    since: tuple[int, int] = (0, 0)
    seen: Mapping[SignalName, SignalChange] = field(default_factory=dict)
    candidate: tuple[OperatingState, Cause] | None = None
    begun: tuple[int, int, int] = (0, 0, 0)
    known: OperatingState = OperatingState.UNOBSERVED
    missing: SignalName | None = None
    lost: tuple[int, int, int] | None = None
    gone: tuple[int, int] | None = None
    off: Mapping[SignalName, tuple[int, int]] = field(default_factory=dict)
    missed_ns: int = 0
    ordered: bool = False
    note: Noted | None = None
    explained: Noted | None = None
    died: Noted | None = None
    gave_output: bool = False
    judged_ns: int = 0

    def on(self, signal: SignalName) -> bool | None:
        """Return whether a signal is on; None: not read."""
        change = self.seen.get(signal)
        return None if change is None else change.on


POWERED = frozenset({OperatingState.IDLE, OperatingState.DRIVEN, OperatingState.MUTED})
"""States in which the unit is known to be powered."""


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
            unit = _seen(unit, happened)
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
            went_ns = unit.off.get(_key(rules), (0, 0))
            span = (*went_ns, happened.at_ns) if went_ns[1] else span
        case Restarted():
            span = (happened.about_ns or happened.at_ns, happened.at_ns, happened.at_ns)
            unit = replace(unit, seen={}, lost=None, candidate=None, off=_unsure(unit, span[0]))
    unit = _judged(replace(unit, judged_ns=happened.at_ns), rules, span)
    unit, more = advance(unit, rules, happened.at_ns)
    return unit, (*changes, *more)


def _seen(unit: UnitCondition, change: SignalChange) -> UnitCondition:
    """Return a unit after a change of a signal; when output and supply went off survives not being read."""
    signal = change.signal
    off = dict(unit.off)
    if signal in {SignalName.OUTPUT, SignalName.SUPPLY}:
        if change.on is True:
            off.pop(signal, None)
        elif change.on is False:
            earliest_ns, latest_ns = off.get(signal, (change.earliest_ns, 0))
            off[signal] = (earliest_ns, latest_ns or change.latest_ns)
        elif unit.on(signal) is True:
            off[signal] = (change.earliest_ns, 0)
    gave = unit.gave_output or (signal is SignalName.OUTPUT and change.on is True)
    return replace(unit, seen={**unit.seen, signal: change}, off=off, gave_output=gave)


def _unsure(unit: UnitCondition, about_ns: int) -> Mapping[SignalName, tuple[int, int]]:
    """Return when output and supply went off, of which each that was on may from now on."""
    on = {one for one in (SignalName.OUTPUT, SignalName.SUPPLY) if unit.on(one) is True}
    if unit.state is OperatingState.DRIVEN:
        on |= {SignalName.OUTPUT, SignalName.SUPPLY}
    return {**{one: (about_ns, 0) for one in on}, **unit.off}


def _key(rules: UnitRules) -> SignalName:
    """Return the signal that shows best whether the unit is switched on."""
    return SignalName.SUPPLY if SignalName.SUPPLY in rules.wired else SignalName.OUTPUT


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
    explained = Cause.ORDER if unit.ordered else Cause.NOTE if unit.explained else Cause.UNKNOWN
    if supply is False:
        return OperatingState.UNPOWERED, explained
    if supply is None and wired:
        return OperatingState.UNOBSERVED, Cause.NONE
    if not wired and output is False and explained is not Cause.UNKNOWN:
        return OperatingState.UNPOWERED, explained
    if drive is False and (wired or output is False):
        return OperatingState.IDLE, Cause.NONE
    if drive is True and output is False:
        return OperatingState.MUTED, Cause.NONE
    return OperatingState.UNOBSERVED, Cause.NONE


def _explained(unit: UnitCondition, rules: UnitRules, latest_ns: int) -> UnitCondition:
    """Return a unit with the note that explains its loss of supply, or of output where no supply is read.

    A loss that the mains explained at first begs for an explanation when the mains is back, an output off in a
    pause when the drive is.
    """
    key = _key(rules)
    if unit.on(key) is True:
        return replace(unit, missed_ns=0, explained=None)
    if key not in unit.off or unit.on(key) is None:
        return unit
    driven = key is SignalName.SUPPLY or unit.on(SignalName.DRIVE) is True
    wanted = driven and unit.on(SignalName.MAINS) is not False
    if unit.state is not OperatingState.FAILED and wanted != bool(unit.missed_ns) and not unit.gone:
        unit = replace(unit, missed_ns=latest_ns if wanted else 0)
    if unit.note is None or unit.explained is not None:
        return unit
    about_ns = unit.note.about_ns or unit.note.at_ns
    earliest_ns, off_ns = unit.off[key]
    near = earliest_ns - NOTE_WINDOW_NS <= about_ns <= max(off_ns, unit.missed_ns) + NOTE_WINDOW_NS
    return replace(unit, explained=unit.note) if near else unit


def _judged(unit: UnitCondition, rules: UnitRules, span: tuple[int, int, int]) -> UnitCondition:
    """Return a unit with what it shows now as the candidate, begun with ``span`` where that is new."""
    unit = _explained(unit, rules, span[1])
    shows = appearance(unit, rules)
    unit = _gone(unit, shows, span)
    if unit.state is OperatingState.FAILED and not _ends_a_failure(unit, rules, shows):
        return replace(unit, candidate=None)
    if unit.lost is None and _loses(unit, rules, shows):
        unit = replace(unit, lost=(*(unit.gone or _lost(unit, shows, span)), span[2]))
    elif unit.state in {OperatingState.DRIVEN, OperatingState.IDLE} and shows[0] is OperatingState.IDLE:
        unit = replace(unit, lost=None)
    elif shows[0] is OperatingState.UNPOWERED and unit.on(SignalName.MAINS) is not True:
        unit = replace(unit, lost=None)  # the mains may be out
    if shows == (unit.state, unit.cause):
        return replace(unit, candidate=None)
    if shows != unit.candidate:
        unit = replace(unit, candidate=shows, begun=span)
    return unit


def _gone(
    unit: UnitCondition, shows: tuple[OperatingState, Cause], span: tuple[int, int, int]
) -> UnitCondition:
    """Return a unit that is not missing what is there or has a reason to be off."""
    if shows[0] is OperatingState.DRIVEN:
        return replace(unit, lost=None, gone=None)
    if shows[1] in {Cause.MAINS, Cause.ORDER, Cause.NOTE}:
        unit = replace(unit, lost=None)
        supply_ns = unit.off.get(SignalName.SUPPLY, (0, 0))[0]
        mains = unit.seen.get(SignalName.MAINS)
        mains_ns = mains.earliest_ns if mains is not None and shows[1] is Cause.MAINS else 0
        if unit.state is OperatingState.FAILED or (unit.gone and max(supply_ns, mains_ns) > unit.gone[1]):
            return unit  # it was missing before the supply or the mains went off
        off = {one: when for one, when in unit.off.items() if one is not SignalName.OUTPUT}
        return replace(unit, gone=None, off=off)
    if SignalName.OUTPUT not in unit.off and unit.gave_output:  # the reason to be off has ended
        return replace(unit, off={**unit.off, SignalName.OUTPUT: span[:2]})
    return unit


def _lost(
    unit: UnitCondition, shows: tuple[OperatingState, Cause], span: tuple[int, int, int]
) -> tuple[int, int]:
    """Return from when to when what is missing was lost: perhaps while there was no drive, or no reading."""
    earliest_ns, latest_ns = span[:2]
    if SignalName.OUTPUT in unit.off:
        earliest_ns = min(earliest_ns, unit.off[SignalName.OUTPUT][0])
    if shows[0] is OperatingState.UNPOWERED and SignalName.SUPPLY in unit.off:
        went_ns, off_ns = unit.off[SignalName.SUPPLY]
        if went_ns > earliest_ns:
            return went_ns, min(off_ns or latest_ns, latest_ns)
    return earliest_ns, latest_ns


def _ends_a_failure(unit: UnitCondition, rules: UnitRules, shows: tuple[OperatingState, Cause]) -> bool:
    """Return whether a suspected failure was none, or is confirmed."""
    if unit.died is not None:
        return shows != (unit.state, unit.cause)
    if unit.explained is not None and shows[0] is OperatingState.UNPOWERED:
        # a unit that failed with its supply on may be switched off later: that note explains no failure
        return unit.off.get(_key(rules), unit.since)[0] <= unit.since[1]
    supplied = unit.missing is SignalName.SUPPLY and unit.on(SignalName.SUPPLY) is True
    return shows[0] is OperatingState.DRIVEN or (supplied and shows[0] in POWERED)


def _loses(unit: UnitCondition, rules: UnitRules, shows: tuple[OperatingState, Cause]) -> bool:
    """Return whether what a unit shows may turn out to be a failure."""
    if shows[0] is OperatingState.MUTED:
        return SignalName.SUPPLY in rules.wired or unit.gave_output
    if shows != (OperatingState.UNPOWERED, Cause.UNKNOWN) or unit.on(SignalName.MAINS) is not True:
        return False
    after_mains = unit.state is OperatingState.UNPOWERED and unit.cause is Cause.MAINS
    driven = unit.on(SignalName.DRIVE) is True or _known(unit) in {
        OperatingState.DRIVEN,
        OperatingState.MUTED,
    }
    return unit.gave_output and (after_mains or driven)


def _known(unit: UnitCondition) -> OperatingState:
    """Return the last state that was observed."""
    return unit.known if unit.state is OperatingState.UNOBSERVED else unit.state


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
        known=_known(unit),
        candidate=None,
        ordered=unit.ordered and not (back and _known(unit) is OperatingState.UNPOWERED),
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
        known=_known(unit),
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


def as_data(change: StateChange, offset_ns: int = 0) -> dict[str, Any]:
    """Return what a recorded event carries of a change; offset_ns: from its clock to UTC."""
    return {
        "serial": change.serial,
        "state": str(change.state),
        "before": str(change.before),
        "cause": str(change.cause),
        "certainty": str(change.certainty),
        "earliest_ns": change.earliest_ns + offset_ns,
        "latest_ns": change.latest_ns + offset_ns,
        "evidence": list(change.evidence),
        "retracts": change.retracts,
    }
