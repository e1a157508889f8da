"""Resuming a run: serial numbers, limits in force, program state, changes of the rig file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from rig.domain import positions
from rig.domain.layout_json import layout_from_json
from rig.domain.limit_history import (
    LIMIT_CHANGING,
    Rest,
    change_data,
    limit_changes,
    only_limits_differ,
    rests_after,
)
from rig.domain.model import Event, EventKind, Layout
from rig.domain.recorded_excursions import Key
from rig.errors import DamageError, SoakrigError, StoreError, UsageError
from rig.store import rundir, session_state
from rig.store.files import OS_DISK, Disk
from rig.store.reader import RunReader
from rig.store.recover import RecoveryFinding
from rig.store.rundir import RunDir
from rig.store.session_state import SessionState
from rig.store.tail import Tail


class Keeper:
    """Session state of a run, kept on disk; ``findings`` are to be recorded at the start.

    program: state of the test program, {} where none was begun; lost: why it is unknown.
    config: digits of the rig file of this session; None: the one in force is kept. ``serials``: serial
    number by position. ``states``: what is known of each unit's operating state, as JSON
    values. The caller holds the run's lock.
    """

    def __init__(
        self, run: RunDir, layout: Layout, config: str | None, by: str, *, disk: Disk = OS_DISK
    ) -> None:
        self._run = run
        self._disk = disk
        state, fault = session_state.read(run, disk)
        self.config = state.config if config is None else config
        self.serials, swaps = positions.resumed(layout.units, state.serials, state.written)
        self._written = {name: unit.serial for name, unit in layout.units.items()}
        self.program: Mapping[str, Any] = state.program
        self.states: Mapping[str, Any] = state.states
        self.lost = ""
        if not state.program and layout.program is not None:
            never = bool(state.config)  # the file is whole and names no program: a pre-flight came before
            self.program, self.lost = _from_record(run, fault, disk, never_begun=never)
        self._saved = state
        findings = []
        if fault:
            text = f"session state of the run unknown, resuming by the rig file: {fault}"
            findings.append(RecoveryFinding(kind=EventKind.DAMAGE, subject="run", text=text))
        findings += [
            RecoveryFinding(
                kind=EventKind.UNIT, subject=one.unit, text=one.text, data=one.data() | {"by": by}
            )
            for one in swaps
        ]
        if state.config not in ("", self.config):
            findings += _changed(run, layout, (state.config, self.config), by, disk)
        self.findings = tuple(findings)

    def save(self) -> bool:
        """Write the session state if it changed; return whether the disk took it.

        Where the program is unknown, no rig file is named: the next session would take a complete file
        without a program for a program that never began.
        """
        unknown = self.lost and not self.program
        now = SessionState(
            config="" if unknown else self.config,
            serials=dict(self.serials),
            written=self._written,
            program=dict(self.program),
            states=dict(self.states),
        )
        if now == self._saved:
            return True
        try:
            session_state.write(self._run, now, self._disk)
        except StoreError:
            return False  # the record itself has it; the next change tries again
        self._saved = replace(now)
        return True


def refuse_other_measures(run: RunDir, layout: Layout, disk: Disk = OS_DISK) -> None:
    """Raise UsageError if a channel was recorded in another unit of measure earlier in this run.

    A channel's readings of all sessions are one series: degC and K in it would be a jump that never was.
    """
    seen = {session.facts.config for session in rundir.read_sessions(run, disk).values()}
    for config in sorted(seen - {""}):
        try:
            before = layout_from_json(rundir.frozen_layout(run, config, disk))
        except (DamageError, ValueError):
            continue  # reported by the session that resumes from it
        for name, channel in layout.channels.items():
            was = before.channels.get(name)
            if was is not None and was.unit_of_measure != channel.unit_of_measure:
                raise UsageError(
                    f"{name} was recorded in {was.unit_of_measure} in the run {run.path}, the rig file "
                    f"now says {channel.unit_of_measure}; one series cannot hold both: rename the channel, "
                    "or start a "
                    "new run with --new"
                )


def _from_record(run: RunDir, fault: str, disk: Disk, *, never_begun: bool) -> tuple[Mapping[str, Any], str]:
    """Return the program state from the journals not sealed yet, and why it is unknown.

    It is unknown where the session state is damaged and these journals hold no phase event.
    """
    sessions = rundir.read_sessions(run, disk)
    newest = max(sessions, default=None)
    if newest is None:
        return {}, ""
    parts: dict[tuple[str, ...], dict[str, Any]] = {}
    for event in reversed(Tail(run.path, disk=disk).poll().events):
        progress, group = event.data.get("progress"), event.data.get("group")
        if event.kind is EventKind.PHASE and isinstance(progress, dict):
            if not isinstance(group, list):
                if not parts:
                    return progress, ""
                break  # recorded before there were several groups
            parts.setdefault(tuple(map(str, group)), progress)
    if parts:
        why = fault or f"{run.path / session_state.NAME} is missing"  # of a group without an event here
        return {"groups": [{"units": list(units), **one} for units, one in parts.items()]}, why
    if never_begun:
        return {}, ""
    try:
        before = layout_from_json(rundir.frozen_layout(run, sessions[newest].facts.config, disk))
    except (DamageError, ValueError) as error:
        return {}, str(error)
    if before.program is None:
        return {}, ""
    return {}, fault or f"{run.path / session_state.NAME} is missing"


def _changed(
    run: RunDir, layout: Layout, configs: tuple[str, str], by: str, disk: Disk
) -> list[RecoveryFinding]:
    """Return the changes of the rig file; ``configs``: of the last session, of this one."""
    was, becomes = configs
    try:
        old = layout_from_json(rundir.frozen_layout(run, was, disk))
    except (DamageError, ValueError) as error:
        text = f"rig file changed since the last session; its old version cannot be read: {error}"
        return [RecoveryFinding(kind=EventKind.CONFIG_CHANGE, subject="run", text=text)]
    data = change_data(limit_changes(old, layout), layout, was, becomes) | {"by": by}
    others = only_limits_differ(old, layout)
    parts = [data["words"]] if data["words"] else []
    if others:
        parts.append(f"other changes: {', '.join(others[:12])}{' ...' if len(others) > 12 else ''}")
    words = "; ".join(parts) or "nothing that affects the recording"
    text = f"rig file changed since the last session: {words}"
    data["others"] = others
    return [RecoveryFinding(kind=EventKind.CONFIG_CHANGE, subject="run", text=text, data=data)]


def rests(run: RunDir, layout: Layout) -> dict[str, Rest]:
    """Return which limits sleep by the record; {} where it cannot be read."""
    try:
        return rests_after(layout, RunReader.open(run.path).events_of(LIMIT_CHANGING))
    except (SoakrigError, OSError):
        return {}


def said_meanwhile(run: RunDir) -> tuple[int | None, list[Event]]:
    """Return when the last session that read channels ended, and the notes and swaps recorded since.

    UTC ns, None where it is unknown. Called before the session that resumes has recorded anything but its
    start: it is told apart by its number.
    """
    try:
        reader = RunReader.open(run.path)
        *before, _ = reader.sessions
        lived = [one for one in before if not one.brief]
        if not lived:
            return None, []
        between = {one.number for one in before if one.number > lived[-1].number}
        told = reader.events_of({EventKind.NOTE, EventKind.UNIT}) if between else ()
        return lived[-1].end_ns, [one for one in told if one.session in between]
    except (SoakrigError, OSError, ValueError):
        return None, []


def left_open(run: RunDir) -> list[Key] | None:
    """Return channel and side of what the record says is still out; None where it cannot be read."""
    try:
        return RunReader.open(run.path).event_summary().open_keys
    except (SoakrigError, OSError):
        return None
