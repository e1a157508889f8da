"""What many runs can be asked: each question is a value that answers for one run, anywhere.

A question is pickled and sent to a worker; the answer is a value that compares equal wherever it
was made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from rig.endurance.event_search import EventMatch, EventQuery, matches
from rig.endurance.run_identity import RunIdentity
from rig.endurance.run_summary import RunSummary, summary
from rig.errors import SoakrigError
from rig.fleet.run_places import open_run, size_of
from rig.reliability.run_digest import RunDigest, digest
from rig.reliability.service_hours import Counting
from rig.reliability.unit_life import SerialTrace, trace
from rig.store import rundir
from rig.store.files import there
from rig.store.reader import RecordingState, RunReader

T_co = TypeVar("T_co", covariant=True)
T = TypeVar("T")


class RunQuestion(Protocol[T_co]):
    """Something that one run can be asked."""

    def __call__(self, run: RunReader, facts: RunIdentity) -> T_co:
        """Return the answer of one run. Raises SoakrigError where it has none."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAnswer(Generic[T]):
    """What one run answered, or why it did not. Exactly one of ``value`` and ``error`` is set."""

    where: str
    value: T | None = None
    error: str = ""


@dataclass(frozen=True, slots=True)
class Summarise:
    """A run in one line."""

    def __call__(self, run: RunReader, facts: RunIdentity) -> RunSummary:
        """Return the summary of one run."""
        return summary(run, facts, size_of(run))


@dataclass(frozen=True, slots=True)
class DigestQuestion:
    """A run's account in few numbers; ``counting``: which hours count, None: as its rig file allows."""

    counting: Counting | None = None

    def __call__(self, run: RunReader, facts: RunIdentity) -> RunDigest:
        """Return the digest of one run."""
        return digest(run, facts, self.counting)


@dataclass(frozen=True, slots=True)
class LifeQuestion:
    """What a run holds on one serial number."""

    serial: str

    def __call__(self, run: RunReader, facts: RunIdentity) -> SerialTrace:
        """Return what one run holds on it."""
        return trace(run, facts, self.serial)


@dataclass(frozen=True, slots=True)
class Search:
    """Everything in a run that fits a query."""

    query: EventQuery

    def __call__(self, run: RunReader, facts: RunIdentity) -> list[EventMatch]:
        """Return what fits in one run."""
        return matches(run, facts, self.query)


def answered(question: RunQuestion[T], where: str) -> RunAnswer[T]:
    """Return the answer of the run at an address; a run that cannot be read says so and stops nobody."""
    try:
        run = open_run(where)
        return RunAnswer(where=where, value=question(run, facts_of(run, where)))
    except (SoakrigError, OSError) as error:
        return RunAnswer(where=where, error=str(error))


def facts_of(run: RunReader, where: str) -> RunIdentity:
    """Return a run by name, with what could not be read of it."""
    return RunIdentity(
        run=run.dir.id,
        name=run.dir.name,
        rig=run.dir.rig,
        where=where,
        state=_state(run),
        created_ns=run.dir.created_ns,
        skipped=tuple(f"{one.path.name}: {one.reason}" for one in run.skipped),
    )


def _state(run: RunReader) -> str:
    if run.state is RecordingState.RUNNING:
        return "running"
    if rundir.has_ended(run.dir, run.disk):
        return "finished"
    if run.state is RecordingState.FINISHED:
        return "stopped"
    # a copy has no lock: nobody can tell from it whether the run still goes on elsewhere
    return "crashed" if there(run.disk, run.path / rundir.LOCK) else "unfinished copy"
