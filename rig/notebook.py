"""Runs in a notebook: ``import rig; run = rig.open("runs")``.

Results are pandas frames with time zones, or the frozen dataclasses that the rest of soakrig uses. Works on a
run that is being recorded: ``run.refresh()`` adds what has been recorded since. Nothing here writes to a run.

    run = rig.open("runs", zone="Europe/Vienna")   # a run, or a folder of runs: then its newest
    run.channels                                   # name -> Channel (unit of measure, limits, source ...)
    run.table("A1.heatsink", "mains", every="10 s")  # wide, on a common grid
    run.readings("A1.heatsink")                    # long: a row per reading, with status and half-width
    run.events(kind="limit-out")
    run.postmortem("A1").headline.first_out
"""

from __future__ import annotations

import fnmatch
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from rig import forensics
from rig.domain.formatting import duration
from rig.domain.model import Channel, EventKind, Status, Unit
from rig.domain.time_of_day import last_time_of_day
from rig.domain.units import UnitError, amount
from rig.errors import UsageError, shown
from rig.forensics import PostMortem
from rig.forensics.answer import CrossingExcursion
from rig.interchange import grid, text_stamps
from rig.render import plot
from rig.render.charts import svg
from rig.store import reader, rundir

if TYPE_CHECKING:
    from rig.render.charts.drawing import Drawing

Moment = str | datetime | int | None
"""A moment: ISO 8601 text or a datetime (both in the run's zone where they name none), ``04:05`` for the last
such time in the run, or UTC ns."""
NAMES = pd.Index([status.key for status in Status])
AGE_POLLS = 2.5
"""Default age in polls of its instrument up to which a value counts."""


def open_run(path: str | Path = "runs", zone: str | tzinfo = UTC) -> NotebookRun:
    """Return the run at ``path``: a run directory, or a folder of runs, then its newest.

    zone: of all times that go in and come out, such as ``Europe/Vienna``. Raises UsageError for an
    unknown zone, FormatError if there is no run, DamageError.
    """
    return NotebookRun(reader.RunReader.open(rundir.newest_run(Path(path))), _zone(zone))


def _zone(zone: str | tzinfo) -> tzinfo:
    if not isinstance(zone, str):
        return zone
    try:
        return UTC if zone == "UTC" else ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError):
        raise UsageError(f"no time zone {shown(zone)}; write one such as Europe/Vienna") from None


@dataclass(frozen=True, slots=True)
class NotebookPicture:
    """Drawing that a notebook displays. ``save`` writes it to a file."""

    drawing: Drawing

    def _repr_svg_(self) -> str:
        return svg.alone(self.drawing)

    def save(self, path: str | Path) -> None:
        """Write the picture to a ``.svg`` or ``.png`` file (extra ``png``). Raises UsageError for another."""
        plot.save(self.drawing, Path(path))


class NotebookRun:
    """Run as of its opening or last refresh. ``recording`` is its reader."""

    def __init__(self, recording: reader.RunReader, zone: tzinfo = UTC) -> None:
        self.recording = recording
        self.zone = zone

    def __repr__(self) -> str:
        units, channels = len(self.units), len(self.channels)
        length = duration((self.end - self.start).total_seconds())
        return f"<run {self.name}, {self.state}, {length}, {units} units, {channels} channels>"

    def refresh(self) -> NotebookRun:
        """Read what has been recorded since; return the run itself."""
        self.recording.refresh()
        return self

    # ---- facts

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.recording.dir.name

    @property
    def state(self) -> str:
        """``running``, ``finished`` or ``crashed``."""
        return str(self.recording.state)

    @property
    def units(self) -> Mapping[str, Unit]:
        """Units under test by name, each with serial number, load and the names of its channels."""
        return self.recording.layout.units

    @property
    def channels(self) -> Mapping[str, Channel]:
        """Channels by name, each with unit of measure, limits, source, lag ..."""
        return self.recording.layout.channels

    @property
    def start(self) -> pd.Timestamp:
        """Time of the first record."""
        return self._moment(self.recording.span[0])

    @property
    def end(self) -> pd.Timestamp:
        """Time of the last record."""
        return self._moment(self.recording.span[1])

    @property
    def skipped(self) -> list[str]:
        """Files that could not be read, and why."""
        return [f"{one.path.name}: {one.reason}" for one in self.recording.skipped]

    # ---- readings

    def readings(self, *channels: str, start: Moment = None, end: Moment = None) -> pd.DataFrame:
        """Return a row for each reading, by channel and then in recorded order.

        Index: time (middle of the interval in which the value was taken). Columns: channel, value (NaN
        where the status has no number), status (``good``, ``suspect``, ``no_reply`` ...), half_width_s
        (the value was taken within so many seconds of its time), session. ``channels``: names or
        patterns with ``*``; none: all. ``frame.attrs["units"]``: unit of measure by channel.
        Raises UsageError for an unknown name.
        """
        names = self._named(channels)
        bounds = self._ns(start), self._ns(end)
        every = [self.recording.series(name, *bounds) for name in names]
        lengths = [len(one) for one in every]
        codes = np.concatenate([one.status for one in every]).astype(np.int8)
        frame = pd.DataFrame(
            {
                "channel": pd.Categorical.from_codes(
                    np.repeat(np.arange(len(names)), lengths), pd.Index(names)
                ),
                "value": np.concatenate([one.value for one in every]),
                "status": pd.Categorical.from_codes(codes, NAMES),
                "half_width_s": np.concatenate([one.h_ns for one in every]) / 1e9,
                "session": np.concatenate([one.session for one in every]),
            },
            index=self._index(np.concatenate([one.t_ns for one in every])),
        )
        return self._described(frame, names)

    def table(
        self,
        *channels: str,
        start: Moment = None,
        end: Moment = None,
        every: str | float | None = None,
        age: str | float | None = None,
        statuses: bool = False,
    ) -> pd.DataFrame:
        """Return a column for each channel on a common grid of time.

        every: step of the grid, ``"10 s"`` or seconds (default: the shortest poll). A cell is the last
        reading at or before its time, no older than ``age`` (default: 2.5 polls of the slowest
        instrument), NaN where there is none or it is not good. With ``statuses`` there is a column
        ``NAME status`` beside each, empty where there is no reading, and suspect numbers stand as well.
        Raises UsageError for an unknown name.
        """
        names = self._named(channels)
        polls = self._polls_s(names)
        every_ns = _length_ns(every, min(polls), "every")
        age_ns = _length_ns(age, max(AGE_POLLS * max(polls), every_ns / 1e9), "age")
        first, last = self.recording.span
        begin = first if start is None else self._ns(start)
        finish = last if end is None else self._ns(end)
        assert begin is not None
        assert finish is not None
        points = grid.points(begin, finish, every_ns)
        columns: dict[str, object] = {}
        for name in names:
            series = self.recording.series(name, begin - age_ns, finish)
            where = grid.held(series, points, age_ns)
            value = np.append(series.value, np.nan)[where]
            status = np.append(series.status, np.uint8(len(NAMES)))[where].astype(np.int8)
            if statuses:
                columns[name] = value
                columns[f"{name} status"] = pd.Categorical.from_codes(
                    np.where(status < len(NAMES), status, -1), NAMES
                )
            else:
                columns[name] = np.where(status == Status.GOOD, value, np.nan)
        return self._described(pd.DataFrame(columns, index=self._index(points)), names)

    # ---- events and analysis

    def events(self, kind: str | None = None, subject: str | None = None) -> pd.DataFrame:
        """Return a row for each event in recorded order: kind, subject, text, session, data.

        Index: time. kind: such as ``limit-out``; subject: the channel, unit, instrument or bus it is
        about, or a pattern with ``*``; None: all. Raises UsageError for an unknown kind.
        """
        kinds = [one.value for one in EventKind]
        if kind is not None and kind not in kinds:
            raise UsageError(f"no kind of event {shown(kind)}; there are: {', '.join(kinds)}")
        found = [
            event
            for event in self.recording.events()
            if kind in {None, event.kind.value} and (subject is None or _fits(event.subject, subject))
        ]
        frame = pd.DataFrame(
            {
                "kind": [event.kind.value for event in found],
                "subject": [event.subject for event in found],
                "text": [event.text for event in found],
                "session": np.array([event.session for event in found], np.int32),
                "data": [dict(event.data) for event in found],
            }
        )
        return frame.set_index(self._index(np.array([event.t_ns for event in found], np.int64)))

    def excursions(self, unit: str | None = None, confidence: float = 0.95) -> list[CrossingExcursion]:
        """Return every stretch out of a limit, of one unit and the room or of all, in order of time.

        Each has the two readings around the crossing, the interval of the crossing at the stated confidence
        and the contributions to its width. Raises UsageError for an unknown unit.
        """
        units: list[str | None] = [unit] if unit is not None else [*self.units] or [None]
        stories = {
            story.channel: story
            for one in units
            for story in forensics.analyse(self.recording, one, confidence).channels
        }
        found = [excursion for story in stories.values() for excursion in story.excursions]
        return sorted(found, key=lambda one: (one.first_outside.t_ns, one.channel))

    def postmortem(self, unit: str | None = None, confidence: float = 0.95) -> PostMortem:
        """Return the post-mortem of a unit: sequence of excursions, confidence, cause.

        unit: None for the worst one. Raises UsageError for an unknown unit.
        """
        return forensics.analyse(self.recording, unit, confidence)

    def plot(self, *channels: str, start: Moment = None, end: Moment = None) -> NotebookPicture:
        """Return a picture of channels with their limits; single-sample spikes stay visible.

        channels: names or patterns with ``*``. Raises UsageError for an unknown name.
        """
        return NotebookPicture(plot.plot(self.recording, channels, self._ns(start), self._ns(end)))

    # ---- times and names

    def _named(self, patterns: Sequence[str]) -> list[str]:
        return plot.chosen(self.recording.layout, patterns) if patterns else [*self.channels]

    def _polls_s(self, names: Sequence[str]) -> list[float]:
        instruments = self.recording.layout.instruments
        sources = [self.channels[name].source for name in names]
        polls = [
            instruments[one.instrument].poll_s for one in sources if one and one.instrument in instruments
        ]
        every = polls or [one.poll_s for one in instruments.values()]
        return [one for one in every if one > 0] or [1.0]

    def _ns(self, moment: Moment) -> int | None:
        if moment is None or isinstance(moment, int):
            return moment
        if isinstance(moment, str):
            last_ns = last_time_of_day(moment, self.recording.span[1], self.zone)
            if last_ns is not None:
                return last_ns
            try:
                return text_stamps.moment(moment, self.zone)
            except ValueError as error:
                raise UsageError(f"{error}; write 2031-02-03 04:05, or 04:05 (the last in the run)") from None
        at = pd.Timestamp(moment)
        return int((at if at.tzinfo else at.tz_localize(self.zone)).as_unit("ns").value)

    def _moment(self, t_ns: int) -> pd.Timestamp:
        return pd.Timestamp(t_ns, unit="ns", tz="UTC").tz_convert(self.zone)

    def _index(self, t_ns: grid.Ints) -> pd.DatetimeIndex:
        return pd.DatetimeIndex(t_ns.astype("datetime64[ns]"), tz="UTC", name="time").tz_convert(self.zone)

    def _described(self, frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
        frame.attrs["units"] = {name: self.channels[name].unit_of_measure for name in names}
        return frame


def _fits(name: str, pattern: str) -> bool:
    return name == pattern or fnmatch.fnmatchcase(name, pattern)


def _length_ns(length: str | float | None, default_s: float, what: str) -> int:
    if isinstance(length, str):
        try:
            length = amount(length).to("s")
        except UnitError as error:
            raise UsageError(f"{what}={length!r}: {error}") from None
    seconds = default_s if length is None else float(length)
    if not 1e-6 <= seconds < sys.maxsize / 1e9:
        raise UsageError(f"{what} of {seconds:g} s: write at least a microsecond")
    return round(seconds * 1e6) * 1000
