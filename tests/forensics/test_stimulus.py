"""What was done to a unit and to its neighbours: ranges and shares on either side of each threshold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.domain.model import Channel, ChannelKind, Series
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.channel_readings import readings
from rig.forensics.crossings import excursions
from rig.forensics.stimulus import (
    Out,
    from_invalid_inputs,
    left_its_range,
    moved_alike,
    names_in,
    shifted_stimuli,
)
from tests.forensics.rooms import NO_VALUE, START_NS, Room, channel, high, low, series

N = 1200
AT = 1000
S = 1_000_000_000
T = np.arange(N)
CALM = np.resize([-0.5, 0.0, 0.5, 0.0], N)
"""A range of one, half of it to either side."""


def scene_of(
    channels: Sequence[Channel], rows: dict[str, np.ndarray], **status: Sequence[int]
) -> AnalysisData:
    data: dict[str, Series] = {
        name: series(name, np.arange(len(row)) * 1.0, row, status=status.get(name.replace(".", "_")))
        for name, row in rows.items()
    }
    room = Room(channels=channels, data=data)
    return AnalysisData(room, room.layout, room.span)


def at(second: float) -> int:
    return START_NS + round(second * S)


# ---- like channels of other units


def alike_moved(
    *shares: float, down: bool = False, bump_s: int | None = None, **status: Sequence[int]
) -> tuple[float, tuple[str, ...]] | None:
    """One channel leaves its range of 80 +- 0.5 by 10 at 1000 s; its like by these shares of it."""
    way = -1 if down else 1
    rows = {}
    for k, share in enumerate((1.0, *shares)):
        row = 80 + 5 * k + CALM + np.where(T >= AT, way * (10 * share + 0.5), 0.0)
        rows[f"A{k + 1}.t"] = np.where(T >= AT, 80 + 5 * k + way * (0.5 + 10 * share), row)
    if bump_s is not None:
        rows["A1.t"][bump_s : bump_s + 20] = 85.5
    limit = low(75) if down else high(85.9)
    channels = [channel(name, limit, unit=name[:2]) for name in rows]
    data = scene_of(channels, rows, **status)
    left = excursions(readings(channels[0], data.recording.series("A1.t")), limit, 0.95)
    return moved_alike(data, left[-1])


@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize(("share", "named"), [(0.42, ("A2.t",)), (0.38, ()), (1.0, ("A2.t",)), (0.0, ())])
def test_two_fifths_of_the_movement_make_a_common_cause(
    share: float, named: tuple[str, ...], down: bool
) -> None:
    found = alike_moved(share, down=down)
    assert found is not None
    assert found[0] == pytest.approx(share)
    assert found[1] == named


def test_of_several_like_channels_the_middle_one_counts_and_those_that_moved_are_named() -> None:
    found = alike_moved(0.9, 0.1, 0.7)
    assert found is not None
    assert found[0] == pytest.approx(0.7)
    assert found[1] == ("A2.t", "A4.t")


def test_a_like_channel_that_moved_the_other_way_did_not_move_along() -> None:
    found = alike_moved(-0.5)
    assert found is not None
    assert found[0] < -0.3
    assert found[1] == ()


def test_without_like_channels_that_were_read_nothing_can_be_said() -> None:
    assert alike_moved() is None
    assert alike_moved(0.5, A2_t=[NO_VALUE if k >= AT else 0 for k in range(N)]) is None
    assert alike_moved(0.5, A2_t=[0 if k < 9 or k >= AT else NO_VALUE for k in range(N)]) is None
    assert alike_moved(0.5, A2_t=[0 if k < 10 or k >= AT else NO_VALUE for k in range(N)]) is not None


@pytest.mark.parametrize(("bump_s", "share"), [(675, 1.0), (705, 0.5)])
def test_the_last_three_tenths_before_a_moment_are_not_its_earlier_range(bump_s: int, share: float) -> None:
    # a bump of 5 by 700 s makes the earlier range as wide; after it, it is part of the movement
    found = alike_moved(0.5, bump_s=bump_s)
    assert found is not None
    assert found[0] == pytest.approx(share)


# ---- a stimulus that left its earlier range


def stimulus(
    level: float,
    moved: float,
    *,
    until: int = N,
    begin: int = AT,
    wide: float = 1.0,
    before: int = N,
    **more: object,
) -> str | None:
    """A stimulus of a range ``wide`` about a level that moves by so much from ``begin`` to ``until``."""
    row = level + wide * CALM
    row[begin:until] = level + moved
    settings: dict[str, object] = {"unit": None, "kind": ChannelKind.STIMULUS, **more}
    c = channel("mains", **settings)  # type: ignore[arg-type]
    status = [0 if k >= AT - 295 or k < before else NO_VALUE for k in range(N)]
    found = left_its_range(scene_of([c], {"mains": row}, mains=status), c, at(AT))
    if found is None:
        return None
    interval, text = found
    assert interval.earliest_ns == at(begin - 1)
    assert interval.latest_ns == at(begin)
    return text


@pytest.mark.parametrize(("moved", "left"), [(12.3, True), (11.7, False), (-12.3, True), (-11.7, False)])
def test_a_stimulus_must_move_by_a_twentieth_of_itself_beyond_its_range(moved: float, left: bool) -> None:
    # 5 % of 230 are 11.5 beyond the half volt
    text = stimulus(230.0, moved)
    assert (text is not None) is left
    assert text is None or text == f"{230 + moved:.6g} V; earlier between 229.5 and 230.5"


@pytest.mark.parametrize(("moved", "left"), [(6.8, True), (6.2, False), (-6.8, True), (-6.2, False)])
def test_the_air_must_move_by_six_kelvin_beyond_its_range(moved: float, left: bool) -> None:
    assert (stimulus(300.0, moved, unit_of_measure="K") is not None) is left


@pytest.mark.parametrize(("moved", "left"), [(25.8, True), (24.2, False), (-25.8, True), (-24.2, False)])
def test_a_lively_stimulus_must_move_by_twice_its_range_beyond_it(moved: float, left: bool) -> None:
    assert (stimulus(20.0, moved, wide=10.0) is not None) is left


@pytest.mark.parametrize(("before", "left"), [(19, False), (20, True)])
def test_fewer_than_twenty_readings_are_no_earlier_range(before: int, left: bool) -> None:
    assert (stimulus(230.0, 50.0, before=before) is not None) is left


def test_one_reading_out_of_its_range_is_no_change() -> None:
    assert stimulus(230.0, 50.0, begin=AT, until=AT + 1) is None
    assert stimulus(230.0, 50.0, begin=AT, until=AT + 2) is not None


@pytest.mark.parametrize(("begin", "left"), [(1002, True), (1003, False)])
def test_a_change_more_than_two_polls_later_is_not_the_cause(begin: int, left: bool) -> None:
    assert (stimulus(230.0, 50.0, begin=begin) is not None) is left


@pytest.mark.parametrize(("until", "left"), [(996, True), (995, False)])
def test_a_change_that_was_over_more_than_five_polls_before_is_not_the_cause(until: int, left: bool) -> None:
    assert (stimulus(230.0, 50.0, begin=950, until=until) is not None) is left


def test_a_change_before_the_moment_counts_while_it_lasts() -> None:
    assert stimulus(230.0, 50.0, begin=720) is not None


# ---- stimuli beyond their earlier range at a moment


def shifted(**moved: float) -> list[tuple[str, str]]:
    """Mains, air and a signal of each of two units, moved by so much of their range of 1 at 1000 s."""
    names = {"mains": None, "air": None, "A1.signal": "A1", "A2.signal": "A2"}
    rows = {}
    for name in names:
        by = moved.get(name.replace(".", "_"), 0.0)
        rows[name] = np.where(T >= AT, 100 + by + np.sign(by) * 0.5, 100 + CALM)
    channels = [channel(n, unit=u, kind=ChannelKind.STIMULUS) for n, u in names.items()]
    return shifted_stimuli(scene_of(channels, rows), "A1", at(AT))


def test_a_stimulus_shifted_when_it_is_half_its_range_beyond_it() -> None:
    assert shifted(mains=0.55) == [("mains", "0.55 V above its earlier range")]
    assert shifted(mains=-0.55) == [("mains", "0.55 V below its earlier range")]
    assert shifted(mains=0.45) == []
    assert shifted(mains=-0.45) == []


def test_the_farthest_shifted_stimulus_is_named_first_and_other_units_stay_out() -> None:
    found = shifted(mains=2.0, air=-5.0, A1_signal=3.0, A2_signal=9.0)
    assert [name for name, _ in found] == ["air", "A1.signal", "mains"]


def test_a_response_is_no_stimulus() -> None:
    rows = {"A1.t": np.where(T >= AT, 200.0, 100 + CALM)}
    assert shifted_stimuli(scene_of([channel("A1.t")], rows), "A1", at(AT)) == []


# ---- derived channels whose leaving says nothing


def quotient(
    volts: float, amps: float, *, first: int = AT, last: int = N - 1, formula: str | None = "A1.v / A1.i",
    unread: bool = False, lost_after: bool = False, before: int = AT,
) -> bool:  # fmt: skip
    """Whether A1.z = A1.v / A1.i, out between two readings, is from invalid inputs: 10 V, 2 A."""
    v, i = np.where(T >= AT, volts, 10.0), np.where(T >= AT, amps, 2.0)
    z = Channel(name="A1.z", unit="A1", unit_of_measure="ohm", kind=ChannelKind.RESPONSE, formula=formula)
    if formula is None:
        z = channel("A1.z")
    status = [NO_VALUE if (unread and k >= AT) or AT - 500 <= k < AT - before else 0 for k in range(N)]
    after = [NO_VALUE if lost_after and k > last else 0 for k in range(N)]
    data = scene_of(
        [channel("A1.v"), channel("A1.i"), z], {"A1.v": v, "A1.i": i, "A1.z": v / np.maximum(i, 1e-9)},
        A1_i=status, A1_v=status, A1_z=after,
    )  # fmt: skip
    return from_invalid_inputs(data, z, data.track("A1.z"), Out(first_outside=first, last_outside=last))


@pytest.mark.parametrize(
    ("volts", "amps", "empty"),
    [
        (0.45, 0.09, True),  # 4.5 % of each
        (0.55, 0.09, False),  # 5.5 % of one
        (0.45, 0.11, False),
        (10.0, 0.0, False),  # an open load has a voltage
        (0.0, 2.0, False),  # a short one a current
        (-0.45, -0.09, True),
        (-0.55, -0.11, False),
    ],
)
def test_a_ratio_of_two_nothings_says_nothing(volts: float, amps: float, empty: bool) -> None:
    assert quotient(volts, amps) is empty


def test_one_reading_of_a_derived_channel_says_nothing_while_the_next_was_read() -> None:
    assert quotient(5.0, 1.0, first=AT, last=AT)
    assert not quotient(5.0, 1.0, first=AT, last=AT + 1)
    assert not quotient(5.0, 1.0, first=AT, last=AT, lost_after=True)
    assert quotient(5.0, 1.0, first=N - 1, last=N - 1)


def test_a_measured_channel_is_never_hollow() -> None:
    assert not quotient(0.0, 0.0, formula=None)


def test_inputs_that_were_not_read_may_have_been_nothing() -> None:
    assert quotient(5.0, 1.0, unread=True)


@pytest.mark.parametrize(("before", "empty"), [(9, False), (10, True)])
def test_inputs_need_ten_readings_before_to_be_known(before: int, empty: bool) -> None:
    row = np.concatenate([np.full(before, 10.0), np.zeros(50)])
    z = Channel(name="A1.z", unit="A1", unit_of_measure="ohm", kind=ChannelKind.RESPONSE, formula="A1.v * 2")
    data = scene_of([channel("A1.v"), z], {"A1.v": row, "A1.z": 2 * row})
    assert (
        from_invalid_inputs(data, z, data.track("A1.z"), Out(first_outside=before, last_outside=before + 20))
        is empty
    )


def test_names_are_read_out_of_a_formula() -> None:
    assert names_in("(A1.heat_sink - air)/2.5 + max(A1.i, 3)") >= {"A1.heat_sink", "air", "A1.i"}
    assert "A1" not in names_in("A1.heat_sink - air")
    assert names_in("") == set()
