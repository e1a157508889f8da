"""The benchmark itself: its figures say what they are, its peers keep time, its recordings are runs."""

from __future__ import annotations

import math
import os
import socket
import time
from pathlib import Path

import numpy as np
import pytest

from rig.domain.model import EventKind, Status
from rig.store.reader import RecordingState, RunReader
from rig.store.verify import verify
from tests.bench import month
from tests.bench.__main__ import BENCHES
from tests.bench.figures import at_least, at_most, machine, slope
from tests.bench.peers import Peer, Port, serving
from tests.bench.room import DYING, NANO, UNITS, course


def test_there_is_a_bench_for_every_target() -> None:
    assert sorted(int(title[0]) for title, _ in BENCHES.values()) == [1, 2, 3, 4, 5, 6, 7, 8, 9]


def test_a_figure_tells_whether_its_target_was_reached() -> None:
    assert (at_most("x", 1.0, 1.0).good, at_most("x", 1.1, 1.0).good) == (True, False)
    assert (at_least("x", 1.0, 1.0).good, at_least("x", 0.9, 1.0).good) == (True, False)
    assert "MISSED" in str(at_least("x", 0.9, 1.0, "s"))
    assert str(os.cpu_count()) in machine()


def test_the_slope_of_a_power_is_its_exponent() -> None:
    sizes = [1.0, 2.0, 8.0, 100.0]
    assert slope(sizes, [3 * x**1.5 for x in sizes]) == pytest.approx(1.5)
    assert slope(sizes, [7.0] * 4) == pytest.approx(0.0)


def test_a_paced_peer_takes_the_time_of_its_line(tmp_path: Path) -> None:
    peer = Peer(kind="tcp", reply=b"1234567\n".hex(), pause_s=0.02, baud=2400)
    with serving([peer], tmp_path) as (address,):
        host, port = address.split(":")
        with socket.create_connection((host, int(port))) as link:
            begun = time.monotonic()
            link.sendall(b"ASK\n")
            heard = b""
            while not heard.endswith(b"\n"):
                heard += link.recv(100)
            took_s = time.monotonic() - begun
    assert heard == b"1234567\n"
    assert took_s >= 0.02 + 12 * 10 / 2400


@pytest.mark.parametrize(
    ("peer", "parts", "lengths"),
    [
        (Peer(kind="tcp", reply="00"), [b"RE", b"AD?\nX", b"\n"], [[], [6], [2]]),
        (Peer(kind="pty", reply="00", mark="", request_bytes=3), [b"\x03\n", b"\n\x03\n\n"], [[], [3, 3]]),
    ],
)
def test_a_peer_answers_whole_requests_only(peer: Peer, parts: list[bytes], lengths: list[list[int]]) -> None:
    port = Port(peer)
    assert [port.hear(part) for part in parts] == lengths


def test_the_death_of_the_room_is_in_its_course_and_excursions_are_as_many_as_asked_for() -> None:
    made = course(4, 1, excursions=5)
    assert made.rows[f"{DYING}.heatsink"].max() > 95 > made.rows["A1.heatsink"].max()
    assert np.count_nonzero(made.rows["exhaust"] > 70) == 5


@pytest.mark.slow
def test_a_long_recording_is_an_ordinary_run(tmp_path: Path) -> None:
    path = month.made(tmp_path, 2)
    run = RunReader.open(path)
    assert run.state is RecordingState.FINISHED
    assert len(run.layout.channels) == 60
    assert set(run.layout.units) == set(UNITS)
    assert sum(len(run.series(name)) for name in run.channels()) == 2 * 60 * 86_400
    found = run.series("A1.heatsink")
    assert np.all(np.diff(found.t_ns) > 0)
    assert math.isclose(float(np.median(np.diff(found.t_ns))), NANO, rel_tol=0.01)
    assert set(np.unique(found.status).tolist()) <= {Status.GOOD, Status.BAD_REPLY}
    assert [e.kind for e in run.events_of({EventKind.SESSION_START, EventKind.SESSION_STOP})] == [
        EventKind.SESSION_START, EventKind.SESSION_STOP,
    ]  # fmt: skip
    assert verify(path).faults == ()
    assert month.made(tmp_path, 2) == path
