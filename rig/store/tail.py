"""Tail of a run: what has been recorded since the last look.

Reads journals only (no Parquet library is loaded) and every byte once. It takes no part in the run: no
lock, no file of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rig.domain.model import Event
from rig.errors import FormatError, StoreError
from rig.store import journal, rundir
from rig.store.files import OS_DISK, Disk
from rig.store.journal import JournalReader, parse_event
from rig.store.journal_frames import FrameType, JournalFrame, scan_bytes, scan_payload


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveScan:
    """One exchange as just recorded. Times: UTC ns; the values lie within [t_ns - h_ns, t_ns + h_ns]."""

    session: int
    seq: int
    t_ns: int
    h_ns: int
    channels: tuple[str, ...]
    values: tuple[float, ...]
    statuses: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """What has come since the last look, in recorded order.

    missed: journals that were sealed away, or cannot be read, before all of them was seen; a reader that
    needs their content reads the run with ``reader.Run``.
    """

    scans: tuple[LiveScan, ...] = ()
    events: tuple[Event, ...] = ()
    missed: tuple[str, ...] = ()


class Tail:
    """Follows the journals of a run directory. Raises FormatError if there is no run.

    ``last``: begin with so many journals (None: all that are not sealed yet).
    """

    def __init__(self, path: Path, *, last: int | None = None, disk: Disk = OS_DISK) -> None:
        self.run = rundir.open_run(path, disk)
        self._disk = disk
        self._reader: JournalReader | None = None
        self._done = 0
        self._last = last
        self._seen: dict[int, int] = {}

    def poll(self) -> Update:
        """Return what has come. Never raises for the state of the files; ``missed`` tells of that."""
        scans: list[LiveScan] = []
        events: list[Event] = []
        missed: list[str] = []
        numbers = [n for name in self._disk.names(self.run.folder("journal")) if (n := journal.number(name))]
        if self._last is not None:
            numbers, self._last = numbers[-self._last :], None
            self._done = max(self._done, numbers[0] - 1 if numbers else 0)
        ahead = [n for n in numbers if n > self._done]
        if self._reader is not None and self._reader.head.journal not in ahead:
            if not self._reader.closed:
                missed.append(journal.name(self._reader.head.journal))
            self._leave()
        for number in ahead:
            if self._reader is None and not self._enter(number, missed, final=number != ahead[-1]):
                continue
            try:
                self._take(scans, events)
            except OSError:
                missed.append(journal.name(number))
                self._leave()
                continue
            if number != ahead[-1]:
                # The writer had begun a later journal before this one was read: it is complete.
                self._leave()
        return Update(scans=tuple(scans), events=tuple(events), missed=tuple(missed))

    def _enter(self, number: int, missed: list[str], *, final: bool) -> bool:
        path = self.run.folder("journal") / journal.name(number)
        if number > self._done + 1 and self._done:
            missed += [journal.name(n) for n in range(self._done + 1, number)]
        try:
            self._reader = JournalReader(path, self._disk)
        except (OSError, StoreError) as error:
            if final or isinstance(error, FormatError):
                missed.append(path.name)
                self._done = number
            return False
        return True

    def _leave(self) -> None:
        assert self._reader is not None
        self._done, self._reader = self._reader.head.journal, None

    def _take(self, scans: list[LiveScan], events: list[Event]) -> None:
        reader = self._reader
        assert reader is not None
        session, offset_ns = reader.head.session, reader.head.offset_ns
        for frame in reader.advance():
            if frame.seq < self._seen.get(session, 0):
                continue  # written again after the disk had refused
            self._seen[session] = frame.seq + 1
            if frame.type == FrameType.SCAN:
                scan = _live(reader, frame)
                if scan is not None:
                    scans.append(scan)
            else:
                try:
                    event = parse_event(frame.payload, session=session, seq=frame.seq, offset_ns=offset_ns)
                except ValueError:
                    continue
                events.append(event)
        reader.frames.clear()


def _live(reader: JournalReader, frame: JournalFrame) -> LiveScan | None:
    payload = frame.payload
    block = int.from_bytes(payload[:2], "little")
    blocks = reader.facts.blocks
    if block >= len(blocks) or len(payload) != scan_bytes(len(blocks[block])):
        return None
    channels = blocks[block]
    _, sent_ns, received_ns, *values, statuses = scan_payload(len(channels)).unpack(payload)
    width = received_ns - sent_ns
    return LiveScan(
        session=reader.head.session, seq=frame.seq, t_ns=sent_ns + width // 2 + reader.head.offset_ns,
        h_ns=(width + 1) // 2, channels=channels, values=tuple(values), statuses=statuses,
    )  # fmt: skip
