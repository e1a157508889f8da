"""Which unit an answer is about: one serial number, from its installation to its failure or removal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.domain.formatting import counted, duration
from rig.domain.incidents import COMMON_S
from rig.domain.operating_state import Cause, OperatingState, StateChange
from rig.domain.recorded_states import recorded_or_worked_out
from rig.forensics.analysis_data import AnalysisData


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStay:
    """Stay of one serial number in a place, UTC ns; failed: how it ended, where it failed there."""

    unit: str
    serial: str
    start_ns: int
    end_ns: int
    failed: StateChange | None = None

    @property
    def failed_ns(self) -> int | None:
        """Middle of the interval in which it failed; None where it did not."""
        return None if self.failed is None else (self.failed.earliest_ns + self.failed.latest_ns) // 2


def unit_stays(data: AnalysisData) -> dict[str, UnitStay]:
    """Return for each place the stay that an answer is about: the last one that failed, else the last one."""
    found = {}
    for name, (first, changes) in recorded_or_worked_out(data.recording, data.events).items():
        stays = _stays(name, first, changes, data.span_ns)
        found[name] = next((one for one in reversed(stays) if one.failed is not None), stays[-1])
    return found


def _stays(unit: str, first: str, changes: Sequence[StateChange], span_ns: tuple[int, int]) -> list[UnitStay]:
    """Return the stays in a place, oldest first; an empty place alone is one without a serial number."""
    made: list[UnitStay] = []
    serial, start_ns, failed = first, span_ns[0], None
    for change in changes:
        if change.serial != serial:
            if serial:
                made.append(_life(unit, serial, (start_ns, change.latest_ns), failed))
            serial, start_ns, failed = change.serial, change.latest_ns, None
        if change.retracts:
            failed = None
        if change.state is OperatingState.FAILED and (failed is None or change.cause is not Cause.NOTE):
            failed = change
    if serial or not made:
        made.append(_life(unit, serial, (start_ns, span_ns[1]), failed))
    return made


def _life(unit: str, serial: str, stay_ns: tuple[int, int], failed: StateChange | None) -> UnitStay:
    return UnitStay(unit=unit, serial=serial, start_ns=stay_ns[0], end_ns=stay_ns[1], failed=failed)


def story_ends_ns(life: UnitStay) -> int:
    """Return from when on nothing that happens belongs to a unit's failure: it failed, or was taken out."""
    return life.end_ns if life.failed is None else min(life.end_ns, life.failed.at_ns)


def room_words(lives: Sequence[UnitStay], unit: str | None) -> str:
    """Return in words what became of the other units when this one failed; '' where it did not."""
    several = together(lives, unit)
    mine = next((one for one in lives if one.unit == unit), None)
    if several or mine is None or mine.failed_ns is None:
        return several
    others = [one for one in lives if one.unit != unit and one.failed is None and one.serial]
    if not others:
        return ""
    return f"{counted(len(others), 'other unit')} did not fail"


def together(lives: Sequence[UnitStay], unit: str | None) -> str:
    """Return in words which units failed with this one (None: with each other); '' where it was alone."""
    failed = sorted((one for one in lives if one.failed_ns is not None), key=lambda one: one.failed_ns or 0)
    mine = next((one.failed_ns for one in failed if one.unit == unit), None)
    if mine is not None:
        failed = [one for one in failed if abs((one.failed_ns or 0) - mine) <= COMMON_S * 1e9]
    if len(failed) < 2:
        return ""
    first, last = failed[0].failed_ns or 0, failed[-1].failed_ns or 0
    if (last - first) / 1e9 > COMMON_S:
        return ""
    names = ", ".join(one.unit for one in failed)
    apart = duration((last - first) / 1e9)
    return f"{len(failed)} of {counted(len(lives), 'unit')} failed within {apart} ({names})"
