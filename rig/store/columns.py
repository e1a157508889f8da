"""Journal frames as columns: what was appended scan by scan, laid out channel by channel."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Event, Series, Status
from rig.store import reading_stamps
from rig.store.journal import JournalReader, parse_event
from rig.store.journal_frames import FrameType, scan_bytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockColumns:
    """All scans of one block of one journal, in recorded order. value, status: scans x channels."""

    channels: tuple[str, ...]
    seq: NDArray[np.int64]
    t_ns: NDArray[np.int64]
    h_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    status: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Content:
    """What a journal holds: blocks, events, and the numbers of records that make no sense in it."""

    session: int
    blocks: tuple[BlockColumns, ...]
    events: tuple[Event, ...]
    senseless: tuple[int, ...]

    def channels(self) -> list[str]:
        """Return the channels with at least one reading, in the order of the blocks."""
        return list(dict.fromkeys(name for block in self.blocks for name in block.channels))

    def rows(self) -> int:
        """Return the number of readings."""
        return sum(block.value.size for block in self.blocks)

    def span(self) -> tuple[int, int] | None:
        """Return the first and last stamp (UTC ns) of readings and events, None if there are none."""
        ends = [(int(block.t_ns.min()), int(block.t_ns.max())) for block in self.blocks if len(block.t_ns)]
        ends += [(event.t_ns, event.t_ns) for event in self.events]
        return (min(first for first, _ in ends), max(last for _, last in ends)) if ends else None

    def series(self, channel: str) -> Series | None:
        """Return the readings of a channel in recorded order, None if there are none."""
        parts = []
        for block in self.blocks:
            parts += [(block, k) for k, name in enumerate(block.channels) if name == channel]
        if not parts:
            return None
        if len(parts) == 1:
            block, k = parts[0]
            columns = (block.t_ns, block.h_ns, block.value[:, k], block.status[:, k])
        else:
            order = np.argsort(np.concatenate([block.seq for block, _ in parts]), kind="stable")
            columns = (
                np.concatenate([block.t_ns for block, _ in parts])[order],
                np.concatenate([block.h_ns for block, _ in parts])[order],
                np.concatenate([block.value[:, k] for block, k in parts])[order],
                np.concatenate([block.status[:, k] for block, k in parts])[order],
            )
        t_ns, h_ns, value, status = columns
        return Series(
            channel=channel, t_ns=t_ns, h_ns=h_ns, value=np.ascontiguousarray(value),
            status=np.ascontiguousarray(status), session=np.full(len(t_ns), self.session, np.int32),
        )  # fmt: skip


def content(reader: JournalReader, successor_seq: int | None) -> Content:
    """Return what counts of a journal as columns; stamps are rounded as they will be when sealed."""
    records = reader.settled(successor_seq)[0]
    blocks = reader.facts.blocks
    payloads: dict[int, list[bytes]] = defaultdict(list)
    numbers: dict[int, list[int]] = defaultdict(list)
    events: list[Event] = []
    senseless: list[int] = []
    session, offset_ns = reader.head.session, reader.head.offset_ns
    sizes = [scan_bytes(len(block)) for block in blocks]
    for frame in records:
        if frame.type == FrameType.SCAN:
            block = int.from_bytes(frame.payload[:2], "little")
            if block >= len(blocks) or len(frame.payload) != sizes[block]:
                senseless.append(frame.seq)
                continue
            payloads[block].append(frame.payload)
            numbers[block].append(frame.seq)
        else:
            try:
                events.append(parse_event(frame.payload, session=session, seq=frame.seq, offset_ns=offset_ns))
            except ValueError:
                senseless.append(frame.seq)
    columns = [_block(blocks[k], payloads[k], numbers[k], offset_ns) for k in sorted(payloads)]
    return Content(session=session, blocks=tuple(columns), events=tuple(events), senseless=tuple(senseless))


def _block(
    channels: tuple[str, ...], payloads: Sequence[bytes], numbers: Sequence[int], offset_ns: int
) -> BlockColumns:
    count = len(channels)
    layout = np.dtype([
        ("block", "<u2"), ("sent", "<i8"), ("received", "<i8"), ("value", "<f8", (count,)),
        ("status", "u1", (count,)),
    ])  # fmt: skip
    table = np.frombuffer(b"".join(payloads), dtype=layout)
    t_ns, h_ns = reading_stamps.interval(table["sent"].astype(np.int64), table["received"].astype(np.int64))
    t_ns, h_ns = reading_stamps.rounded(t_ns + offset_ns, h_ns)
    missing = (table["status"] > Status.SUSPECT) | np.isnan(table["value"])
    value = np.where(missing, np.nan, table["value"])  # one NaN, whatever bits the driver made
    return BlockColumns(
        channels=channels, seq=np.array(numbers, np.int64), t_ns=t_ns, h_ns=h_ns,
        value=value, status=table["status"],
    )  # fmt: skip


def joined(channel: str, parts: Sequence[Series]) -> Series:
    """Return series end to end under one name; empty if there are none."""
    if len(parts) == 1:
        return parts[0]
    empty = Series(
        channel=channel, t_ns=np.empty(0, np.int64), h_ns=np.empty(0, np.int64),
        value=np.empty(0, np.float64), status=np.empty(0, np.uint8), session=np.empty(0, np.int32),
    )  # fmt: skip
    if not parts:
        return empty
    return Series(
        channel=channel,
        t_ns=np.concatenate([part.t_ns for part in parts]),
        h_ns=np.concatenate([part.h_ns for part in parts]),
        value=np.concatenate([part.value for part in parts]),
        status=np.concatenate([part.status for part in parts]),
        session=np.concatenate([part.session for part in parts]),
    )


def within(series: Series, start_ns: int | None, end_ns: int | None) -> Series:
    """Return the readings stamped from ``start_ns`` to ``end_ns``, both included (None: no bound)."""
    if start_ns is None and end_ns is None:
        return series
    keep = np.ones(len(series), dtype=bool)
    if start_ns is not None:
        keep &= series.t_ns >= start_ns
    if end_ns is not None:
        keep &= series.t_ns <= end_ns
    if keep.all():
        return series
    return Series(
        channel=series.channel, t_ns=series.t_ns[keep], h_ns=series.h_ns[keep], value=series.value[keep],
        status=series.status[keep], session=series.session[keep],
    )  # fmt: skip
