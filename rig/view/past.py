"""Past state of any run, running or not, from all its files."""

from __future__ import annotations

from datetime import datetime, tzinfo
from pathlib import Path

import numpy as np

from rig.domain.formatting import stamp
from rig.domain.model import Series
from rig.domain.positions import by_effect
from rig.domain.time_of_day import last_time_of_day
from rig.errors import StoreError, UsageError
from rig.store import rundir
from rig.store.reader import RunReader
from rig.view.live_state import WINDOW_NS, LiveState
from rig.view.snapshot import RunState, Snapshot
from rig.view.snapshot_maker import Surroundings, picture

_SECOND = 1_000_000_000
STEPS_S = {"left": -60.0, "right": 60.0, ",": -60.0, ".": 60.0, "<": -3600.0, ">": 3600.0}
"""Keys that move in time, and how far."""


def recent(live: LiveState, run: RunReader, start_ns: int, end_ns: int) -> None:
    """Feed a stretch of all channels into a live state, thinned to what it keeps."""
    together: dict[tuple[str, bytes], list[Series]] = {}
    for name, channel in live.layout.channels.items():
        series = run.series(name, start_ns, end_ns)
        if len(series):
            source = channel.source.instrument if channel.source is not None else ""
            together.setdefault((source, series.t_ns.tobytes()), []).append(series)
    for group in together.values():
        t_ns = group[0].t_ns
        # the live state keeps one reading a second; the very last must be among them
        _, first = np.unique(t_ns // _SECOND, return_index=True)
        kept = sorted({*first.tolist(), len(t_ns) - 1})
        names = tuple(one.channel for one in group)
        values = np.column_stack([one.value[kept] for one in group]).tolist()
        statuses = np.column_stack([one.status[kept] for one in group])
        for row, at in enumerate(kept):
            live.scan(names, int(t_ns[at]), tuple(values[row]), statuses[row].tobytes())


class PastSnapshots:
    """Pictures of one run at a moment (UTC ns). Raises StoreError or FormatError if it cannot be shown."""

    def __init__(self, path: Path, at: str, zone: tzinfo | None = None) -> None:
        self._run = RunReader.open(path)
        if self._run.span == (0, 0):
            raise StoreError(f"{path} holds no readings yet, so it has no past to show")
        self.at_ns = moment_ns(at, self._run.span, zone)
        self._shown: tuple[int, Snapshot] | None = None

    def move(self, key: str) -> bool:
        """Go to an earlier or later moment of the run, where the key means that; return whether it does."""
        first, last = self._run.span
        self.at_ns = min(last, max(first, self.at_ns + round(STEPS_S.get(key, 0.0) * _SECOND)))
        return key in STEPS_S

    def look(self) -> Snapshot:
        """Return the room at the moment; it does not change by itself, so it is made once."""
        if self._shown is None or self._shown[0] != self.at_ns:
            self._shown = self.at_ns, self._made()
        return self._shown[1]

    def _made(self) -> Snapshot:
        sessions = rundir.read_sessions(self._run.dir)
        begun = [n for n, one in sessions.items() if one.facts.boot_ns + one.offset_ns <= self.at_ns]
        number = max(begun, default=min(sessions))
        live = LiveState(self._run.layout_of(number), self._run.dir.name)
        live.started_ns = min(self._run.dir.created_ns, self._run.span[0])
        for event in by_effect(self._run.events()):
            if event.t_ns <= self.at_ns:
                known = sessions.get(event.session)
                live.event(event, known.offset_ns if known else 0)
        recent(live, self._run, self.at_ns - WINDOW_NS, self.at_ns)
        skipped = tuple(f"{one.path.name}: {one.reason}" for one in self._run.skipped)
        return picture(live, Surroundings(now_ns=self.at_ns, state=RunState.PAST, skipped=skipped))


def moment_ns(text: str, span: tuple[int, int], zone: tzinfo | None = None) -> int:
    """Return the moment (UTC ns) that a text means within a recording.

    ``03:12`` or ``03:12:30`` is the last such time of day in it; else a date and time as ISO 8601 writes
    it. Without a zone of its own a text is in ``zone`` (None: this machine's). Raises UsageError.
    """
    at_ns = last_time_of_day(text, span[1], zone)
    if at_ns is None:
        try:
            at = datetime.fromisoformat(text.strip())
        except ValueError:
            raise UsageError(
                f"--at {text!r} is not a moment; write a time of day such as 03:12, or 2031-02-03T04:05"
            ) from None
        at_ns = _ns(at if at.tzinfo else at.replace(tzinfo=zone))
    if not span[0] <= at_ns <= span[1]:
        raise UsageError(
            f"--at {text}: {stamp(at_ns, zone)} is not in this recording, which runs from "
            f"{stamp(span[0], zone)} to {stamp(span[1], zone)}"
        )
    return at_ns


def _ns(at: datetime) -> int:
    return round(at.timestamp() * 1e6) * 1000
