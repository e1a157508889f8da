"""Facts of a run beside its readings: identity, state, rig files, files left out."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from rig.errors import SoakrigError
from rig.store import rundir
from rig.store.reader import RecordingState, RunReader


@dataclass(frozen=True, slots=True, kw_only=True)
class Frozen:
    """Rig file stored with a run. sessions: the numbers of those that were recorded with it.

    text: empty where it could not be read; sha256: of the text, 64 hex digits.
    """

    name: str
    text: str
    sha256: str
    sessions: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """Identity and state of a run. state: ``running``, ``finished``, ``stopped`` or ``crashed``.

    created_ns: UTC; planned_s: 0 for no plan; ended: why the run is over, '' if it may be resumed.
    skipped: what reading it leaves out, in sentences.
    """

    name: str
    id: str
    rig: str
    created_ns: int
    software: str
    planned_s: float
    state: str
    ended: str
    configs: tuple[Frozen, ...]
    skipped: tuple[str, ...]


def facts(run: RunReader) -> RunFacts:
    """Return the facts of a run directory. Raises nothing for files that cannot be read."""
    used: dict[str, list[int]] = {}
    for number, session in rundir.read_sessions(run.dir, run.disk).items():
        used.setdefault(session.facts.config, []).append(number)
    return RunFacts(
        name=run.dir.name,
        id=run.dir.id,
        rig=run.dir.rig,
        created_ns=run.dir.created_ns,
        software=run.dir.software,
        planned_s=run.dir.planned_s,
        state=state_word(run),
        ended=_ended(run),
        configs=tuple(_frozen(run, name, tuple(numbers)) for name, numbers in used.items()),
        skipped=tuple(f"{one.path.name}: {one.reason}" for one in run.skipped),
    )


def state_word(run: RunReader) -> str:
    """Return ``running``, ``finished`` (the run is over), ``stopped`` (it may be resumed) or ``crashed``."""
    if run.state is RecordingState.RUNNING:
        return "running"
    if rundir.has_ended(run.dir):
        return "finished"
    return "crashed" if run.state is RecordingState.CRASHED else "stopped"


def _ended(run: RunReader) -> str:
    try:
        return str(json.loads(run.disk.read(run.path / rundir.END)).get("reason", ""))
    except (OSError, ValueError, AttributeError):
        return ""


def _frozen(run: RunReader, name: str, sessions: tuple[int, ...]) -> Frozen:
    try:
        raw = run.disk.read(run.dir.folder("config") / f"{name}.yaml")
    except (OSError, SoakrigError):
        return Frozen(name=name, text="", sha256="", sessions=sessions)
    text = raw.decode("utf-8", "replace")
    return Frozen(name=name, text=text, sha256=hashlib.sha256(raw).hexdigest(), sessions=sessions)
