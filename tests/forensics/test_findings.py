"""Roles before blame, on small rooms in which the cause is plain."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.model import Channel, ChannelKind, Event, EventKind, Status
from rig.forensics import analyse
from rig.forensics.answer import Role
from tests.forensics.bench_room import AT, Bench, T, after, main, noise
from tests.forensics.rooms import NO_REPLY, NO_VALUE, START_NS, Room, channel, high, low, series


def test_an_open_thermocouple_is_the_sensor_and_blames_no_unit() -> None:
    b = Bench()
    b.status["A1.sink"] = np.where(after(), NO_VALUE, 0)
    answer = b.analyse()
    assert main(answer) == (Role.SENSOR, "A1.sink")
    assert answer.order.channels == ()


@pytest.mark.parametrize("shift", [8.0, 14.5, 25.0, -40.0])
def test_a_neighbour_that_an_open_thermocouple_disturbs_in_the_scanner_is_no_unit_that_failed(
    shift: float,
) -> None:
    """An open input takes what is near and loads the next ones in the scan (from memory, no source)."""
    b = Bench()
    b.status["A1.sink"] = np.where(after(), NO_VALUE, 0)
    b.values["A2.sink"] = np.round(np.where(after(), b.values["A2.sink"] + shift, b.values["A2.sink"]), 1)
    answer = b.analyse()
    assert main(answer)[0] is Role.SENSOR
    assert answer.order.channels == ()


@pytest.mark.parametrize("shown", [1372.0, -200.0])
def test_a_value_at_the_end_of_the_range_is_the_sensor_though_it_is_out_of_limits(shown: float) -> None:
    b = Bench()
    b.values["A1.sink"] = np.where(after(), shown, b.values["A1.sink"])
    answer = b.analyse()
    assert main(answer) == (Role.SENSOR, "A1.sink")
    assert answer.order.channels == ()


def test_a_sensor_that_fell_off_decays_to_the_air_while_the_unit_goes_on() -> None:
    b = Bench()
    decay = 35 + 45 * np.exp(-np.maximum(T - AT, 0) / 40)
    b.values["A1.sink"] = np.round(np.where(after(), decay + noise(5, 0.1), b.values["A1.sink"]), 1)
    answer = b.analyse()
    assert main(answer) == (Role.SENSOR, "A1.sink")
    assert "fell" in answer.findings[0].evidence[0].text


def test_a_unit_that_went_off_and_cooled_did_not_lose_its_sensor() -> None:
    b = Bench()
    decay = 35 + 45 * np.exp(-np.maximum(T - AT, 0) / 40)
    b.values["A1.sink"] = np.round(np.where(after(), decay + noise(5, 0.1), b.values["A1.sink"]), 1)
    for name in ("A1.out", "A1.line"):
        b.values[name] = np.where(after(), 0.0, b.values[name])
    answer = b.analyse()
    assert main(answer) == (Role.UNIT, "A1")
    assert answer.order.tiers[0] == ("A1.out",)
    assert {c.channel for c in answer.consequences} >= {"A1.sink"}


def test_a_reading_that_stands_still_is_stuck() -> None:
    b = Bench()
    b.values["A1.sink"] = np.where(after(), b.values["A1.sink"][AT - 1], b.values["A1.sink"])
    assert main(b.analyse()) == (Role.SENSOR, "A1.sink")


def test_a_dead_channel_at_zero_is_not_stuck() -> None:
    b = Bench()
    for name in ("A1.out", "A1.line"):
        b.values[name] = np.where(after(), 0.0, b.values[name])
    answer = b.analyse()
    assert main(answer)[0] is Role.UNIT
    assert not [f for f in answer.findings if f.role is Role.SENSOR]


def test_channels_of_several_units_that_jump_in_one_scan_are_the_instrument() -> None:
    b = Bench()
    for name in ("A1.sink", "A2.sink", "A3.sink", "air"):
        b.values[name] = b.values[name] + np.where(after(), 40.0, 0.0)
    answer = b.analyse()
    assert main(answer) == (Role.INSTRUMENT, "scanner")
    assert answer.order.channels == ()


def test_an_instrument_that_stopped_answering_is_named() -> None:
    b = Bench()
    for name in ("A1.sink", "A2.sink", "A3.sink", "air"):
        b.status[name] = np.where(after(), NO_REPLY, 0)
    assert main(b.analyse()) == (Role.INSTRUMENT, "scanner")


def test_what_follows_a_recorded_switch_off_is_a_consequence() -> None:
    b = Bench()
    b.values["A1.sink"] = np.round(b.values["A1.sink"] + np.where(after(), 0.5 * (T - AT), 0), 1)
    off = AT + 40
    for name in ("A1.out", "A1.line"):
        b.values[name] = np.where(after(off), 0.0, b.values[name])
    b.events.append(
        Event(kind=EventKind.SWITCH, t_ns=START_NS + int((off - 0.5) * 1e9), session=1, seq=1, subject="A1",
              text="A1 off: sink above 95 degC", data={"state": "off"})
    )  # fmt: skip
    answer = b.analyse()
    assert main(answer) == (Role.UNIT, "A1")
    assert answer.order.tiers[0] == ("A1.sink",)
    reasons = {c.channel: c.reason for c in answer.consequences}
    assert "switched off" in reasons["A1.out"]
    assert "A1.sink" not in reasons


def test_what_fell_alone_before_the_unit_went_off_is_no_consequence_of_it() -> None:
    b = Bench()
    b.more.append(channel("A1.spin", low(900), unit_of_measure="rpm", instrument="meter-A1"))
    b.values["A1.spin"] = np.where(after(), 0.0, np.round(1500 + noise(60, 3)))
    for name in ("A1.out", "A1.line"):
        b.values[name] = np.where(after(AT + 60), 0.0, b.values[name])
    answer = b.analyse()
    assert answer.order.tiers[0] == ("A1.spin",)
    assert main(answer) == (Role.UNIT, "A1")
    reasons = {c.channel: c.reason for c in answer.consequences}
    assert "A1.spin" not in reasons
    assert "A1.spin" not in reasons["A1.out"]


def test_protection_that_opens_and_closes_is_one_story() -> None:
    b = Bench()
    phase = np.where(after(200), (T - 200) % 70, 0)
    b.values["A1.out"] = np.where(after(200) & (phase > 50), 0.0, b.values["A1.out"])
    answer = b.analyse()
    [story] = answer.cycling
    assert story.channels == ("A1.out",)
    assert story.count == 10
    assert story.period_s == pytest.approx(70, abs=1)
    assert len(answer.early) <= 1


def test_an_early_sign_is_not_buried_by_the_final_collapse() -> None:
    b = Bench()
    b.values["A1.line"] = np.where((T >= 300) & (T < 320), 2.5, b.values["A1.line"])
    for name in ("A1.out", "A1.sink"):
        b.values[name] = np.where(after(), 0.0 if name == "A1.out" else b.values[name], b.values[name])
    answer = b.analyse()
    assert answer.order.channels == ("A1.out",)
    assert [e.channel for e in answer.early] == ["A1.line"]
    assert answer.story("A1.line").early[0].returned is not None


def test_a_channel_set_aside_takes_what_is_derived_from_it_along() -> None:
    b = Bench()
    b.values["A1.sink"] = np.where(after(), 1372.0, b.values["A1.sink"])
    channels = b.channels()
    rise = Channel(
        name="A1.rise",
        unit_of_measure="K",
        unit="A1",
        kind=ChannelKind.RESPONSE,
        formula="A1.sink - air",
        limits=(high(60),),
    )
    data = {n: series(n, T, v) for n, v in b.values.items()}
    data["A1.rise"] = series("A1.rise", T, b.values["A1.sink"] - b.values["air"])
    answer = analyse(Room(channels=[*channels, rise], data=data), "A1")
    assert main(answer) == (Role.SENSOR, "A1.sink")
    assert answer.order.channels == ()
    assert answer.story("A1.rise").excursions


def test_suspect_readings_never_start_an_excursion() -> None:
    b = Bench()
    b.values["A1.sink"] = np.where(after(), 400.0, b.values["A1.sink"])
    b.status["A1.sink"] = np.where(after(), int(Status.SUSPECT), 0)
    answer = b.analyse("A1")
    assert answer.story("A1.sink").excursions == ()
    assert main(answer) == (Role.SENSOR, "A1.sink")


def test_a_calm_reading_that_stands_still_while_its_like_move_is_stuck() -> None:
    b = Bench()
    drift = np.round(12 * np.sin(T / 100), 0)
    for k, unit in enumerate(("A1", "A2", "A3")):
        b.values[f"{unit}.sink"] = 80.0 + k + drift
    b.values["A2.sink"] = np.where(after(), b.values["A2.sink"][AT - 1], b.values["A2.sink"])
    answer = b.analyse("A2")
    assert main(answer) == (Role.SENSOR, "A2.sink")


def test_a_sensor_fault_is_nine_tenths_sure_and_nothing_at_all_a_little_more() -> None:
    b = Bench()
    b.status["A1.sink"] = np.where(after(), NO_VALUE, 0)
    found = b.analyse("A1").main
    assert found is not None
    assert (found.role, found.weight) == (Role.SENSOR, 0.9)
    quiet = Bench().analyse("A1").main
    assert quiet is not None
    assert (quiet.role, quiet.subject, quiet.weight) == (Role.NONE, "A1", 0.95)


def test_of_two_faults_the_older_answers_and_one_of_another_unit_is_not_told() -> None:
    b = Bench()
    b.status["A1.sink"] = np.where(after(700), NO_VALUE, 0)
    b.status["A1.out"] = np.where(after(650), NO_VALUE, 0)
    b.status["A2.sink"] = np.where(after(500), NO_VALUE, 0)
    answer = b.analyse("A1")
    assert main(answer) == (Role.SENSOR, "A1.out")
    assert [f.subject for f in answer.findings] == ["A1.out", "A1.sink"]
    assert [f.main for f in answer.findings] == [True, False]


@pytest.mark.parametrize(("ill_s", "kept"), [(610, True), (601, False)])
def test_an_excursion_counts_that_began_two_seconds_before_its_sensor_fell_ill(
    ill_s: int, kept: bool
) -> None:
    b = Bench()
    b.values["A1.sink"] = np.where(after(), 105 + noise(5, 0.2), b.values["A1.sink"])
    b.values["A1.sink"][AT - 8 : AT] += np.arange(8) * 2.5
    b.status["A1.sink"] = np.where(after(ill_s), NO_VALUE, 0)
    answer = b.analyse("A1")
    assert ("A1.sink" in answer.order.channels) is kept
