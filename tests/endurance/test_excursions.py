"""Excursions over arrays count exactly what the reading-by-reading limit machine counts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.limits import NORMAL, Bound, LimitChangeKind, step
from rig.domain.model import Limit, Side, Status
from rig.endurance.excursions import excursions
from tests.endurance.rooms import S, limit


def machine(t_ns: list[int], values: list[float], one: Limit) -> list[tuple[int, int | None]]:
    """Return (began, ended) of the counted excursions by the project's own state machine."""
    bound = Bound(
        side=one.side,
        value=one.value,
        deadband=one.deadband,
        on_delay_ns=round(one.on_delay_s * S),
        early=False,
        limit=one,
    )
    watch, found, began = NORMAL, [], 0
    for t, value in zip(t_ns, values, strict=True):
        watch, changes = step(watch, bound, t, value, Status.GOOD)
        for change in changes:
            if change is LimitChangeKind.BEGAN:
                began = t
            if change is LimitChangeKind.COUNTED:
                found.append([began, None])
            if change is LimitChangeKind.ENDED:
                found[-1][1] = t
    return [(a, b) for a, b in found]  # type: ignore[misc]


@given(
    st.lists(st.integers(-6, 6), min_size=1, max_size=40),
    st.sampled_from([0, 1, 2, 3]),
    st.sampled_from([0.0, 1.0, 2.5]),
    st.sampled_from(list(Side)),
)
def test_the_same_excursions_as_reading_by_reading(
    steps: list[int], deadband: int, on_delay_s: float, side: Side
) -> None:
    one = Limit(side=side, value=0.0, deadband=float(deadband), on_delay_s=on_delay_s)
    t_ns = [k * S for k in range(len(steps))]
    got = excursions("x", np.array(t_ns), np.array(steps, float), one)
    assert [(e.start_ns, e.end_ns) for e in got] == machine(t_ns, [float(s) for s in steps], one)


def test_the_worst_reading_is_kept_with_its_moment() -> None:
    t_ns = np.arange(6) * S
    got = excursions("x", t_ns, np.array([0, 11, 15, 12, 0, 0.0]), limit("high", 10))
    assert [(e.worst, e.worst_ns, e.last_ns, e.end_ns) for e in got] == [(15, 2 * S, 3 * S, 4 * S)]


@pytest.mark.parametrize("side", ["high", "low"])
def test_an_excursion_that_is_not_over_has_no_end(side: str) -> None:
    sign = 1 if side == "high" else -1
    got = excursions("x", np.arange(3) * S, sign * np.array([0, 11, 11.0]), limit(side, sign * 10.0))
    assert [e.end_ns for e in got] == [None]
