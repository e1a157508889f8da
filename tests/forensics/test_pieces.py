"""A recording in pieces is explained as the same recording read whole, wherever it is cut."""

from __future__ import annotations

import itertools
import json
import math
import shutil
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.channel_digest import Piece, whole
from rig.domain.model import ChannelKind, Event, EventKind, Layout, Limit, Series, Session, Side, Status
from rig.domain.recording import InPieces, Recording
from rig.forensics import analyse, to_json
from rig.forensics.answer import Censoring
from rig.forensics.grids import grid, kept_width
from rig.forensics.track import SHORT, ChannelTrack
from rig.forensics.walk import stretches
from rig.store.reader import RunReader
from tests.forensics.rooms import Room, channel, high, low, series
from tests.forensics.test_walk import READING

SAMPLES = sorted((Path(__file__).parents[2] / "sample_logs").iterdir())
POLL_S = 4.0
DAYS = 6.0


@dataclass
class Whole:
    """A recording that does not say that it is made of pieces."""

    inner: Recording

    @property
    def layout(self) -> Layout:
        return self.inner.layout

    @property
    def layouts(self) -> Mapping[int, Layout]:
        return self.inner.layouts

    @property
    def sessions(self) -> Sequence[Session]:
        return self.inner.sessions

    @property
    def span(self) -> tuple[int, int]:
        return self.inner.span

    def series(self, name: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        return self.inner.series(name, start_ns, end_ns)

    def events(self) -> Sequence[Event]:
        return self.inner.events()


@dataclass
class Cut(Whole):
    """A recording cut into pieces at shares of its length; ``read`` counts the readings that were loaded."""

    at: Sequence[float] = ()
    read: int = 0

    def pieces(self, name: str) -> list[Piece]:
        found = self.inner.series(name)
        edges = [0, *sorted(int(share * len(found)) for share in self.at), len(found)]
        return [self._piece(found, a, b) for a, b in itertools.pairwise(edges) if a < b]

    def _piece(self, found: Series, a: int, b: int) -> Piece:
        part = Series(
            channel=found.channel, t_ns=found.t_ns[a:b], h_ns=found.h_ns[a:b], value=found.value[a:b],
            status=found.status[a:b], session=found.session[a:b],
        )  # fmt: skip
        made = whole(part)

        def load() -> Series:
            self.read += b - a
            return part

        return Piece(digest=made.digest, series=load, bins=made.bins)

    def events_of(
        self,
        kinds: Collection[EventKind] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> list[Event]:
        return [
            event
            for event in self.inner.events()
            if (kinds is None or event.kind in kinds)
            and (start_ns is None or event.t_ns >= start_ns)
            and (end_ns is None or event.t_ns <= end_ns)
        ]


def death(seed: int = 3) -> Room:
    """Return six days of three units, longer than what is read whole: one drifts, crosses and goes off."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, DAYS * 86_400, POLL_S)
    end = t[-1]
    mains = 230 + 3 * np.sin(t / 9000) + np.where((t > 90_000) & (t < 90_200), 40, 0)
    room = 40 + 2 * np.sin(2 * np.pi * t / 86_400)
    data = {
        "mains": series("mains", t, np.round(mains + rng.normal(0, 0.1, len(t)), 2), h_s=0.02),
        "air": series("air", t + 0.1, np.round(room + rng.normal(0, 0.05, len(t)), 1), h_s=0.1),
    }
    channels = [
        channel("mains", high(260.0, deadband=1.0), unit=None, kind=ChannelKind.STIMULUS, instrument="mains"),
        channel(
            "air", high(60.0), unit=None, kind=ChannelKind.STIMULUS, unit_of_measure="degC", instrument="scan"
        ),
    ]
    for k, unit in enumerate(("A1", "A2", "A3")):
        late = np.clip((t - (end - 30_000)) / 20_000, 0, None) if unit == "A2" else 0.0
        off = (t > end - 1500) & (unit == "A2")
        sink = room + 30 + k + 5 * (mains - 230) / 230 + 25 * np.square(late)
        status = np.where(rng.random(len(t)) < 1e-4, int(Status.BAD_REPLY), 0)
        volts = np.where(off, 0.002, 28.0 + 0.1 * k) + rng.normal(0, 0.003, len(t))
        name = f"{unit}.sink"
        data[name] = series(
            name, t + 0.1, np.round(sink + rng.normal(0, 0.06, len(t)), 1), h_s=0.1, status=status.tolist()
        )
        data[f"{unit}.out"] = series(f"{unit}.out", t + 0.5, np.round(volts, 3), h_s=0.01)
        channels += [
            channel(name, high(90.0, deadband=2.0, on_delay_s=10.0), unit=unit, unit_of_measure="degC",
                    instrument="scan", resolution=0.1),
            channel(f"{unit}.out", low(20.0, deadband=0.5), unit=unit, instrument="meter"),
        ]  # fmt: skip
    return Room(channels=channels, data=data)


def alike(a: Any, b: Any, path: str = "") -> None:
    """Assert that two answers are the same, but for the last digits of sums taken in another order."""
    assert type(a) is type(b), path
    if isinstance(a, dict):
        assert a.keys() == b.keys(), path
        for key in a:
            alike(a[key], b[key], f"{path}.{key}")
    elif isinstance(a, list):
        assert len(a) == len(b), path
        for k, (x, y) in enumerate(zip(a, b, strict=True)):
            alike(x, y, f"{path}[{k}]")
    elif isinstance(a, float):
        assert math.isclose(a, b, rel_tol=1e-7, abs_tol=1e-9), (path, a, b)
    elif path.endswith("_ns") and isinstance(a, int):
        assert abs(a - b) <= 1000, (path, a, b)
    else:
        assert a == b, path


@pytest.mark.parametrize("at", [0.3, 0.5, 7 / 9, 0.99])
def test_a_damaged_file_beside_a_good_summary_is_no_trap(tmp_path: Path, at: float) -> None:
    shutil.copytree(SAMPLES[0] / "run", tmp_path / "run")
    (file,) = (tmp_path / "run" / "readings").iterdir()
    raw = bytearray(file.read_bytes())
    raw[int(len(raw) * at)] ^= 1
    file.write_bytes(raw)
    run = RunReader.open(tmp_path / "run")
    found = analyse(run)
    assert [one.path for one in run.skipped] == [file]
    unread = {one.channel for one in found.channels if one.censoring is Censoring.UNREAD}
    limited = {name for name, one in run.layout.channels.items() if one.limits}
    # of a channel that never went out its summary says so; it need not be read
    assert unread <= {name for name in limited if not len(run.series(name))}


@pytest.mark.parametrize("folder", SAMPLES, ids=lambda folder: folder.name)
def test_a_recorded_run_is_explained_alike_in_pieces_and_read_whole(folder: Path) -> None:
    run = RunReader.open(folder / "run")
    assert isinstance(run, InPieces)
    assert not isinstance(Whole(run), InPieces)
    assert to_json(analyse(run)) == to_json(analyse(Whole(run)))


@pytest.mark.parametrize("at", [[0.5], [k / 6 for k in range(1, 6)], [0.03, 0.2, 0.21, 0.99, 0.999]], ids=str)
def test_a_long_recording_is_explained_alike_however_it_is_cut(at: list[float]) -> None:
    room = death()
    assert min(len(one) for one in room.data.values()) > SHORT
    told = to_json(analyse(Whole(room)))
    assert told["unit"] == "A2"
    assert told["order"]["tiers"] == [["A2.sink"], ["A2.out"]]
    alike(told, to_json(analyse(Cut(room, at=at))))
    assert json.dumps(told)


def test_ill_sensors_and_instruments_are_found_alike_however_the_recording_is_cut() -> None:
    room = death()
    count = len(room.data["A3.sink"])
    late = np.arange(count) > 0.7 * count
    data = dict(room.data)
    open_ = np.where(late, int(Status.NO_VALUE), 0)
    data["A3.sink"] = replace(data["A3.sink"], status=open_.astype(np.uint8))
    stuck = data["A1.out"].value.copy()
    stuck[-2000:] = stuck[-2000]
    data["A1.out"] = replace(data["A1.out"], value=stuck)
    jump = data["A1.sink"].value.copy()
    jump[count // 2 :] = np.round(jump[count // 2 :] + 35.0, 1)
    data["A1.sink"] = replace(data["A1.sink"], value=jump)
    silent = np.where(np.arange(count) > 0.99 * count, int(Status.NO_REPLY), 0)
    data["mains"] = replace(data["mains"], status=silent.astype(np.uint8))
    fault = Room(channels=room.channels, data=data)
    for unit in ("A1", "A3"):
        told = to_json(analyse(Whole(fault), unit=unit))
        alike(told, to_json(analyse(Cut(fault, at=[0.1, 0.4999, 0.5, 0.7001, 0.95]), unit=unit)))
        assert {one["role"] for one in told["findings"]} >= {"sensor", "instrument"}


def test_days_in_which_nothing_happened_are_not_read() -> None:
    room = death()
    cut = Cut(room, at=[k / 24 for k in range(1, 24)])
    analyse(cut)
    total = sum(len(one) for one in room.data.values())
    assert cut.read < 0.25 * total


ROWS = st.lists(READING, min_size=1, max_size=60)


@given(
    rows=ROWS, cuts=st.lists(st.floats(0, 1), max_size=4), side=st.sampled_from(list(Side)),
    deadband=st.sampled_from([0.0, 1.0, 2.0]), begin=st.integers(0, 20), size=st.booleans(),
)  # fmt: skip
def test_a_walk_over_pieces_is_the_walk_over_the_whole(
    rows: list[tuple[float, int]], cuts: list[float], side: Side, deadband: float, begin: int, size: bool
) -> None:
    limit = Limit(side=side, value=90.0, deadband=deadband)
    one = channel("x", limit)
    value = np.array([row[0] for row in rows])
    found = series("x", np.arange(float(len(rows))), value, status=[row[1] for row in rows])
    cut = Cut(Room(channels=[one], data={"x": found}), at=cuts)
    good = (found.status == 0) & np.isfinite(value)
    expected = stretches(np.abs(value[begin:]) if size else value[begin:], good[begin:], limit)
    walked = ChannelTrack(one, cut.pieces("x")).stretches(limit, begin, size=size)
    for got, want in zip(walked, expected, strict=True):
        for name in ("last_inside", "first_outside", "last_outside", "returned", "worst_at"):
            at = getattr(want, name)
            assert getattr(got, name) == (at + begin if at >= 0 else -1), name


@given(rows=ROWS, cuts=st.lists(st.floats(0, 1), max_size=4), at=st.integers(0, 59), count=st.integers(1, 9))
def test_what_is_asked_of_pieces_is_what_the_whole_says(
    rows: list[tuple[float, int]], cuts: list[float], at: int, count: int
) -> None:
    one = channel("x")
    value = np.array([row[0] for row in rows])
    found = series("x", np.arange(float(len(rows))), value, status=[row[1] for row in rows])
    cut = Cut(Room(channels=[one], data={"x": found}), at=cuts)
    track = ChannelTrack(one, cut.pieces("x"))
    good = np.flatnonzero((found.status == 0) & np.isfinite(value))
    at = min(at, len(rows) - 1)
    assert len(track) == len(rows)
    assert track.usable == len(good)
    assert track.usable_before(at, count).tolist() == value[good[good < at][-count:]].tolist()
    assert track.usable_from(at, count).tolist() == value[good[good >= at][:count]].tolist()
    assert track.count(at, len(rows)) == np.count_nonzero(good >= at)
    assert track.statuses().tolist() == [row[1] if k not in good else 0 for k, row in enumerate(rows)]
    assert track.last_usable() == (good[-1] if len(good) else -1)
    steps = np.abs(np.diff(value[good]))
    moving = np.flatnonzero(steps)
    assert track.last_change() == (good[moving[-1] + 1] if len(moving) else -1)
    if len(steps):
        assert track.widest_step() == (steps.max(), good[int(np.argmax(steps)) + 1])
    assert track.place(int(found.t_ns[at])) == at
    near, offset = track.near(at, count, slice(0, len(rows)))
    places = offset + np.flatnonzero(near.usable)
    wanted = [*good[good < at][-count:], *good[good >= at][:count]]
    assert places.tolist() == wanted
    assert near.value[near.usable].tolist() == value[wanted].tolist()


@given(st.integers(0, 10**9), st.integers(1, 4 * 10**7), st.integers(60, 1500))
def test_a_grid_ends_in_time_and_is_about_as_fine_as_asked_for(
    start_s: int, length_s: int, count: int
) -> None:
    start, until = start_s * 10**9, (start_s + length_s) * 10**9
    begin, width, number = grid(start, until, count)
    end = begin + width * number
    assert end <= until
    kept = kept_width(begin, width)
    if kept is None:
        assert (begin, number) == (start, count)
    else:
        assert until - end < kept * 10**9
        assert 0.6 * count - 2 <= number <= 1.5 * count
        assert start - begin < kept * 10**9
        assert begin - start < 1.5 * width
