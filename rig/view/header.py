"""Header of every page: state of the recording, counts, faults."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from rich.text import Text

from rig.domain.formatting import clock_time, counted, duration, moment, size, stamp
from rig.view.cell_lines import Cell, line
from rig.view.snapshot import LinkState, PhaseView, RunState, Snapshot
from rig.view.snapshot_maker import LEAST_PATIENCE_S
from rig.view.unit_rows import losses_line
from rig.view.word_styles import ALARM, FAINT, NOTICE, STRONG, STYLES, counted_style

_WAITING = frozenset({"due", "left", "held", "unknown"})
"""Stages of a phase in which a person may have to act."""

_LEAST_NAME = 8
"""Cells from which a part of the run's name is worth its room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """Size of the frame in cells, and the zone for times of day (None: this machine's)."""

    width: int
    height: int
    zone: tzinfo | None = None


def header(snapshot: Snapshot, canvas: Canvas, problems: Sequence[str] = ()) -> list[Text]:
    """Return the header lines; ``problems`` are faults of the view itself."""
    width = canvas.width
    losses = losses_line(snapshot, width, canvas.zone)
    lines = [_title(snapshot, canvas), *([losses] if losses is not None else [])]
    lines += [_counts(snapshot, width), _progress(snapshot, width)]
    lines += [_phase(one, width) for one in snapshot.phases]
    for words, style in _notices(snapshot, problems, canvas.zone):
        lines.append(line([Cell(f"! {words}", style)], width))
    return lines


def _title(snapshot: Snapshot, canvas: Canvas) -> Text:
    """Return the state of the recording, the run, and how old the newest good reading is."""
    state = Cell(snapshot.state.value, STYLES[snapshot.state])
    if snapshot.stale:
        state = Cell("NO DATA", ALARM)
    age = _age(snapshot)
    now = f"{clock_time(snapshot.now_ns, canvas.zone)} {moment(snapshot.now_ns, canvas.zone):%Z}"
    right = f"{age}  {now}"
    run = snapshot.run
    name = run if run.startswith(snapshot.rig) else f"{snapshot.rig}  {run}"
    loud = ALARM if snapshot.stale else ""
    left_over = canvas.width - len(right) - len(state.text) - 4
    if left_over < _LEAST_NAME:
        return line([state, Cell("  "), Cell(right if left_over >= -2 else age, loud)], canvas.width)
    left = line([state, Cell("  "), Cell(name, STRONG)], canvas.width - len(right) - 2)
    left.append("  ")
    left.append(right, loud or None)
    return left


def _age(snapshot: Snapshot) -> str:
    """Return the age of the newest good reading in words."""
    if snapshot.age_s is None:
        return "no data yet" if snapshot.blind_s is None else "no good reading"
    age = duration(max(0.0, snapshot.age_s))
    if snapshot.live or snapshot.state is RunState.PAST:
        return f"data {age} old"
    return f"last known, {age} old"


def _counts(snapshot: Snapshot, width: int) -> Text:
    cells = [] if snapshot.live else [Cell("last known: ", STRONG)]
    for condition, count in snapshot.counts().items():
        style = counted_style(condition, live=snapshot.live)
        cells += [Cell(f"{count} {condition.value}", style), Cell("  ")]
    return line([*cells, Cell(f"of {counted(len(snapshot.channels), 'channel')}", FAINT)], width)


def _progress(snapshot: Snapshot, width: int) -> Text:
    link = Counter(one.link for one in snapshot.instruments)
    known = "" if snapshot.live else "last known "
    cells = [Cell(f"instruments: {known}", FAINT)]
    for state in LinkState:
        if link[state]:
            style = counted_style(state, live=snapshot.live)
            cells += [Cell(f"{link[state]} {state.value}", style), Cell(" ")]
    parts = [f"{duration(snapshot.elapsed_s)} elapsed"]
    if snapshot.planned_s > 0:
        share = snapshot.elapsed_s / snapshot.planned_s
        parts = [f"{duration(snapshot.elapsed_s)} of {duration(snapshot.planned_s)} ({share:.0%})"]
    if snapshot.disk_free is not None:
        parts.append(f"{size(snapshot.disk_free)} free")
    parts.append(f"session {snapshot.session}")
    if snapshot.alerts:
        parts.append(snapshot.alerts)
    if snapshot.gaps:
        parts.append(counted(snapshot.gaps, "gap"))
    return line([*cells, Cell("| " + " | ".join(parts))], width)


def _phase(phase: PhaseView, width: int) -> Text:
    """Return the line of the test program: phase, stage, remaining time."""
    cells = [Cell("phase ", "dim"), Cell(phase.name, "bold")]
    if phase.number:
        cells.append(Cell(f" (pass {phase.number})", "dim"))
    if phase.group:
        cells.append(Cell(f" for {', '.join(phase.group)}"))
    parts = [phase.stage] if phase.stage else []
    if phase.left_s is not None and phase.done_s is not None and phase.planned_s is not None:
        parts.append(f"{duration(phase.left_s)} to go of {duration(phase.planned_s)}")
    if phase.cycles is not None and phase.planned_cycles is not None:
        parts.append(f"{max(0, phase.planned_cycles - phase.cycles)} to go of {phase.planned_cycles} cycles")
    parts += [
        f"{unit} {duration(one.to_go_s)} to go"
        for unit, one in phase.units.items()
        if one.to_go_s is not None and one.to_go_s != phase.left_s
    ]
    words = "".join(f" | {one}" for one in parts)
    return line([*cells, Cell(words, NOTICE if phase.stage in _WAITING else "")], width)


def _stale_words(snapshot: Snapshot, zone: tzinfo | None) -> str:
    """Return what is known of why no good reading comes, and how old the last one is."""
    if snapshot.good_ns is None or snapshot.age_s is None:
        since = f"for at least {duration(snapshot.blind_s or 0.0)}"
    else:
        since = f"for {duration(snapshot.age_s)}, since {clock_time(snapshot.good_ns, zone)}"
    newest_s = (snapshot.now_ns - (snapshot.newest_ns or snapshot.now_ns)) / 1e9
    if newest_s <= LEAST_PATIENCE_S:
        return f"NO DATA: no good reading of any instrument {since}; all values below are old"
    return f"NO DATA: nothing recorded {since}; all values below are old. Is soakrig log running?"


def _notices(snapshot: Snapshot, problems: Sequence[str], zone: tzinfo | None) -> list[tuple[str, str]]:
    notices: list[tuple[str, str]] = []
    if snapshot.stale:
        notices.append((_stale_words(snapshot, zone), ALARM))
    if snapshot.state is RunState.CRASHED:
        notices.append(("CRASHED: no logger running; the last session ended without a stop", ALARM))
    if snapshot.state in {RunState.FINISHED, RunState.STOPPED} and snapshot.newest_ns is not None:
        words = f"{snapshot.state.value.lower()}: values as of {stamp(snapshot.newest_ns, zone)}"
        notices.append((words, STRONG))
    notices += [(words, ALARM) for words in snapshot.warnings]
    if snapshot.state is RunState.PAST:
        words = f"past state, as of {stamp(snapshot.now_ns, zone)}; keys , . a minute, < > an hour"
        notices.append((words, STRONG))
    if problems:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        notices.append((f"fault of this view: {problems[0]}{more}", ALARM))
    if snapshot.skipped:
        more = f" (and {len(snapshot.skipped) - 1} more)" if len(snapshot.skipped) > 1 else ""
        notices.append((f"not read: {snapshot.skipped[0]}{more}", STRONG))
    return notices
