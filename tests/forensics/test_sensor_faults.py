"""Sensor and instrument faults, on readings made by hand on either side of each threshold.

The thresholds themselves are common practice without a source; what is tested is that each one stands
where the code says it does, and that a moment, a channel and the readings that show it are named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from rig.domain.model import Channel, ChannelKind, Status
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.sensor_faults import FaultType, SensorFault, sensor_faults
from tests.forensics.rooms import NO_REPLY, NO_VALUE, START_NS, Room, channel, series

S = 1_000_000_000
LOST = int(Status.LOST)
Values = Sequence[float] | np.ndarray


def degrees(name: str, **more: object) -> Channel:
    unit = name.split(".", maxsplit=1)[0] if "." in name else None
    settings: dict[str, object] = {"unit": unit, "unit_of_measure": "degC", "instrument": "scanner", **more}
    return channel(name, **settings)  # type: ignore[arg-type]


def looked_at(
    channels: Sequence[Channel],
    values: Mapping[str, Values],
    status: Mapping[str, Sequence[int]] | None = None,
    poll_s: float = 1.0,
) -> list[SensorFault]:
    data = {
        name: series(name, np.arange(len(row)) * poll_s, row, status=(status or {}).get(name))
        for name, row in values.items()
    }
    room = Room(channels=channels, data=data)
    return sensor_faults(AnalysisData(room, room.layout, room.span), list(values))


def of_one(values: Values, status: Sequence[int] | None = None, **more: object) -> SensorFault | None:
    """Look at one temperature, read once a second beside a steady voltage of the same instrument."""
    name = "A1.t"
    steady = np.resize([1.0, 1.1, 1.2, 1.05], len(values))
    channels = [degrees(name, **more), degrees("A1.v", unit_of_measure="V")]
    found = looked_at(
        channels, {name: values, "A1.v": steady}, {name: status} if status is not None else None
    )
    assert {fault.subject for fault in found} <= {name}
    assert len(found) <= 1
    return found[0] if found else None


def at_s(fault: SensorFault) -> tuple[float, float]:
    return (fault.from_ns - START_NS) / S, (fault.until_ns - START_NS) / S


def restless(count: int, level: float = 80.0, swing: float = 0.5) -> np.ndarray:
    """Readings none of which repeats the one before, of a display that shows steps of half a degree."""
    return level + swing * np.resize([0, 1, 2, 1, 3, 1, 2, 3, 0, 2], count)


# ---- the instrument says that there is no sensor


@pytest.mark.parametrize("word", [Status.OVER, Status.UNDER, Status.NO_VALUE, Status.SUSPECT])
def test_five_readings_in_a_row_without_a_sane_value_are_a_sensor_fault_and_four_are_not(
    word: Status,
) -> None:
    def status(bad: int) -> list[int]:
        return [0] * 50 + [int(word)] * bad + [0] * 20

    assert of_one(restless(74), status(4)) is None
    found = of_one(restless(75), status(5))
    assert found is not None
    assert (found.fault_type, found.subject, found.channels) == (FaultType.OPEN, "A1.t", ("A1.t",))
    assert at_s(found) == (50, 54)
    [said] = found.evidence
    assert said.t_ns == found.from_ns
    assert said.text.startswith(f"5 readings with status '{word.name.replace('_', ' ').lower()}'")
    assert said.text.endswith(f"; last good reading {restless(50)[-1]:.6g} degC")


@pytest.mark.parametrize("word", [Status.NO_REPLY, Status.BAD_REPLY, Status.LOST, Status.REFUSED])
def test_readings_that_failed_otherwise_neither_count_nor_break_the_row(word: Status) -> None:
    between = [0] * 50 + [NO_VALUE, NO_VALUE, int(word), int(word), NO_VALUE] + [0] * 20
    assert of_one(restless(75), between) is None  # three of them say so
    longer = [0] * 50 + [NO_VALUE] * 3 + [int(word)] * 4 + [NO_VALUE] * 2 + [0] * 20
    found = of_one(restless(79), longer)
    assert found is not None
    assert at_s(found) == (50, 58)
    assert found.evidence[0].text.startswith("5 readings")
    only = [0] * 50 + [int(word)] * 10 + [0] * 20
    assert of_one(restless(80), only) is None


@pytest.mark.parametrize("row", [[NO_VALUE, LOST, *[NO_VALUE] * 4], [*[NO_VALUE] * 4, LOST, NO_VALUE]])
def test_one_bad_value_at_either_end_of_a_failed_reading_belongs_to_the_row(row: list[int]) -> None:
    found = of_one(restless(76), [0] * 50 + row + [0] * 20)
    assert found is not None
    assert at_s(found) == (50, 55)


def test_a_failed_reading_before_the_first_or_after_the_last_bad_value_is_not_part_of_it() -> None:
    status = [0] * 49 + [NO_REPLY] + [NO_VALUE] * 5 + [NO_REPLY] + [0] * 20
    found = of_one(restless(76), status)
    assert found is not None
    assert at_s(found) == (50, 54)


def test_good_readings_break_the_row() -> None:
    status = [0] * 50 + [NO_VALUE] * 4 + [0] + [NO_VALUE] * 4 + [0] * 20
    assert of_one(restless(79), status) is None


def test_the_longest_row_is_told() -> None:
    status = [0] * 50 + [NO_VALUE] * 6 + [0] * 5 + [NO_VALUE] * 8 + [0] * 5 + [NO_VALUE] * 7 + [0] * 5
    found = of_one(restless(len(status)), status)
    assert found is not None
    assert at_s(found) == (61, 68)


def test_a_channel_that_never_had_a_sensor_did_not_lose_one() -> None:
    assert of_one(restless(60), [NO_VALUE] * 60) is None
    assert of_one(restless(80), [NO_VALUE] * 60 + [0] * 20) is None


# ---- a reading that stands still


def repeating(repeats: int, differences: int, held: int) -> np.ndarray:
    """Readings of which so many of so many differences are zero, never two in a row, then one held value."""
    steps = np.ones(differences)
    steps[1 : 2 * repeats : 2] = 0
    up = np.cumsum(steps[:-1] > 0) % 2
    past = 100.0 + np.concatenate([[0.0], np.where(up > 0, 1.0, 0.0)])
    last = 101.0 if past[-1] == 100.0 else 100.0
    return np.concatenate([past, np.full(held, last)])


@pytest.mark.parametrize(("repeats", "stuck"), [(352, True), (356, False)])
def test_standing_still_by_a_chance_of_one_in_a_thousand_million_is_stuck(repeats: int, stuck: bool) -> None:
    # Laplace's rule of succession puts the chance of one repeat at (352 + 1) / (998 + 2); twenty in a row
    # have 0.353 ** 20 = 0.90e-9, and 0.357 ** 20 = 1.13e-9
    values = repeating(repeats, 998, 21)
    steps = np.diff(values)
    assert int(np.count_nonzero(steps[:998] == 0)) == repeats
    assert not steps[998:].any()
    found = of_one(values, unit_of_measure="V")
    assert (found is not None) is stuck
    if found is not None:
        assert found.fault_type is FaultType.STUCK
        assert at_s(found) == (998, 1018)
        assert found.evidence[0].text.startswith(
            f"21 readings of exactly {values[-1]:.6g} V; repeats before: 35%"
        )


def test_ten_readings_that_move_and_ten_that_do_not_are_the_least_that_show_it() -> None:
    assert of_one(np.concatenate([restless(10), np.full(10, 80.25)])) is not None


def test_failed_readings_do_not_help_to_ten() -> None:
    values = np.concatenate([restless(200), np.full(12, 80.25)])
    assert of_one(values, [0] * 205 + [NO_REPLY] * 3 + [0] * 4) is None
    assert of_one(values, [0] * 205 + [NO_REPLY] * 2 + [0] * 5) is not None


@pytest.mark.parametrize(("held", "stuck"), [(9, False), (10, True)])
def test_fewer_than_ten_equal_readings_are_never_stuck(held: int, stuck: bool) -> None:
    found = of_one(np.concatenate([restless(200), np.full(held, 80.25)]))
    assert (found is not None) is stuck


@pytest.mark.parametrize(("past", "stuck"), [(9, False), (10, True)])
def test_fewer_than_ten_readings_before_say_nothing_of_what_is_usual(past: int, stuck: bool) -> None:
    values = np.concatenate([restless(past), np.full(40, 80.25)])
    assert (of_one(values) is not None) is stuck


@pytest.mark.parametrize(("held", "stuck"), [(23, False), (24, True)])
def test_a_value_must_stand_eight_times_as_long_as_it_ever_did(held: int, stuck: bool) -> None:
    past = restless(400)
    past[100:103] = past[100]  # two repeats in a row
    assert (of_one(np.concatenate([past, np.full(held, 80.25)])) is not None) is stuck


def test_a_value_that_moved_again_is_not_stuck() -> None:
    assert of_one(np.concatenate([restless(200), np.full(60, 80.25), restless(5)])) is None


def test_failed_readings_while_a_value_stands_still_change_nothing() -> None:
    values = np.concatenate([restless(200), np.full(40, 80.25)])
    status = [0] * 240
    for k in (210, 211, 239):
        status[k] = NO_REPLY
    found = of_one(values, status)
    assert found is not None
    assert (found.fault_type, at_s(found)) == (FaultType.STUCK, (200, 238))
    assert found.evidence[0].text.startswith("37 readings of exactly ")


@pytest.mark.parametrize(("share", "stuck"), [(0.055, True), (0.045, False), (0.0, False)])
def test_a_value_near_nothing_is_a_dead_channel_and_not_a_stuck_one(share: float, stuck: bool) -> None:
    # a channel that sinks to where it then stands, so that it does not jump there
    moving = 0.05 * np.resize([0, 1, 3, 2], 700)
    past = (
        np.concatenate([np.full(600, 100.0), np.linspace(100, 100 * share, 40), np.full(60, 100 * share)])
        + moving
    )
    found = of_one(np.concatenate([past, np.full(60, 100 * share)]), unit_of_measure="V")
    assert (found is not None) is stuck


@pytest.mark.parametrize(("jump", "stuck"), [(3.0, True), (5.5, False)])
def test_a_dead_channel_jumps_first_by_more_than_six_times_its_noise(jump: float, stuck: bool) -> None:
    # white noise of 0.7: six of them are 4.2
    past = 100 + np.random.default_rng(6).normal(0, 0.7, 2000)
    held = float(np.median(past[-40:])) + jump
    found = of_one(np.concatenate([past, np.full(40, held)]), unit_of_measure="V")
    assert (found is not None) is stuck


# ---- a calm reading that stands still while its like move


def left_behind(
    moved: float, held: int = 200, grain: float = 1.0, own: Sequence[int] = (), other: Sequence[int] = ()
) -> SensorFault | None:
    """Three like displays in steps of ``grain``; all moved, then one stood still while the others went on.

    own, other: which of the readings after that failed, of the first channel and of the others.
    """
    calm = 80.0 + grain * np.repeat([0.0, 1.0, 2.0, 1.0, 0.0, 1.0, 2.0, 1.0, 0.0, 1.0], 20)
    still = np.concatenate([calm, np.full(held, 80.0)])
    like = still.copy()
    like[200 + held // 2 :] += moved * grain
    rows = {"A1.v": still, "A2.v": like + grain, "A3.v": like + 2 * grain}
    status = {name: [0] * (200 + held) for name in rows}
    for name, row in status.items():
        for k in own if name == "A1.v" else other:
            row[200 + k] = NO_REPLY
    found = looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows, status)
    assert {fault.subject for fault in found} <= {"A1.v"}
    return found[0] if found else None


@pytest.mark.parametrize(("moved", "stuck"), [(7.0, False), (9.0, True)])
def test_like_channels_must_move_by_eight_display_steps(moved: float, stuck: bool) -> None:
    found = left_behind(moved)
    assert (found is not None) is stuck
    if found is not None:
        assert (found.fault_type, at_s(found)) == (FaultType.STUCK, (200, 399))
        assert found.evidence[0].text == (
            "200 readings of exactly 80 V, while the same channel on the other units changed by 9 or more"
        )


@pytest.mark.parametrize(("moved", "stuck"), [(7.0, False), (9.0, True)])
@pytest.mark.parametrize("grain", [0.25, 4.0])
def test_the_display_step_is_that_of_the_channels(moved: float, stuck: bool, grain: float) -> None:
    assert (left_behind(moved, grain=grain) is not None) is stuck


def test_readings_that_failed_show_neither_that_one_stood_still_nor_that_others_moved() -> None:
    assert left_behind(60.0, held=12) is not None
    assert left_behind(60.0, held=12, own=(3, 4, 5)) is None
    assert left_behind(60.0, held=20) is not None
    assert left_behind(60.0, held=20, other=range(11)) is None
    assert left_behind(60.0, held=20, other=range(9)) is not None


@pytest.mark.parametrize(("held", "stuck"), [(9, False), (10, True)])
def test_nine_still_readings_are_not_left_behind(held: int, stuck: bool) -> None:
    assert (left_behind(60.0, held=held) is not None) is stuck


def test_a_channel_without_its_like_is_not_left_behind() -> None:
    assert of_one(np.concatenate([np.repeat([80.0, 81.0, 82.0, 81.0], 50), np.full(200, 80.0)])) is None


def test_one_like_channel_that_stood_as_still_is_enough_to_believe_it() -> None:
    still = np.concatenate([80.0 + np.repeat([0.0, 1.0, 2.0, 1.0], 50), np.full(200, 80.0)])
    moved = still.copy()
    moved[300:] += 20
    rows = {"A1.v": still, "A2.v": moved + 1, "A3.v": still + 2}
    assert looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows) == []


@pytest.mark.parametrize(("level", "stuck"), [(5.5, True), (4.5, False)])
def test_a_calm_value_near_nothing_is_dead_and_not_left_behind(level: float, stuck: bool) -> None:
    past = 100.0 + np.repeat([0.0, 1.0, 2.0, 1.0], 50)
    own = np.concatenate([past, np.full(100, level)])
    other = np.concatenate([past, np.full(50, 100.0), np.full(50, 120.0)])
    rows = {"A1.v": own, "A2.v": other}
    found = looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows)
    assert [fault.fault_type for fault in found] == ([FaultType.STUCK] if stuck else [])


@pytest.mark.parametrize(("past", "stuck"), [(19, False), (20, True)])
def test_fewer_than_twenty_calm_readings_before_show_no_movement(past: int, stuck: bool) -> None:
    calm = 80.0 + np.resize(np.repeat([0.0, 1.0, 2.0, 1.0], 3), past)
    calm[-1] = 82.0
    own = np.concatenate([calm, np.full(40, 80.0)])
    other = np.concatenate([calm, np.full(20, 80.0), np.full(20, 100.0)])
    rows = {"A1.v": own, "A2.v": other}
    found = looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows)
    assert [fault.fault_type for fault in found] == ([FaultType.STUCK] if stuck else [])


# ---- a temperature that moved faster than heat can


def jumped(
    step: float, after: int = 60, settle: float = 0.0, small: float = 0.0, gap: int = 0
) -> SensorFault | None:
    """A temperature that jumps at 1200 s; ``small``: size of five steps before; ``gap``: lost readings."""
    past = 60 + 0.1 * np.resize([0, 1, 2, 1], 1200)
    for k in range(200, 1200, 200):
        past[k:] += small if k % 400 else -small
    late = past[-1] + step + 0.1 * np.resize([0, 1, 2, 1], after)
    late[1:] += settle
    status = [0] * 1200 + [0] * after
    values = np.concatenate([past, late])
    for k in range(gap):
        status[1199 - k] = LOST
    return of_one(values, status)


@pytest.mark.parametrize(("step", "faulty"), [(11.5, False), (12.6, True), (-11.5, False), (-12.6, True)])
def test_a_jump_of_twelve_kelvin_within_a_poll_was_not_heat(step: float, faulty: bool) -> None:
    found = jumped(step)
    assert (found is not None) is faulty
    if found is not None:
        assert found.fault_type is FaultType.IMPOSSIBLE
        assert at_s(found) == (1200, 1259)
        assert "within one poll" in found.evidence[0].text


def test_what_is_no_temperature_may_jump() -> None:
    values = np.concatenate([restless(200), restless(60, level=140)])
    assert of_one(values, unit_of_measure="V") is None
    assert of_one(values) is not None


@pytest.mark.parametrize(("small", "faulty"), [(3.8, True), (4.2, False)])
def test_a_jump_must_be_six_times_what_was_usual(small: float, faulty: bool) -> None:
    assert (jumped(24.0, small=small) is not None) is faulty
    falls = 60 + 0.1 * np.resize([0, 1, 2, 1], 1200)
    for k in range(200, 1200, 200):
        falls[k:] -= small
    late = falls[-1] + 24 + 0.1 * np.resize([0, 1, 2, 1], 60)
    assert (of_one(np.concatenate([falls, late])) is not None) is faulty


@pytest.mark.parametrize(("stays", "faulty"), [(9, False), (11, True)])
def test_a_jump_stays_when_most_of_the_next_twenty_readings_do(stays: int, faulty: bool) -> None:
    past = 60 + 0.1 * np.resize([0, 1, 2, 1], 4000)
    back = np.linspace(75, 70, 60)  # by less than it had jumped, and not all the way
    values = np.concatenate([past, 90 + 0.1 * np.resize([0, 1, 2, 1], stays), back])
    assert (of_one(values) is not None) is faulty


@pytest.mark.parametrize(("swing", "faulty"), [(0.95, True), (1.05, False)])
def test_a_jump_must_be_twelve_times_the_noise(swing: float, faulty: bool) -> None:
    # four readings up and down by ``swing``: their scatter is taken as the second difference, twice that
    early = 60 + swing * np.array([0, 1, 0, 1.0])
    values = np.concatenate([early, 85 + 0.1 * np.resize([0, 1, 2, 1], 100)])
    values[4] = values[3] + 24.0
    values[5:] += values[4] - 85.0
    assert (of_one(values) is not None) is faulty


@pytest.mark.parametrize(("settle", "faulty"), [(4.5, True), (5.6, False), (-4.5, True), (-5.6, False)])
def test_after_the_jump_it_stays_within_a_quarter_of_it(settle: float, faulty: bool) -> None:
    assert (jumped(20.0, settle=settle) is not None) is faulty


@pytest.mark.parametrize(("after", "faulty"), [(4, False), (5, True)])
def test_fewer_than_five_readings_after_a_jump_do_not_show_that_it_stayed(after: int, faulty: bool) -> None:
    assert (jumped(30.0, after=after) is not None) is faulty


@pytest.mark.parametrize(("gap", "faulty"), [(9, True), (10, False)])
def test_over_more_than_ten_polls_a_temperature_may_have_moved_by_itself(gap: int, faulty: bool) -> None:
    assert (jumped(30.0, gap=gap) is not None) is faulty


@pytest.mark.parametrize(("before", "faulty"), [(2, False), (3, True)])
def test_a_jump_in_the_first_readings_has_nothing_to_jump_from(before: int, faulty: bool) -> None:
    values = np.concatenate(
        [60 + 0.1 * np.resize([0, 1, 2, 1], before), 100 + 0.1 * np.resize([0, 1, 2, 1], 60)]
    )
    assert (of_one(values) is not None) is faulty


def test_a_jump_onto_one_value_that_stays_is_the_end_of_the_range() -> None:
    values = np.concatenate([restless(300, swing=0.1), [1372.0] * 8])
    found = of_one(values)
    assert found is not None
    assert (found.fault_type, at_s(found)) == (FaultType.FULL_SCALE, (300, 307))


@pytest.mark.parametrize(("count", "faulty"), [(19, False), (20, True)])
def test_fewer_than_twenty_readings_show_no_usual_pace(count: int, faulty: bool) -> None:
    values = np.concatenate(
        [60 + 0.1 * np.resize([0, 1, 2, 1], count - 8), 100 + 0.1 * np.resize([0, 1, 2, 1], 8)]
    )
    assert (of_one(values) is not None) is faulty


# ---- a sensor that fell off

N = 960
FELL = 600


def fallen(
    rise: float = 40.0,
    left: float = 0.1,
    slow: float = 20.0,
    others: Sequence[float] = (1.0, 1.0),
    count: int = N,
    room: bool = True,
    name: str = "A1.t",
    returns_s: float = 1e9,
    off_s: float = 1e9,
    unread: bool = False,
) -> SensorFault | None:
    """A sensor that cools to a share ``left`` of its rise above the room, while other channels go on.

    others: what each other channel of the unit reads after, as a share of before; from ``off_s`` on the
    first reads
    nothing. returns_s: when the sensor is back; unread: the unit has one more channel, which was never read.
    """
    t = np.arange(count) * N / count
    air = 30 + 0.1 * np.resize([0, 1, 2, 1, 3], count)
    share = np.where(t < returns_s, left + (1 - left) * np.exp(-np.maximum(t - FELL, 0) / slow), 1.0)
    rows: dict[str, np.ndarray] = {name: air + rise * share + 0.1 * np.resize([0, 3, 1, 2, 0, 1, 2], count)}
    channels = [degrees(name)]
    for k, ratio in enumerate(others):
        level = 10.0 * (k + 1) * (1 + 0.01 * np.resize([0, 1, 2, 1, 2], count))
        rows[f"A1.v{k}"] = np.where(t < FELL, level, np.where((t < off_s) | (k > 0), ratio * level, 0.0))
        channels.append(degrees(f"A1.v{k}", unit_of_measure="V", instrument=f"meter{k}"))
    status = {}
    if unread:
        rows["A1.u"], status["A1.u"] = np.zeros(count), [LOST] * count
        channels.append(degrees("A1.u", unit_of_measure="V", instrument="meter0"))
    if room:
        rows["air"] = air
        channels.append(degrees("air", kind=ChannelKind.STIMULUS))
    found = [
        fault
        for fault in looked_at(channels, rows, status, poll_s=N / count)
        if fault.fault_type is FaultType.DETACHED
    ]
    assert len(found) <= 1
    return found[0] if found else None


def test_a_temperature_that_sinks_to_the_rooms_while_its_unit_goes_on_has_lost_its_sensor() -> None:
    found = fallen()
    assert found is not None
    assert (found.subject, found.channels) == ("A1.t", ("A1.t",))
    begun, until = at_s(found)
    assert FELL - 6 <= begun <= FELL
    assert until == N - 1
    [said] = found.evidence
    assert "while A1.v0, A1.v1 stayed the same" in said.text
    assert said.text.startswith("fell from 70.")


@pytest.mark.parametrize(("rise", "fell"), [(7.5, False), (8.8, True)])
def test_a_sensor_less_than_eight_kelvin_above_the_room_shows_no_fall(rise: float, fell: bool) -> None:
    assert (fallen(rise=rise, left=0.0) is not None) is fell


@pytest.mark.parametrize(("left", "fell"), [(0.18, True), (0.22, False)])
def test_a_fifth_of_the_rise_is_still_a_rise(left: float, fell: bool) -> None:
    assert (fallen(left=left) is not None) is fell


@pytest.mark.parametrize(
    ("others", "fell"),
    [
        ((1.0,), False),  # one witness is none
        ((1.0, 0.75), True),
        ((1.0, 1.25), True),
        ((1.0, 0.65), False),  # changed by more than three tenths
        ((1.0, 1.35), False),
        ((1.0, 1.0, 1.0, 0.0), True),  # three that go on outweigh one that does not
        ((1.0, 1.0, 0.0), False),
        ((1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0), False),
        ((1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0), True),
    ],
)
def test_the_units_other_channels_must_bear_witness(others: Sequence[float], fell: bool) -> None:
    assert (fallen(others=others) is not None) is fell


@pytest.mark.parametrize(("count", "fell"), [(239, False), (240, True)])
def test_fewer_than_240_readings_show_no_fall(count: int, fell: bool) -> None:
    assert (fallen(count=count) is not None) is fell


def test_a_sensor_that_is_back_in_the_last_moments_did_not_fall_off() -> None:
    assert fallen(returns_s=N - 9) is None


def test_a_witness_that_went_off_in_the_last_moments_still_bears_witness() -> None:
    assert fallen(off_s=N - 13) is not None
    assert fallen(off_s=N - 250) is None


def test_a_channel_that_was_not_read_bears_no_witness_either_way() -> None:
    found = fallen(unread=True)
    assert found is not None
    assert "A1.u" not in found.evidence[0].text


def test_three_sensors_that_fall_off_together_are_three_sensors() -> None:
    t = np.arange(N)
    air = 30 + 0.1 * np.resize([0, 1, 2, 1, 3], N)
    share = np.exp(-np.maximum(t - FELL, 0) / 20.0)
    rows, channels = {"air": air}, [degrees("air", kind=ChannelKind.STIMULUS)]
    for unit in ("A1", "A2", "A3"):
        rows[f"{unit}.t"] = air + 40 * share + 0.1 * np.resize([0, 3, 1, 2, 0, 1, 2], N)
        channels.append(degrees(f"{unit}.t"))
        for k in range(2):
            rows[f"{unit}.v{k}"] = 10 + 0.1 * np.resize([0, 1, 2, 1, 2], N)
            channels.append(degrees(f"{unit}.v{k}", unit_of_measure="V", instrument="meter"))
    found = [fault for fault in looked_at(channels, rows) if fault.subject.endswith(".t")]
    assert [(fault.fault_type, fault.subject) for fault in found] == [
        (FaultType.DETACHED, name) for name in ("A1.t", "A2.t", "A3.t")
    ]


def test_without_the_rooms_temperature_there_is_nothing_to_sink_to() -> None:
    assert fallen(room=False) is None


def test_a_sensor_of_the_room_does_not_fall_off_a_unit() -> None:
    assert fallen(name="outlet") is None


def test_a_sensor_that_comes_back_did_not_fall_off() -> None:
    t = np.arange(N)
    air = 30 + 0.1 * np.resize([0, 1, 2, 1, 3], N)
    dip = np.where((t > 400) & (t < 500), 0.0, 40.0)
    rows = {
        "A1.t": air + dip + 0.1 * np.resize([0, 3, 1, 2, 0, 1, 2], N),
        "A1.v": np.resize([1.0, 1.1], N), "A1.i": np.resize([2.0, 2.1], N), "air": air,
    }  # fmt: skip
    channels = [
        degrees("A1.t"), degrees("A1.v", unit_of_measure="V", instrument="m"),
        degrees("A1.i", unit_of_measure="A", instrument="n"), degrees("air", kind=ChannelKind.STIMULUS),
    ]  # fmt: skip
    assert [fault for fault in looked_at(channels, rows) if fault.fault_type is FaultType.DETACHED] == []


# ---- several channels of one instrument in one scan


def jolted(*jumps_s: float | None, units: Sequence[str] = ("A1", "A2", "A3", "A4")) -> list[SensorFault]:
    """Temperatures of one scanner, each of which jumps by 40 K at its moment, read once in 2 s."""
    rows: dict[str, np.ndarray] = {}
    for k, moment in enumerate(jumps_s):
        row = restless(300, level=60 + k)
        if moment is not None:
            row = row + np.where(np.arange(300) * 2.0 >= moment, 40.0, 0.0)
        rows[f"{units[k]}.t{k}"] = row
    return looked_at([degrees(name) for name in rows], rows, poll_s=2.0)


def test_three_channels_of_two_units_that_jump_in_one_scan_are_one_fault_of_the_instrument() -> None:
    [found] = jolted(400, 400, 400, None)
    assert (found.fault_type, found.subject) == (FaultType.COMMON_STEP, "scanner")
    assert found.channels == ("A1.t0", "A2.t1", "A3.t2")
    assert at_s(found) == (400, 598)
    assert len(found.evidence) == 3


def test_two_channels_that_jump_together_are_two_sensors() -> None:
    assert [fault.fault_type for fault in jolted(400, 400, None, None)] == [FaultType.IMPOSSIBLE] * 2


def test_within_a_scan_and_a_half_is_together() -> None:
    assert [fault.fault_type for fault in jolted(400, 402, 402)] == [FaultType.COMMON_STEP]
    assert [fault.fault_type for fault in jolted(400, 404, 404)] == [FaultType.IMPOSSIBLE] * 3


def test_a_channel_that_jumped_before_is_a_sensor_of_its_own() -> None:
    alone, together = jolted(200, 400, 400, 400)
    assert (alone.fault_type, alone.subject) == (FaultType.IMPOSSIBLE, "A1.t0")
    assert (together.fault_type, together.channels) == (FaultType.COMMON_STEP, ("A2.t1", "A3.t2", "A4.t3"))


def test_channels_of_one_unit_jolt_only_where_they_are_all_the_instrument_reads() -> None:
    one = ("A1", "A1", "A1", "A1")
    assert [fault.fault_type for fault in jolted(400, 400, 400, None, units=one)] == [
        FaultType.IMPOSSIBLE
    ] * 3
    assert [fault.fault_type for fault in jolted(400, 400, 400, units=one)] == [FaultType.COMMON_STEP]


def test_faults_are_told_oldest_first() -> None:
    found = jolted(500, 300, None, None)
    assert [fault.subject for fault in found] == ["A2.t1", "A1.t0"]


# ---- an instrument that stopped answering


def silent(missing: int, length: int = 300, word: int = NO_REPLY, instruments: int = 2) -> list[SensorFault]:
    """Two channels of one instrument whose last readings got no reply; another instrument goes on."""
    status = [0] * (length - missing) + [word] * missing
    rows = {"A1.t": restless(length), "A1.u": restless(length), "A2.t": restless(length)}
    names = ["scanner", "scanner", "other"] if instruments == 2 else ["scanner"] * 3
    channels = [degrees(name, instrument=i) for name, i in zip(rows, names, strict=True)]
    return looked_at(channels, rows, {"A1.t": status, "A1.u": status})


@pytest.mark.parametrize(("missing", "silenced"), [(14, False), (15, True)])
def test_fifteen_questions_without_a_reply_to_the_end_are_silence(missing: int, silenced: bool) -> None:
    found = silent(missing)
    assert bool(found) is silenced
    if found:
        [fault] = found
        assert (fault.fault_type, fault.subject, fault.channels) == (
            FaultType.SILENT,
            "scanner",
            ("A1.t", "A1.u"),
        )
        assert at_s(fault) == (300 - missing, 299)
        assert "all 2 channels" in fault.evidence[0].text


def test_an_instrument_one_channel_of_which_answers_is_not_silent() -> None:
    assert silent(100, instruments=1) == []


def test_an_instrument_that_says_it_has_no_value_does_answer() -> None:
    assert FaultType.SILENT not in {fault.fault_type for fault in silent(100, word=NO_VALUE)}


@pytest.mark.parametrize(("readings", "silenced"), [(184, False), (183, True)])
def test_an_instrument_that_is_no_longer_even_asked_is_silent_too(readings: int, silenced: bool) -> None:
    # the recording ends at 200 s: 18 polls (15, and 3 of grace) after the last of 183 readings, at 182 s
    rows = {"A1.t": restless(readings), "A2.t": restless(201)}
    channels = [degrees("A1.t", instrument="scanner"), degrees("A2.t", instrument="other")]
    found = looked_at(channels, rows)
    assert bool(found) is silenced
    if found:
        assert at_s(found[0]) == (182, 200)


# ---- what is looked at


def test_channels_without_readings_or_without_an_instrument_are_passed_over() -> None:
    derived = Channel(
        name="A1.d", unit="A1", unit_of_measure="degC", kind=ChannelKind.RESPONSE, formula="A1.t * 1"
    )
    jump = np.concatenate([restless(200), restless(100, level=140)])
    rows = {"A1.d": jump, "A2.t": np.array([])}
    assert looked_at([derived, degrees("A2.t", instrument="none")], rows) == []
