"""A unit that failed with nothing done to it."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.model import ChannelKind
from rig.forensics import analyse
from rig.forensics.answer import Role
from rig.forensics.attribution.unit_itself import change_on_others
from tests.forensics.bench_room import AT, Bench, T, after, main, noise
from tests.forensics.rooms import Room, channel, high, low, series


def test_a_unit_that_fails_alone_is_the_unit() -> None:
    b = Bench()
    b.values["A2.sink"] = np.round(b.values["A2.sink"] + np.where(after(), 0.2 * (T - AT), 0), 1)
    answer = b.analyse()
    assert answer.unit == "A2"
    assert main(answer) == (Role.UNIT, "A2")
    assert {n.subject: n.state for n in answer.neighbours} == {
        "A1": "normal", "A3": "normal", "mains": "normal", "air": "normal"
    }  # fmt: skip


def alone(*, stimuli: bool = True, like: bool = True, second: str | None = None) -> float:
    """The weight of a unit whose output fell, with or without stimuli, like units, a second channel."""
    units = ("A1", "A2") if like else ("A1",)
    channels = [channel(f"{u}.out", low(20), unit=u, instrument="meter") for u in units]
    rows = {f"{u}.out": 28 + noise(3, 0.01) for u in units}
    rows["A1.out"] = np.where(after(), 10.0, rows["A1.out"])
    if stimuli:
        channels.append(channel("mains", high(253), unit=None, kind=ChannelKind.STIMULUS))
        rows["mains"] = 230 + noise(1, 0.1)
    if second is not None:
        channels.append(channel("A1.fan", low(900), instrument=second, unit_of_measure="rpm"))
        rows["A1.fan"] = np.where(after(AT + 5), 700.0, 1500 + noise(8, 5))
    data = {name: series(name, T, row) for name, row in rows.items()}
    found = analyse(Room(channels=channels, data=data), "A1").main
    assert found is not None
    assert (found.role, found.subject) == (Role.UNIT, "A1")
    return found.weight


@pytest.mark.parametrize(
    ("room", "weight"),
    [
        ({}, 0.9),
        ({"stimuli": False}, 0.7),
        ({"like": False}, 0.8),
        ({"stimuli": False, "like": False}, 0.6),
        ({"second": "meter"}, 0.8),
        ({"second": "other"}, 0.9),
    ],
)
def test_what_could_not_be_looked_at_takes_away_from_blaming_the_unit(
    room: dict[str, object], weight: float
) -> None:
    # nothing known to have been done to it: 0.2; no like units: 0.1; several channels, but all by one
    # instrument: 0.1
    assert alone(**room) == pytest.approx(weight)  # type: ignore[arg-type]


def test_a_change_that_would_print_as_zero_percent_is_no_change() -> None:
    assert [change_on_others(one) for one in (-0.3, 0.0049)] == ["no change", "no change"]
    assert [change_on_others(one) for one in (0.0051, 0.25)] == ["1% of this change", "25% of this change"]
