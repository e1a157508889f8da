"""Changes of state as the logger recorded them, or worked out where an older logger recorded none."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from rig.domain.model import Event, EventKind
from rig.domain.operating_state import Cause, Certainty, OperatingState, StateChange
from rig.domain.recording import Recording
from rig.domain.signals import SignalName, signals_of, wired
from rig.domain.unit_history import first_serial, histories

Events = Callable[[Collection[EventKind]], Sequence[Event]]
"""Events of some kinds, in recorded order."""


def recorded_or_worked_out(
    recording: Recording, events: Events
) -> dict[str, tuple[str, tuple[StateChange, ...]]]:
    """Return for each place who was in it at the begin, and its changes of state.

    The logger's own are taken where there are any: they cost no walk over the readings.
    """
    told = events({EventKind.STATE, EventKind.UNIT})
    units = recording.layout.units.values()
    firsts = {one.name: first_serial(one, told) for one in units}
    recorded = any(one.kind is EventKind.STATE for one in told)
    shown = any(SignalName.OUTPUT in wired(signals_of(recording.layout, one)) for one in units)
    if not recorded and shown:
        return {name: (firsts[name], one.changes) for name, one in histories(recording).items()}
    found: dict[str, list[StateChange]] = {name: [] for name in firsts}
    serials = dict(firsts)
    for event in told:
        change = _change(event, serials.get(event.subject, ""))
        if change is not None and event.subject in found:
            serials[event.subject] = change.serial
            found[event.subject].append(change)
    return {name: (firsts[name], tuple(changes)) for name, changes in found.items()}


def _change(event: Event, serial: str) -> StateChange | None:
    """Return the change of state that an event tells of; None for one that makes no sense."""
    data = event.data
    if event.kind is EventKind.UNIT:
        if "serial" not in data or str(data["serial"] or "") == serial:
            return None
        about_ns = data["at_ns"] if isinstance(data.get("at_ns"), int) else event.t_ns
        put_in = str(data["serial"] or "")
        return StateChange(
            serial=put_in,
            state=OperatingState.UNOBSERVED if put_in else OperatingState.ABSENT,
            before=OperatingState.UNOBSERVED,
            cause=Cause.NONE,
            certainty=Certainty.CERTAIN,
            earliest_ns=about_ns,
            latest_ns=about_ns,
            at_ns=event.t_ns,
        )
    try:
        return StateChange(
            serial=str(data["serial"]),
            state=OperatingState(data["state"]),
            before=OperatingState(data["before"]),
            cause=Cause(data["cause"]),
            certainty=Certainty(data["certainty"]),
            earliest_ns=int(data["earliest_ns"]),
            latest_ns=int(data["latest_ns"]),
            at_ns=event.t_ns,
            evidence=tuple(str(one) for one in data["evidence"]),
            retracts=data["retracts"] is True,
        )
    except (KeyError, TypeError, ValueError):
        return None
