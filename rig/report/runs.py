"""The list of runs in a folder, one line each."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path

from rig.core.wording import counted, duration, moment, size
from rig.errors import SoakrigError, UsageError
from rig.report.paper import table, wrapped
from rig.report.recorded import state_word
from rig.store import rundir
from rig.store.reader import Run

_WIDTH = 120


def text(folder: Path) -> str:
    """Return the runs of a folder as a table, oldest first. Raises UsageError if it is no folder."""
    if not folder.is_dir():
        raise UsageError(f"{folder} is not a folder; name the folder that holds the runs")
    paths = rundir.list_runs(folder)
    if not paths:
        return f"no runs in {folder}"
    rows: list[tuple[str, ...]] = [
        ("run", "rig", "state", "began (UTC)", "length", "sessions", "out of limit", "size")
    ]
    reasons: list[str] = []
    rows += [_row(path, reasons) for path in paths]
    lines = table(rows, _WIDTH, frozenset({4, 5, 7}))
    lines += [text for reason in reasons for text in wrapped(reason, _WIDTH, "not read: ", "          ")]
    return "\n".join(lines)


def _row(path: Path, reasons: list[str]) -> tuple[str, ...]:
    """Return the line of one run; what of it cannot be read is added to ``reasons``."""
    try:
        run = Run.open(path)
        start_ns, end_ns = run.span
        events = run.events()
    except (SoakrigError, OSError) as error:
        reasons.append(f"{path.name}: {error}")
        return (path.name, "?", "unreadable", "", "", "", "", size(_bytes(path)))
    reasons += [f"{path.name}: {one.path.name}: {one.reason}" for one in run.skipped]
    counted_out = [event for event in events if event.kind == "limit-out"]
    units = {
        run.layout.channels[e.subject].unit or "room" for e in counted_out if e.subject in run.layout.channels
    }
    out = f"{counted(len(counted_out), 'time')}: {', '.join(sorted(units))}" if counted_out else "never"
    return (
        path.name,
        run.dir.rig,
        state_word(run),
        f"{moment(run.dir.created_ns, UTC):%Y-%m-%d %H:%M}",
        duration((end_ns - start_ns) / 1e9) if end_ns else "-",
        str(len(run.sessions)),
        out,
        size(_bytes(path)),
    )


def _bytes(path: Path) -> int:
    """Return how much the files of a run hold; what vanishes meanwhile (sealing goes on) counts nothing."""
    total = 0
    for one in path.rglob("*"):
        try:
            total += one.stat().st_size if one.is_file() else 0
        except OSError:
            continue
    return total
