"""What was read from files, as arrays: tracks of readings, and notes of everything remarkable.

A track is a list of rows that share their stamps, in the order of the file. ``ordered`` puts tracks
into the order in which they are recorded, without ever changing the order of one channel's readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
SESSIONS_MOST = 64
"""Steps back after which no more sessions are begun; the readings go on in the last one."""
LINES_TOLD = 3
KINDS_TOLD = 200
"""Different sentences about one file; more are counted together."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingRows:
    """Rows of readings. t_ns, h_ns, line, file (its index): one per row; value, status: rows x channels."""

    channels: tuple[str, ...]
    t_ns: Ints
    h_ns: Ints
    value: NDArray[np.float64]
    status: NDArray[np.uint8]
    line: Ints
    file: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.t_ns)

    def only(self, column: int) -> ReadingRows:
        """Return the track of one of its channels."""
        return ReadingRows(
            channels=(self.channels[column],), t_ns=self.t_ns, h_ns=self.h_ns,
            value=self.value[:, column : column + 1], status=self.status[:, column : column + 1],
            line=self.line, file=self.file,
        )  # fmt: skip


@dataclass(slots=True)
class Note:
    """Something remarkable: how often, and on which lines first."""

    text: str
    count: int = 0
    lines: list[int] = field(default_factory=list)


@dataclass(slots=True)
class Notes:
    """Collects what is remarkable about one file. ``of`` is its name."""

    of: str
    found: dict[tuple[str, str], Note] = field(default_factory=dict)

    def say(self, code: str, text: str, line: int | None = None, count: int = 1) -> None:
        """Count one more of what ``text`` says (stable word: ``code``), on ``line`` where that is known."""
        if len(self.found) >= KINDS_TOLD and (code, text) not in self.found:
            text = f"more of the kind {code!r}"
        note = self.found.setdefault((code, text), Note(text))
        note.count += count
        if line is not None and len(note.lines) < LINES_TOLD:
            note.lines.append(line)

    def sentences(self) -> list[str]:
        """Return one line of text for each note."""
        return [f"{self.of}: {sentence(note)}" for note in self.found.values()]


def sentence(note: Note) -> str:
    """Return a note in words, with its count and first lines."""
    if not note.lines:
        return note.text
    more = ", ..." if note.count > len(note.lines) else ""
    word = "line" if note.count == 1 else f"{note.count} lines:"
    return f"{note.text} ({word} {', '.join(map(str, note.lines))}{more})"


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A line that cannot become a reading: its number, why, and its text."""

    line: int
    reason: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A file that was read: tracks, notes, what was set aside, and what its reading rests on.

    facts: JSON values for the recording (delimiter, format of stamps...). rows: data lines.
    """

    path: Path
    sha256: str
    tracks: tuple[ReadingRows, ...]
    notes: Notes
    aside: tuple[SetAside, ...]
    facts: dict[str, object]
    rows: int


def numbered(track: ReadingRows, index: int) -> ReadingRows:
    """Return the track as belonging to file number ``index``."""
    return ReadingRows(
        channels=track.channels, t_ns=track.t_ns, h_ns=track.h_ns, value=track.value, status=track.status,
        line=track.line, file=np.full(len(track), index, np.int32),
    )  # fmt: skip


def joined(tracks: Sequence[ReadingRows]) -> list[ReadingRows]:
    """Return tracks in which every channel occurs once; those of equal channels are put end to end."""
    groups: dict[tuple[str, ...], list[ReadingRows]] = {}
    for track in tracks:
        groups.setdefault(track.channels, []).append(track)
    names = [name for channels in groups for name in channels]
    if len(names) != len(set(names)):
        singles = [track.only(k) for track in tracks for k in range(len(track.channels))]
        groups = {}
        for track in singles:
            groups.setdefault(track.channels, []).append(track)
    return [_end_to_end(group) for group in groups.values()]


def _end_to_end(group: Sequence[ReadingRows]) -> ReadingRows:
    if len(group) == 1:
        return group[0]
    return ReadingRows(
        channels=group[0].channels,
        t_ns=np.concatenate([one.t_ns for one in group]),
        h_ns=np.concatenate([one.h_ns for one in group]),
        value=np.concatenate([one.value for one in group]),
        status=np.concatenate([one.status for one in group]),
        line=np.concatenate([one.line for one in group]),
        file=np.concatenate([one.file for one in group]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StepBack:
    """Stamps that go backwards: from one reading of a track to the next."""

    file: int
    line: int
    by_ns: int
    session: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowOrder:
    """The order in which rows are recorded.

    track, row, session: one per row of all tracks. steps: where stamps go back by more than they are
    wide, each the beginning of a session (as far as there are). within: steps back that the width of
    the stamps explains; repeated: rows with the stamp of the row before.
    """

    track: NDArray[np.int32]
    row: Ints
    session: NDArray[np.int32]
    steps: tuple[StepBack, ...]
    within: int
    repeated: int


def ordered(tracks: Sequence[ReadingRows]) -> RowOrder:
    """Return the order of recording.

    A track's own order is kept. Stamps that step back by more than the stamps' half-widths explain begin
    a new session, so that within each session time runs on; rows of different tracks are laid side by
    side by session and then by stamp.
    """
    sessions, keys, steps = [], [], []
    within = repeated = 0
    for track in tracks:
        back = -np.diff(track.t_ns)
        far = back > track.h_ns[1:] + track.h_ns[:-1]
        within += int(np.count_nonzero((back > 0) & ~far))
        repeated += int(np.count_nonzero(back == 0))
        session = np.concatenate([[0], np.cumsum(far)]).astype(np.int64) if len(track) else _none()
        session = np.minimum(session, SESSIONS_MOST - 1)
        sessions.append(session)
        keys.append(_running(track.t_ns, session))
        steps += [
            StepBack(
                file=int(track.file[k + 1]), line=int(track.line[k + 1]), by_ns=int(back[k]),
                session=int(session[k + 1]),
            )
            for k in np.flatnonzero(far)
        ]  # fmt: skip
    which = np.concatenate([np.full(len(track), k, np.int32) for k, track in enumerate(tracks)])
    row = np.concatenate([np.arange(len(track), dtype=np.int64) for track in tracks])
    session = np.concatenate(sessions)
    # lexsort is stable: rows of one track never change places
    at = np.lexsort((which, np.concatenate(keys), session))
    return RowOrder(
        track=which[at], row=row[at], session=session[at].astype(np.int32),
        steps=tuple(_once(steps)), within=within, repeated=repeated,
    )  # fmt: skip


def _none() -> Ints:
    return np.empty(0, np.int64)


def _running(t_ns: Ints, session: Ints) -> Ints:
    """Return the latest stamp so far in each row's session."""
    running = t_ns.copy()
    edges = [0, *(np.flatnonzero(np.diff(session)) + 1).tolist(), len(t_ns)]
    for a, b in pairwise(edges):
        np.maximum.accumulate(running[a:b], out=running[a:b])
    return running


def _once(steps: Iterable[StepBack]) -> list[StepBack]:
    """Return steps with those of one line (which holds many channels) told once, by session."""
    return sorted({(s.file, s.line): s for s in steps}.values(), key=lambda s: (s.session, s.file, s.line))
