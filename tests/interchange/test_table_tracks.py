"""The order of recording: a channel's own order is sacred, sessions begin where time steps back."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.interchange.table_tracks import SESSIONS_MOST, ReadingRows, joined, ordered


def track(t_ns: list[int], *channels: str, h_ns: int = 0, file: int = 0) -> ReadingRows:
    channels = channels or ("a",)
    count = len(t_ns)
    value = np.arange(count, dtype=float)[:, None] * np.ones(len(channels))
    return ReadingRows(
        channels=channels, t_ns=np.array(t_ns, np.int64), h_ns=np.full(count, h_ns, np.int64), value=value,
        status=np.zeros((count, len(channels)), np.uint8), line=np.arange(count, dtype=np.int64) + 2,
        file=np.full(count, file, np.int32),
    )  # fmt: skip


def test_stamps_that_step_back_begin_a_session_on_their_line() -> None:
    order = ordered([track([10, 20, 30, 15, 25])])
    assert order.session.tolist() == [0, 0, 0, 1, 1]
    assert [(s.line, s.by_ns, s.session) for s in order.steps] == [(5, 15, 1)]
    assert order.row.tolist() == [0, 1, 2, 3, 4]


def test_a_step_back_that_the_width_of_the_stamps_explains_begins_none() -> None:
    order = ordered([track([10, 20, 15, 30], h_ns=3)])
    assert order.session.tolist() == [0, 0, 0, 0]
    assert (order.within, order.steps) == (1, ())
    assert order.row.tolist() == [0, 1, 2, 3]


def test_tracks_are_laid_side_by_side_by_their_stamps() -> None:
    order = ordered([track([10, 30], "a"), track([20, 40], "b")])
    assert list(zip(order.track.tolist(), order.row.tolist(), strict=True)) == [
        (0, 0),
        (1, 0),
        (0, 1),
        (1, 1),
    ]


def test_more_steps_back_than_sessions_stay_in_the_last_one_in_order() -> None:
    order = ordered([track([10, 0] * 200)])
    assert order.session.max() == SESSIONS_MOST - 1
    assert order.row.tolist() == list(range(400))
    assert len(order.steps) == 200


def test_a_channel_in_files_of_different_columns_keeps_one_order() -> None:
    one = joined([track([1, 2], "a", "b"), track([3, 4], "b", "c", file=1)])
    assert [t.channels for t in one] == [("a",), ("b",), ("c",)]
    assert one[1].t_ns.tolist() == [1, 2, 3, 4]
    assert one[1].file.tolist() == [0, 0, 1, 1]


@given(
    st.lists(st.lists(st.integers(0, 50), max_size=30), min_size=1, max_size=4).filter(any),
    st.integers(0, 5),
)
def test_no_channel_is_ever_reordered_and_time_runs_on_within_a_session(
    stamps: list[list[int]], h_ns: int
) -> None:
    tracks = [track(one, f"c{k}", h_ns=h_ns) for k, one in enumerate(stamps) if one]
    order = ordered(tracks)
    assert len(order.row) == sum(map(len, stamps))
    assert (np.diff(order.session) >= 0).all()
    for k, one in enumerate(tracks):
        mine = order.track == k
        assert order.row[mine].tolist() == list(range(len(one)))
        for session in range(int(order.session.max()) + 1):
            t_ns = one.t_ns[order.row[mine & (order.session == session)]]
            assert (np.diff(t_ns) >= -2 * h_ns).all()
