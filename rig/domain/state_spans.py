"""The stretches of time that a unit spent in each state, from its changes of state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.domain.operating_state import Cause, Certainty, OperatingState, StateChange


@dataclass(frozen=True, slots=True, kw_only=True)
class StateSpan:
    """A stretch in one state, UTC ns. half_ns: how far its start may be off either way."""

    serial: str
    state: OperatingState
    cause: Cause
    certainty: Certainty
    start_ns: int
    end_ns: int
    half_ns: int = 0
    evidence: tuple[str, ...] = ()


def spans(changes: Sequence[StateChange], span_ns: tuple[int, int], serial: str) -> list[StateSpan]:
    """Return the states from begin to end of a record, retracted suspicions as what they turned out to be.

    serial: who was installed at the begin. Before the first change nothing was observed.
    """
    found = [_unobserved(serial, span_ns[0])]
    for one in changes:
        if one.retracts:
            _take_back(found, one)
        middle_ns = (one.earliest_ns + one.latest_ns) // 2
        if one.state is OperatingState.UNOBSERVED:
            middle_ns = one.earliest_ns
        elif one.before is OperatingState.UNOBSERVED:
            middle_ns = one.latest_ns
        elif one.state is OperatingState.FAILED:
            middle_ns = max(middle_ns, _unseen_until(found, one))
        start_ns = min(max(middle_ns, span_ns[0]), span_ns[1])
        while len(found) > 1 and found[-1].start_ns >= start_ns and one.serial == found[-1].serial:
            found.pop()
        start_ns = max(start_ns, found[-1].start_ns)
        found.append(
            StateSpan(
                serial=one.serial,
                state=one.state,
                cause=one.cause,
                certainty=one.certainty,
                start_ns=start_ns,
                end_ns=span_ns[1],
                half_ns=(one.latest_ns - one.earliest_ns + 1) // 2,
                evidence=one.evidence,
            )
        )
    ends = [*(one.start_ns for one in found[1:]), span_ns[1]]
    return [
        replace(one, end_ns=end_ns) for one, end_ns in zip(found, ends, strict=True) if end_ns > one.start_ns
    ]


def _unseen_until(found: Sequence[StateSpan], change: StateChange) -> int:
    """Return until when nobody could see it happen: the unit was idle or not observed; 0: it was."""
    unseen = {OperatingState.IDLE, OperatingState.UNOBSERVED}
    ends = [*(one.start_ns for one in found[1:]), change.latest_ns]
    blind = [
        end
        for one, end in zip(found, ends, strict=True)
        if one.state in unseen and one.start_ns < change.latest_ns and end > change.earliest_ns
    ]
    return min(blind[-1], change.latest_ns) if blind else 0


def _take_back(found: list[StateSpan], change: StateChange) -> None:
    """Turn a suspected failure that was none into what it was: output held back, or switched off."""
    last = found[-1]
    if last.state is not OperatingState.FAILED:
        return
    by_hand = change.cause is Cause.NOTE
    supply = any(text.startswith("no supply") for text in last.evidence)
    state = OperatingState.UNPOWERED if by_hand or supply else OperatingState.MUTED
    cause = Cause.NOTE if by_hand else Cause.UNKNOWN if supply else Cause.NONE
    found[-1] = replace(last, state=state, cause=cause, certainty=Certainty.LIKELY)


def _unobserved(serial: str, start_ns: int) -> StateSpan:
    state = OperatingState.UNOBSERVED if serial else OperatingState.ABSENT
    return StateSpan(
        serial=serial,
        state=state,
        cause=Cause.NONE,
        certainty=Certainty.CERTAIN,
        start_ns=start_ns,
        end_ns=start_ns,
    )
