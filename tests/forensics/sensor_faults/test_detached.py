"""A sensor that fell off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.domain.model import ChannelKind
from rig.forensics.fault_rule import SensorFault
from rig.forensics.sensor_faults.detached import DETACHED
from tests.forensics.sensor_faults.faulty_rooms import LOST, at_s, degrees, looked_at

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
        fault for fault in looked_at(channels, rows, status, poll_s=N / count) if fault.fault_type is DETACHED
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
        (DETACHED, name) for name in ("A1.t", "A2.t", "A3.t")
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
    assert [fault for fault in looked_at(channels, rows) if fault.fault_type is DETACHED] == []
