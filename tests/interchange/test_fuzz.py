"""Whatever bytes a file holds: a run, or an error that says what to do. Never anything else."""

from __future__ import annotations

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rig import forensics
from rig.errors import SoakrigError
from rig.interchange import importing
from tests.interchange.tables import HEADER, Desk, meaning, row

GOOD = (HEADER + "".join(row(k, 60 + k, 40, 230) for k in range(12))).encode()
LONG = b"time,channel,value,status,half_width_s\n" + b"".join(
    b"2031-02-03T12:00:%02dZ,%s,%d,GOOD,0.01\n" % (k, name, 60 + k)
    for k in range(6)
    for name in (b"tc1", b"volts", b"mains")
)
MEANING = meaning()
ONE_DESK = [HealthCheck.function_scoped_fixture]
CALM = settings(suppress_health_check=ONE_DESK)
PIECES = st.sampled_from(
    [
        b",", b";", b"\t", b"\n", b"\r\n", b"\r", b'"', b"2031-02-03T12:00:00Z", b"2031-02-03", b"12:00",
        b"60.5", b"1,5", b"OL", b"", b"time", b"tc1", b"volts", b"mains", b"channel", b"value", b"\xff",
        b"\x00",
        b"\xef\xbb\xbf", b"-", b"=", b"1e400", b"9.9E37", b"1927886400", b"  ", b"NaN",
        b"03/02/2031 12:00:00 PM",
    ]
)  # fmt: skip


def check(desk: Desk, content: bytes) -> None:
    """Read the bytes; what comes is either sound or a refusal."""
    path = desk.write(content)
    try:
        (source,) = importing.read([path], MEANING)
    except SoakrigError:
        return
    for track in source.tracks:
        assert track.value.shape == track.status.shape == (len(track), len(track.channels))
        assert (np.isfinite(track.value) == (track.status <= 1)).all()
        assert (track.h_ns >= 0).all()
    assert source.rows >= max(len(track) for track in source.tracks)
    # every line is a row of readings or set aside (or both)
    lines = {int(n) for track in source.tracks for n in track.line} | {one.line for one in source.aside}
    if len(source.tracks) == 1:
        assert len(lines) == source.rows


@CALM
@given(st.binary(max_size=400))
@example(b"PAR1")
@example(b"\xff\xfe")
@example(b"\xff\xfet\x00")
@example(b'"' * 300)
@example(b"time,tc1\n" + b"9" * 1000 + b",1\n")
def test_any_bytes(desk: Desk, content: bytes) -> None:
    check(desk, content)


@CALM
@given(st.lists(PIECES, max_size=60).map(b"".join))
def test_any_pieces_of_tables(desk: Desk, content: bytes) -> None:
    check(desk, content)


@pytest.mark.slow
@CALM
@given(st.sampled_from([GOOD, LONG]), st.floats(0, 1), st.integers(0, 30), PIECES)
def test_a_good_table_with_a_piece_replaced(
    desk: Desk, table: bytes, where: float, length: int, piece: bytes
) -> None:
    at = int(where * len(table))
    check(desk, table[:at] + piece + table[at + length :])


def _parquet() -> bytes:
    t_us = pa.array([1_927_886_400_000_000 + k * 1_000_000 for k in range(20)])
    table = pa.table({
        "when": t_us.cast(pa.timestamp("us", "UTC")), "tc1": [60.0 + k for k in range(20)],
        "volts": [40] * 20, "mains": ["230"] * 20,
    })  # fmt: skip
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


PARQUET = _parquet()


@CALM
@given(st.lists(st.tuples(st.integers(0, len(PARQUET) - 1), st.integers(0, 255)), max_size=4))
def test_a_parquet_table_with_bytes_replaced(desk: Desk, changes: list[tuple[int, int]]) -> None:
    content = bytearray(PARQUET)
    for at, byte in changes:
        content[at] = byte
    check(desk, bytes(content))


@settings(max_examples=15, suppress_health_check=ONE_DESK)
@given(
    st.lists(st.tuples(st.integers(0, 59), st.floats(-500, 500), st.floats(0, 60)), min_size=1, max_size=40)
)
@example([(0, 0.0, 0.0), (0, 96.0, 0.0), (0, 5e-324, 0.0)])
def test_the_walk_of_the_post_mortem_survives_any_stamps(
    desk: Desk, rows: list[tuple[int, float, float]]
) -> None:
    lines = "".join(row(k, a, b, 230) for k, a, b in rows)
    run = desk.run(HEADER + lines, name=f"run-{len(desk.said)}")
    assert run.series("A1.heatsink").value.tolist() == [a for _, a, _ in rows]
    forensics.analyse(run)
