"""Header of every page: state of the recording, counts, faults."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from rich.text import Text

from rig.domain.formatting import clock_time, counted, duration, moment, size, stamp
from rig.view.cell_lines import Cell, line
from rig.view.row_tables import STYLES
from rig.view.snapshot import LinkState, PhaseView, RunState, Snapshot

_WAITING = frozenset({"due", "left", "held", "unknown"})
"""Stages of a phase in which a person may have to act."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """Size of the frame in cells, and the zone for times of day (None: this machine's)."""

    width: int
    height: int
    zone: tzinfo | None = None


def header(snapshot: Snapshot, canvas: Canvas, problems: Sequence[str] = ()) -> list[Text]:
    """Return the header lines; ``problems`` are faults of the view itself."""
    width = canvas.width
    lines = [_title(snapshot, canvas), _counts(snapshot, width), _progress(snapshot, width)]
    lines += [_phase(one, width) for one in snapshot.phases]
    for words, style in _notices(snapshot, problems, canvas.zone):
        lines.append(line([Cell(f"! {words}", style)], width))
    return lines


def _title(snapshot: Snapshot, canvas: Canvas) -> Text:
    style = {
        RunState.RUNNING: "bold green",
        RunState.STOPPED: "bold yellow",
        RunState.FINISHED: "bold cyan",
        RunState.PAST: "bold black on yellow",
        RunState.CRASHED: "bold white on red",
    }
    if snapshot.age_s is None:
        age = "no data yet"
    elif snapshot.stale:
        age = f"STALE {duration(snapshot.age_s)}"
    else:
        age = f"data {duration(max(0.0, snapshot.age_s))} old"
    now = f"{clock_time(snapshot.now_ns, canvas.zone)} {moment(snapshot.now_ns, canvas.zone):%Z}"
    right = f"{age}  {now}"
    run = snapshot.run
    name = run if run.startswith(snapshot.rig) else f"{snapshot.rig}  {run}"
    cells = [Cell(snapshot.state.value, style[snapshot.state]), Cell("  "), Cell(name, "bold")]
    loud = "bold white on red" if snapshot.stale else ""
    if canvas.width < len(right) + len(snapshot.state.value) + 4:
        return line([cells[0], Cell("  "), Cell(age, loud)], canvas.width)
    left = line(cells, canvas.width - len(right) - 2)
    left.append("  ")
    left.append(right, loud or None)
    return left


def _counts(snapshot: Snapshot, width: int) -> Text:
    cells: list[Cell] = []
    for condition, count in snapshot.counts().items():
        cells += [Cell(f"{count} {condition.value}", STYLES[condition]), Cell("  ")]
    return line([*cells, Cell(f"of {counted(len(snapshot.channels), 'channel')}", "dim")], width)


def _progress(snapshot: Snapshot, width: int) -> Text:
    link = Counter(one.link for one in snapshot.instruments)
    cells = [Cell("instruments: ", "dim")]
    for state in LinkState:
        if link[state]:
            cells += [Cell(f"{link[state]} {state.value}", STYLES[state]), Cell(" ")]
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
    return line([*cells, Cell(words, "bold yellow" if phase.stage in _WAITING else "")], width)


def _notices(snapshot: Snapshot, problems: Sequence[str], zone: tzinfo | None) -> list[tuple[str, str]]:
    loud = "bold white on red"
    notices: list[tuple[str, str]] = []
    if snapshot.stale and snapshot.age_s is not None:
        old = (
            f"STALE: nothing recorded for {duration(snapshot.age_s)}, all values below are old. Is "
            "soakrig log running?"
        )
        notices.append((old, loud))
    if snapshot.state is RunState.CRASHED:
        notices.append(("CRASHED: no logger running; the last session ended without a stop", loud))
    if snapshot.state in {RunState.FINISHED, RunState.STOPPED} and snapshot.newest_ns is not None:
        words = f"{snapshot.state.value.lower()}: values as of {stamp(snapshot.newest_ns, zone)}"
        notices.append((words, "cyan"))
    notices += [(words, loud) for words in snapshot.warnings]
    if snapshot.state is RunState.PAST:
        words = f"past state, as of {stamp(snapshot.now_ns, zone)}; keys , . a minute, < > an hour"
        notices.append((words, "bold yellow"))
    if problems:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        notices.append((f"fault of this view: {problems[0]}{more}", "bold red"))
    if snapshot.skipped:
        more = f" (and {len(snapshot.skipped) - 1} more)" if len(snapshot.skipped) > 1 else ""
        notices.append((f"not read: {snapshot.skipped[0]}{more}", "bold yellow"))
    return notices
