"""Changes of a unit's state in words, with the caution where they send somebody to it."""

from __future__ import annotations

from rig.domain import cautions
from rig.domain.operating_state import Cause, Certainty, OperatingState, StateChange

_CAUSES = {
    Cause.NONE: "",
    Cause.ORDER: " (switched off by soakrig)",
    Cause.NOTE: " (by hand, as noted)",
    Cause.MAINS: " (no mains)",
    Cause.UNKNOWN: " (cause unknown)",
}


def words(unit: str, change: StateChange) -> str:
    """Return a change of state as one line."""
    name = f"{unit} ({change.serial})" if change.serial else unit
    back = "; the suspected failure was none" if change.retracts else ""
    if change.state is OperatingState.FAILED:
        how = "FAILED, noted by a person" if change.cause is Cause.NOTE else "suspected to have FAILED"
        sure = "" if change.certainty is Certainty.CERTAIN else f" ({change.certainty})"
        return f"{name} {how}{sure}: {'; '.join(change.evidence)}. {cautions.FAILED_UNIT}"
    return f"{name} {change.state}{_CAUSES[change.cause]}{back}"
