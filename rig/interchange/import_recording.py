"""From tracks to an ordinary run: through the store's own writer, judged like a live session, sealed.

The boot clock of an imported session is the files' own time: its zero is 1970-01-01 UTC. Each session has
a boot of its own, because nothing but the stamps relates the time before a step back to the time after.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from rig import __version__
from rig.clock import SYSTEM
from rig.domain.derived import DerivedChannels, Evaluate
from rig.domain.formatting import counted, duration
from rig.domain.formula import Formula
from rig.domain.layout_json import to_json
from rig.domain.limit_evaluation import Evaluation, LimitFinding
from rig.domain.model import Channel, EventKind, InstrumentFacts, Layout, Scan, Unit
from rig.domain.recorded_excursions import Key, left_open_data
from rig.errors import StoreError
from rig.interchange.limits_file import INSTRUMENT, Meaning
from rig.interchange.table_tracks import (
    SESSIONS_MOST,
    ReadingRows,
    RowOrder,
    SetAside,
    SourceFile,
    StepBack,
    joined,
    numbered,
    ordered,
    sentence,
)
from rig.store import rundir, seal
from rig.store.files import OS_DISK, publish
from rig.store.rundir import Lock, RunDir
from rig.store.writer import RunWriter

FOLDER = "import"
ASIDE = "set-aside.jsonl"
BATCH_ROWS = 40_000
BATCH_READINGS = 1_000_000
SILENCE_PERIODS = 3.0
STEPS_TOLD = 20
USUAL = frozenset({"form", "width"})
"""Notes that only the first event of the recording holds: they are about every file."""
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """An import that is done: the run, and what is in it. span_ns: UTC of first and last stamp."""

    path: Path
    readings: int
    sessions: int
    span_ns: tuple[int, int]
    set_aside: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _RecordingPlan:
    """What is recorded: tracks and their order, the layout, and the table of blocks."""

    tracks: Sequence[ReadingRows]
    order: RowOrder
    layout: Layout
    blocks: tuple[tuple[str, ...], ...]
    formulas: Mapping[str, tuple[tuple[str, ...], Evaluate]]


def record(
    sources: Sequence[SourceFile], meaning: Meaning, runs: Path, name: str | None, say: Say
) -> Imported:
    """Return the run that these files make, under ``runs``. Raises StoreError, UsageError.

    A run that could not be finished is removed again.
    """
    plan = _plan(sources, meaning, say)
    _say_order(plan.order, sources, say)
    run = rundir.create(
        runs, rig=meaning.rig, created_ns=SYSTEM.utc_ns(), software=_software(), name=name,
        planned_s=plan.layout.planned_s,
    )  # fmt: skip
    try:
        with Lock(run.path / rundir.LOCK).acquire("soakrig import"):
            readings = _write(run, plan, sources, meaning, say)
            rundir.end_run(run, SYSTEM.utc_ns(), "imported")
            _keep_aside(run, sources)
        outcome = seal.seal(run, finish=True)
        if outcome.wrong:
            raise StoreError(f"{run.path} could not be sealed: {'; '.join(outcome.wrong)}")
    except BaseException:
        shutil.rmtree(run.path, ignore_errors=True)
        raise
    return Imported(
        path=run.path, readings=readings, sessions=int(plan.order.session[-1]) + 1,
        span_ns=_span(plan.tracks), set_aside=sum(len(source.aside) for source in sources),
    )  # fmt: skip


def _say_order(order: RowOrder, sources: Sequence[SourceFile], say: Say) -> None:
    """Say which stamps repeat or step back; nothing is put into another order for it."""
    kept = "kept, in the order of the file"
    if order.repeated:
        say(f"{counted(order.repeated, 'row')} with the stamp of the row before: {kept}")
    if order.within:
        say(f"{counted(order.within, 'step')} back within what the stamps resolve: {kept}")
    for step in order.steps[:STEPS_TOLD]:
        say(f"{step_text(step, sources)}: session {step.session + 1} begins")
    if len(order.steps) > STEPS_TOLD:
        say(f"{len(order.steps) - STEPS_TOLD} more steps back; at most {SESSIONS_MOST} sessions are begun")


def _software() -> str:
    return f"soakrig {__version__} import"


def _span(tracks: Sequence[ReadingRows]) -> tuple[int, int]:
    filled = [track for track in tracks if len(track)]
    return min(int(t.t_ns.min()) for t in filled), max(int(t.t_ns.max()) for t in filled)


def _plan(sources: Sequence[SourceFile], meaning: Meaning, say: Say) -> _RecordingPlan:
    tracks = joined([numbered(track, k) for k, source in enumerate(sources) for track in source.tracks])
    tracks = [track for track in tracks if len(track)]
    period_s = _period_s(tracks)
    measured = {name for track in tracks for name in track.channels}
    channels = {
        name: one for name, one in meaning.channels.items() if name in measured or one.formula is not None
    }
    channels = _computable(channels, say)
    silence_s = SILENCE_PERIODS * period_s
    unwritten = [n for n, one in channels.items() if n not in meaning.silences and one.silence_s < silence_s]
    if unwritten:
        say(
            f"silence is {duration(silence_s)} where none is written: readings are {duration(period_s)} apart"
        )
        channels |= {name: replace(channels[name], silence_s=silence_s) for name in unwritten}
    facts = InstrumentFacts(name=INSTRUMENT, bus=INSTRUMENT, driver="import", poll_s=period_s, timeout_s=0.0)
    first, last = _span(tracks)
    layout = Layout(
        rig=meaning.rig,
        units={n: _known(unit, channels) for n, unit in meaning.units.items()},
        channels=channels,
        instruments={INSTRUMENT: facts},
        planned_s=(last - first) / 1e9,
    )
    formulas = {n: Formula(one.formula) for n, one in channels.items() if one.formula is not None}
    return _RecordingPlan(
        tracks=tracks, order=ordered(tracks), layout=layout,
        blocks=(*(track.channels for track in tracks), *((name,) for name in formulas)),
        formulas={n: (tuple(sorted(one.names)), one.evaluate) for n, one in formulas.items()},
    )  # fmt: skip


def _computable(channels: Mapping[str, Channel], say: Say) -> dict[str, Channel]:
    """Return the channels without those whose formulas lack a channel."""
    kept = dict(channels)
    while True:
        lacking = {
            name: missing
            for name, one in kept.items()
            if one.formula is not None and (missing := set(Formula(one.formula).names) - set(kept))
        }
        if not lacking:
            return kept
        for name, missing in lacking.items():
            say(f"{name} is left out: its formula needs {', '.join(sorted(missing))}")
            del kept[name]


def _known(unit: Unit, channels: Mapping[str, Channel]) -> Unit:
    return replace(unit, channels=tuple(name for name in unit.channels if name in channels))


def _period_s(tracks: Sequence[ReadingRows]) -> float:
    """Return the usual time between readings of the slowest track."""
    periods = [0.0]
    for track in tracks:
        steps = np.diff(track.t_ns)
        steps = steps[steps > 0]
        if len(steps):
            periods.append(float(np.median(steps)) / 1e9)
    return max(periods)


# ---- writing


def _write(
    run: RunDir, plan: _RecordingPlan, sources: Sequence[SourceFile], meaning: Meaning, say: Say
) -> int:
    config = rundir.freeze_config(run, meaning.text, to_json(plan.layout))
    order = plan.order
    edges = [0, *(np.flatnonzero(np.diff(order.session)) + 1).tolist(), len(order.session)]
    readings = 0
    left_open: set[Key] = set()
    for number, (a, b) in enumerate(pairwise(edges), 1):
        begins_ns = _row_ns(plan, a)
        writer = RunWriter(
            run, session=number, boot_id=f"import-{sources[0].sha256[:16]}-{number}", boot_ns=begins_ns,
            utc_ns=begins_ns, synchronised=False, blocks=plan.blocks, software=_software(),
            host="unknown: imported", config=config,
        )  # fmt: skip
        session = _Session(writer, plan, begins_ns, left_open)
        if number == 1:
            _begin(session, sources, meaning)
        _say_steps(session, plan, sources, number)
        readings += session.rows(a, b, say, of=len(order.session))
        session.end(number)
        left_open = session.still_open()
    return readings


def _row_ns(plan: _RecordingPlan, at: int) -> int:
    """Return the beginning of the interval of a row."""
    track = plan.tracks[plan.order.track[at]]
    row = plan.order.row[at]
    return int(track.t_ns[row] - track.h_ns[row])


class _Session:
    """One session of the run while it is written: every reading to the journal, then judged."""

    def __init__(
        self, writer: RunWriter, plan: _RecordingPlan, begins_ns: int, left_open: Collection[Key]
    ) -> None:
        self.writer, self._plan = writer, plan
        self.begins_ns = self._now_ns = self._ticked_ns = begins_ns
        channels = plan.layout.channels
        self._evaluation = Evaluation(plan.blocks, channels, begins_ns, left_open)
        self.goes_on_with = left_open_data(left_open)
        self.still_open = self._evaluation.still_open
        self._derived = DerivedChannels(plan.blocks, plan.formulas)
        self._pace_ns = round(min(one.silence_s for one in channels.values()) * 1e9 / 4)

    def rows(self, a: int, b: int, say: Say, *, of: int) -> int:
        """Write the rows from ``a`` to ``b`` of the order; return the number of readings."""
        readings, at = 0, a
        widest = max(len(track.channels) for track in self._plan.tracks)
        size = max(1, min(BATCH_ROWS, BATCH_READINGS // widest))
        reported = a * 10 // of
        while at < b:
            until = min(at + size, b)
            for scan in self._scans(at, until):
                readings += self._one(scan)
            self.writer.sync()
            at = until
            if at * 10 // of > reported and of > 5 * BATCH_ROWS:
                reported = at * 10 // of
                say(f"{reported * 10} % of {counted(of, 'row')} written")
        return readings

    def _scans(self, a: int, b: int) -> list[Scan]:
        order, tracks = self._plan.order, self._plan.tracks
        made = []
        for k, row in zip(order.track[a:b].tolist(), order.row[a:b].tolist(), strict=True):
            track = tracks[k]
            t_ns, h_ns = int(track.t_ns[row]), int(track.h_ns[row])
            made.append(Scan(
                block=k, sent_ns=t_ns - h_ns, received_ns=t_ns + h_ns,
                values=tuple(track.value[row].tolist()), statuses=track.status[row].tobytes(),
            ))  # fmt: skip
        return made

    def _one(self, scan: Scan) -> int:
        """Write one scan and what follows from it; return the number of readings."""
        self._now_ns = max(self._now_ns, scan.received_ns)
        if scan.sent_ns - self._ticked_ns >= self._pace_ns:
            self._ticked_ns = scan.sent_ns
            self._findings(self._evaluation.tick(scan.sent_ns))
        scans = [scan, *self._derived.feed(scan)]
        self.writer.scans(scans)
        for one in scans:
            self._findings(self._evaluation.feed(one))
        return sum(len(one.values) for one in scans)

    def _findings(self, findings: Sequence[LimitFinding]) -> None:
        for one in findings:
            self.writer.event(one.kind, one.boot_ns, one.channel, one.text, one.data)

    def end(self, number: int) -> None:
        """Stop the session and close its journal."""
        self.writer.event(
            EventKind.SESSION_STOP, self._now_ns, "run",
            f"session {number} stopped: end of the imported rows", {"reason": "end of the imported rows"},
        )  # fmt: skip
        self.writer.close()


def _begin(session: _Session, sources: Sequence[SourceFile], meaning: Meaning) -> None:
    """Say in the recording what was imported, how it was read, and what was remarkable."""
    names = ", ".join(source.path.name for source in sources)
    files = [
        {
            "name": source.path.name,
            "sha256": source.sha256,
            "rows": source.rows,
            **source.facts,
            "found": [sentence(note) for note in source.notes.found.values()],
        }
        for source in sources
    ]
    data = {"software": _software(), "files": files, "limits_file": meaning.file} | session.goes_on_with
    session.writer.event(
        EventKind.SESSION_START, session.begins_ns, "run", f"session 1: imported from {names}", data
    )
    for source in sources:
        for (code, _), note in source.notes.found.items():
            if code in USUAL:
                continue
            session.writer.event(
                EventKind.NOTE, session.begins_ns, "run", f"{source.path.name}: {sentence(note)}",
                {"file": source.path.name, "code": code, "count": note.count, "first_lines": note.lines},
            )  # fmt: skip
        if source.aside:
            text = f"{source.path.name}: {counted(len(source.aside), 'line')} set aside in {FOLDER}/{ASIDE}"
            session.writer.event(
                EventKind.DAMAGE, session.begins_ns, "run", text,
                {"file": source.path.name, "lines": len(source.aside), "first_line": source.aside[0].line,
                 "reason": source.aside[0].reason},
            )  # fmt: skip


def _say_steps(session: _Session, plan: _RecordingPlan, sources: Sequence[SourceFile], number: int) -> None:
    """Say in the recording where the stamps step back; a session that is not the first begins so."""
    mine = [step for step in plan.order.steps if step.session == number - 1]
    if number > 1:
        session.writer.event(
            EventKind.SESSION_START, session.begins_ns, "run",
            f"session {number}: the stamps step back, so nothing but the stamps relates it to the one before",
            {"software": _software()} | session.goes_on_with,
        )  # fmt: skip
    for step in mine[:STEPS_TOLD]:
        session.writer.event(
            EventKind.CLOCK_STEP, session.begins_ns, "run", step_text(step, sources),
            {"step_s": -step.by_ns / 1e9, "line": step.line, "file": sources[step.file].path.name},
        )  # fmt: skip
    if len(mine) > STEPS_TOLD:
        text = f"{len(mine) - STEPS_TOLD} more steps back in this session; its rows keep their order"
        session.writer.event(EventKind.NOTE, session.begins_ns, "run", text, {"code": "step-back"})


def step_text(step: StepBack, sources: Sequence[SourceFile]) -> str:
    """Return a step back in words."""
    name = sources[step.file].path.name
    return f"{name}, line {step.line}: the stamps step back by {duration(step.by_ns / 1e9)}"


def _keep_aside(run: RunDir, sources: Sequence[SourceFile]) -> None:
    """Keep the lines that could not become readings, one JSON object a line."""
    rows: list[tuple[str, SetAside]] = [(s.path.name, one) for s in sources for one in s.aside]
    if not rows:
        return
    folder = run.path / FOLDER
    OS_DISK.make_dir(folder)
    content = "".join(
        json.dumps(
            {"file": name, "line": one.line, "reason": one.reason, "text": one.text}, ensure_ascii=False
        )
        + "\n"
        for name, one in rows
    )
    publish(OS_DISK, folder / ASIDE, content.encode("utf-8", "backslashreplace"))
