"""Rows of one file on their way to tracks: stamps and statuses read, widths settled, oddities counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rig.domain.formatting import setting
from rig.domain.model import Status
from rig.errors import UsageError, shown
from rig.interchange.cells import Found, Read
from rig.interchange.column_roles import StampColumns
from rig.interchange.limits_file import Meaning
from rig.interchange.table_tracks import Ints, Notes, ReadingRows, SetAside, SourceFile
from rig.interchange.text_stamps import LEAP_NS, SECOND_NS, StampError

STATUSES = {status.name: status for status in Status} | {str(int(status)): status for status in Status}
REMARKS = {
    "leap": f"leap second: its stamp is the end of that second, +- {LEAP_NS // SECOND_NS} s",
    "twice": "repeated local time (clock set back): taken as the first that is not before the row above",
    "never": "skipped local time (clock set forward): counted on from the hour before",
}
KEPT = {
    Found.BLANK: "blank, kept as a reading without a value",
    Found.WORD: "a word for no number, kept as such",
    Found.BAD: "neither a number nor a known word, kept as a bad reply",
    Found.GROUPED: "a number with groups of three digits",
}


@dataclass(slots=True, kw_only=True)
class Rows:
    """What has been seen of one file's rows so far. ``count``: data lines."""

    path: Path
    sha256: str
    meaning: Meaning
    notes: Notes
    aside: list[SetAside] = field(default_factory=list)
    count: int = 0
    bad_stamps: int = 0
    step_ns: int = 0
    leaps: list[int] = field(default_factory=list)

    def stamp(self, clock: StampColumns, number: int, text: str, before_ns: int | None) -> int | None:
        """Return the stamp of row ``number`` (UTC ns), None after setting the row aside."""
        try:
            stamp = clock.read(text, before_ns)
        except StampError as error:
            self.no_stamp(number, text, str(error))
            return None
        if not self.step_ns or stamp.step_ns < self.step_ns:
            self.step_ns = stamp.step_ns
        if stamp.remark:
            self.notes.say(stamp.remark, REMARKS[stamp.remark], number)
            if stamp.remark == "leap":
                self.leaps.append(number)
        return stamp.t_ns

    def no_stamp(self, number: int, text: str, reason: str) -> None:
        """Set a row without a readable time aside."""
        self.bad_stamps += 1
        self.set_aside(number, text, reason)
        self.notes.say("stamp", "line without a readable time, set aside", number)

    def set_aside(self, number: int, text: str, reason: str) -> None:
        """Keep the text of a row that cannot become readings, or not good ones."""
        self.aside.append(SetAside(line=number, reason=reason, text=text))

    def widths(self, t_ns: Ints, line: Ints) -> tuple[Ints, Ints]:
        """Return stamps and half-widths (ns) as the limits file or the written digits have it."""
        time, step_s = self.meaning.time, self.step_ns / 1e9
        h_ns = self.step_ns // 2
        if time.stamps == "cut":
            t_ns = t_ns + self.step_ns // 2
            self._once(
                f"timestamps truncated to {setting(step_s, 's')} (limits file): shifted by half of that"
            )
        if time.half_width_s is not None:
            h_ns = round(time.half_width_s * 1e9)
            self._once(f"every value within {setting(time.half_width_s, 's')} of its timestamp (limits file)")
        else:
            self._once(
                f"every value within {setting(h_ns / 1e9, 's')} of its timestamp: half of the "
                f"{setting(step_s, 's')} "
                "that the stamps resolve"
            )
        widths = np.full(len(t_ns), h_ns, np.int64)
        if self.leaps:
            widths[np.isin(line, self.leaps)] = max(h_ns, LEAP_NS)
        return t_ns, widths

    def _once(self, text: str) -> None:
        if ("width", text) not in self.notes.found:
            self.notes.say("width", text)

    def source(self, tracks: Sequence[ReadingRows], facts: dict[str, object]) -> SourceFile:
        """Return the file as read. Raises UsageError where most rows have no time, or none is a reading."""
        if self.bad_stamps * 2 > self.count:
            first = self.aside[0]
            raise UsageError(
                f"{self.path}: {self.bad_stamps} of {self.count} lines have no readable time, first on line "
                f"{first.line}: {first.reason}; write time: {{column: ..., format: ...}} in "
                f"{self.meaning.file}"
            )
        if not sum(len(track) for track in tracks):
            raise UsageError(f"{self.path}: no line holds a reading of a described channel")
        return SourceFile(
            path=self.path, sha256=self.sha256, tracks=tuple(tracks), notes=self.notes,
            aside=tuple(self.aside), facts=facts | {"time_step_ns": self.step_ns}, rows=self.count,
        )  # fmt: skip


def with_status(text: str, read: Read, notes: Notes, number: int) -> Read:
    """Return what a cell holds, given the status that is written beside it.

    Where that says why there is no number, a blank is nothing remarkable any more.
    """
    bare = text.strip().upper().replace(" ", "_").replace("-", "_")
    if not bare:
        return read
    value, code, held = read
    status = STATUSES.get(bare)
    if status is None:
        notes.say("status", f"the status {shown(text)} is unknown, kept as a bad reply", number)
        return float("nan"), int(Status.BAD_REPLY), Found.NUMBER
    if not status.has_number:
        return float("nan"), int(status), Found.NUMBER
    return (value, int(status), held) if code <= Status.SUSPECT else read
