"""Switching a unit off: every step of the table, and what the rig file may say about it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.switching import (
    IDLE,
    TABLE,
    Switch,
    SwitchAction,
    SwitchOff,
    SwitchSignal,
    SwitchState,
    is_late,
    step,
)
from rig.errors import ConfigError
from rig.rigfile import config, yaml_reader
from rig.rigfile.config import DriverSpec
from tests.rigfile.test_config import MeterOptions, describe

SPEC = SwitchOff(
    unit="A1", instrument="relay", commands=("OFF 1",), channel="A1.amps",
    low=float("-inf"), high=0.05, within_s=2.0, tries=3,
)  # fmt: skip


def after(*signals: SwitchSignal) -> tuple[Switch, list[SwitchAction | None]]:
    switch, actions = IDLE, []
    for at, signal in enumerate(signals):
        switch, action = step(switch, SPEC, signal, at)
        actions.append(action)
    return switch, actions


def test_the_ordinary_course_is_trip_command_confirmation() -> None:
    switch, actions = after(SwitchSignal.TRIP, SwitchSignal.SENT, SwitchSignal.SEEN_OFF)
    assert switch.state is SwitchState.OFF
    assert actions == [SwitchAction.SEND, SwitchAction.SAY_SENT, SwitchAction.SAY_OFF]


def test_a_reading_below_the_value_before_the_command_is_out_confirms_nothing() -> None:
    switch, actions = after(SwitchSignal.TRIP, SwitchSignal.SEEN_OFF)
    assert switch.state is SwitchState.ORDERED
    assert actions == [SwitchAction.SEND, None]


def test_without_confirmation_it_is_tried_again_and_then_somebody_is_told() -> None:
    switch, actions = after(SwitchSignal.TRIP, *[SwitchSignal.SENT, SwitchSignal.LATE] * 3)
    assert switch.state is SwitchState.FAILED
    assert actions.count(SwitchAction.SEND) == 3
    assert actions[-1] is SwitchAction.SAY_FAILED


def test_what_is_refused_is_tried_again_when_its_time_is_over_and_not_at_once() -> None:
    switch, actions = after(SwitchSignal.TRIP, SwitchSignal.REFUSED)
    assert actions == [SwitchAction.SEND, SwitchAction.SAY_REFUSED]
    assert not is_late(switch, 1_999_999_999)
    assert is_late(switch, 2_000_000_001)
    assert step(switch, SPEC, SwitchSignal.LATE, 3)[1] is SwitchAction.SEND


def test_a_second_trip_while_it_is_under_way_or_off_sends_nothing() -> None:
    for course in (
        [SwitchSignal.TRIP],
        [SwitchSignal.TRIP, SwitchSignal.SENT],
        [SwitchSignal.TRIP, SwitchSignal.SENT, SwitchSignal.SEEN_OFF],
    ):
        assert after(*course, SwitchSignal.TRIP)[1][-1] is None


def test_a_unit_that_somebody_switches_on_again_can_trip_again() -> None:
    off_and_on = [SwitchSignal.TRIP, SwitchSignal.SENT, SwitchSignal.SEEN_OFF, SwitchSignal.SEEN_ON]
    switch, actions = after(*off_and_on, SwitchSignal.TRIP)
    assert actions[-2:] == [SwitchAction.SAY_ON, SwitchAction.SEND]
    assert switch.attempt == 1


@given(st.lists(st.sampled_from(SwitchSignal), max_size=60))
def test_no_course_of_events_sends_without_a_trip_or_more_often_than_allowed(
    signals: list[SwitchSignal],
) -> None:
    switch, sends, trips = IDLE, 0, 0
    for at, signal in enumerate(signals):
        trips += signal is SwitchSignal.TRIP
        before = switch.state
        switch, action = step(switch, SPEC, signal, at)
        sends += action is SwitchAction.SEND
        assert sends <= trips * SPEC.tries
        assert switch.attempt <= SPEC.tries
        if switch.state is SwitchState.OFF and before is not SwitchState.OFF:
            assert signal is SwitchSignal.SEEN_OFF


def test_every_state_is_left_by_something() -> None:
    assert {state for state, _ in TABLE} == set(SwitchState)


@pytest.mark.parametrize("value", [float("nan"), 0.05, 0.2])
def test_a_value_not_below_shows_nothing(value: float) -> None:
    assert not SPEC.is_off(value)


# ---- the rig file

RIG = """\
rig: hot-room
runs: runs
planned: 21 d
buses: {{lan: {{tcp: "meter.example:5025"}}}}
instruments:
  meter: {{bus: lan, driver: meter, poll: 1 s, fields: [amps, heat]}}
templates:
  amplifier:
    channels:
      amps: {{from: meter.amps, unit: A, limits: none}}
      heat: {{from: meter.heat, unit: degC, high: 95 degC, trip: yes}}
    switch-off: {block}
units:
  A1: {{serial: "1", load: none, template: amplifier, with: {{at: "3"}}}}
"""


def check(_options: object, text: str) -> None:
    if not text.startswith("OFF"):
        raise ValueError(f"{text!r} is not a command; write OFF n")


def read(block: str) -> config.RigConfig:
    def drivers(_name: str) -> DriverSpec:
        return DriverSpec(options=MeterOptions, describe=describe, check_command=check)

    return config.read(yaml_reader.parse(RIG.format(block=block), "rig.yaml"), drivers)


def test_a_template_says_it_for_all_units_in_their_own_words() -> None:
    block = '{instrument: meter, commands: ["OFF {at}"], confirm: {channel: "{unit}.amps", below: 50 mA}}'
    spec = read(block).switch_offs["A1"]
    assert spec == SwitchOff(
        unit="A1", instrument="meter", commands=("OFF 3",), channel="A1.amps",
        low=float("-inf"), high=0.05, within_s=10.0, tries=3,
    )  # fmt: skip


def faults(block: str) -> Sequence[str]:
    with pytest.raises(ConfigError) as caught:
        read(block)
    return [str(one) for one in caught.value.faults]


def test_all_mistakes_are_found_at_once_each_at_its_line() -> None:
    (first, second) = faults(
        '{instrument: meter, commands: ["OFF {at}", "RUN"], confirm: {channel: A1.amp, below: 50 mA}}'
    )
    assert first.startswith("rig.yaml:12: units.A1.switch-off.commands[1]: 'RUN' is not a command")
    assert second.startswith("rig.yaml:12: units.A1.switch-off.confirm.channel: there is no channel 'A1.amp'")
    assert "did you mean 'A1.amps'" in second


@pytest.mark.parametrize(
    ("block", "says"),
    [
        (
            '{instrument: relay, commands: ["OFF {at}"], confirm: {channel: A1.amps, below: 1 A}}',
            "there is no instrument 'relay'",
        ),
        (
            '{instrument: meter, commands: ["OFF {at}"], confirm: {channel: A1.amps, below: 1 V}}',
            "not an amount of A",
        ),
        (
            "{instrument: meter, commands: [OFF], confirm: {channel: A1.amps, below: 1 A, above: 1 A}}",
            "exactly one of below and above",
        ),
        (
            '{instrument: meter, commands: [], confirm: {channel: "A{at}.amps", below: 1 A}}',
            "found 0 entries",
        ),
    ],
)
def test_a_mistake_is_named(block: str, says: str) -> None:
    assert any(says in one for one in faults(block))


def test_it_is_off_unless_the_rig_file_asks_for_it() -> None:
    node = yaml_reader.parse(
        RIG.format(block="x").replace("    switch-off: x\n", "").replace('{at: "3"}', "{}"), "f"
    )
    made = config.read(node, lambda _: DriverSpec(options=MeterOptions, describe=describe))
    assert made.switch_offs == {}
