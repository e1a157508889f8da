"""Roles before blame, on small rooms in which the cause is plain."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.model import Channel, ChannelKind, Event, EventKind, Series, Status
from rig.forensics import analyse
from rig.forensics.answer import PostMortem, Role
from tests.forensics.rooms import NO_REPLY, NO_VALUE, START_NS, Room, channel, high, low, series

N = 900
T = np.arange(N, dtype=float)
AT = 600


def noise(seed: int, sigma: float) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, N)


class Bench:
    """Three like units with a temperature, an output and a supply current; mains and air of the room."""

    def __init__(self) -> None:
        self.values: dict[str, np.ndarray] = {"mains": 230 + noise(1, 0.1), "air": 35 + noise(2, 0.05)}
        self.status: dict[str, np.ndarray] = {}
        for k, unit in enumerate(("A1", "A2", "A3")):
            self.values[f"{unit}.sink"] = np.round(80 + k + noise(10 + k, 0.1), 1)
            self.values[f"{unit}.out"] = np.round(28 + noise(20 + k, 0.01), 3)
            self.values[f"{unit}.line"] = np.round(1.1 + noise(30 + k, 0.003), 3)
            self.values[f"{unit}.signal"] = np.round(1 + noise(40 + k, 0.001), 4)
        self.events: list[Event] = []
        self.more: list[Channel] = []

    def channels(self) -> list[Channel]:
        made = [
            channel("mains", high(253), low(207), unit=None, kind=ChannelKind.STIMULUS, instrument="grid"),
            channel(
                "air",
                high(45),
                unit=None,
                kind=ChannelKind.STIMULUS,
                unit_of_measure="degC",
                instrument="scanner",
            ),
        ]
        for unit in ("A1", "A2", "A3"):
            made += [
                channel(
                    f"{unit}.sink", high(95), low(50), unit=unit, unit_of_measure="degC", instrument="scanner"
                ),
                channel(f"{unit}.out", low(20), unit=unit, instrument=f"meter-{unit}"),
                channel(f"{unit}.line", high(2), unit=unit, unit_of_measure="A", instrument=f"meter-{unit}"),
                channel(
                    f"{unit}.signal",
                    low(0.5),
                    unit=unit,
                    kind=ChannelKind.STIMULUS,
                    instrument=f"meter-{unit}",
                ),
            ]
        return [*made, *self.more]

    def analyse(self, unit: str | None = None) -> PostMortem:
        data: dict[str, Series] = {}
        for k, (name, value) in enumerate(self.values.items()):
            status = self.status.get(name, np.zeros(N, int))
            data[name] = series(
                name, T + 0.01 * k, np.where(status > 1, np.nan, value), h_s=0.005, status=list(status)
            )
        return analyse(Room(channels=self.channels(), data=data, happened=self.events), unit)


def main(answer: PostMortem) -> tuple[Role, str]:
    assert answer.main is not None
    assert answer.main.evidence or answer.main.role is Role.NONE
    assert answer.main.ruled_out_if
    return answer.main.role, answer.main.subject


def after(at: int = AT) -> np.ndarray:
    return np.arange(N) >= at


def test_a_unit_that_fails_alone_is_the_unit() -> None:
    b = Bench()
    b.values["A2.sink"] = np.round(b.values["A2.sink"] + np.where(after(), 0.2 * (T - AT), 0), 1)
    answer = b.analyse()
    assert answer.unit == "A2"
    assert main(answer) == (Role.UNIT, "A2")
    assert {n.subject: n.state for n in answer.neighbours} == {
        "A1": "normal", "A3": "normal", "mains": "normal", "air": "normal"
    }  # fmt: skip


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


def test_mains_out_before_the_first_response_is_the_rig() -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(), 40.0, 0.0)
    b.values["A1.out"] = np.where(after(AT + 20), 0.0, b.values["A1.out"])
    answer = b.analyse()
    assert main(answer) == (Role.RIG, "mains")
    assert answer.order.tiers == (("mains",), ("A1.out",))


def test_a_signal_lost_with_the_output_in_the_same_poll_is_the_rig_with_doubt() -> None:
    b = Bench()
    for name in ("A1.signal", "A1.out"):
        b.values[name] = np.where(after(), 0.0, b.values[name])
    answer = b.analyse()
    assert main(answer) == (Role.RIG, "A1.signal")
    assert answer.main is not None
    assert answer.main.weight < 0.95
    assert "P = " in answer.main.text


def test_like_channels_that_move_together_are_a_common_cause() -> None:
    b = Bench()
    for unit in ("A1", "A2", "A3"):
        b.values[f"{unit}.sink"] = np.round(
            b.values[f"{unit}.sink"] + np.where(after(), 0.1 * (T - AT), 0), 1
        )
    answer = b.analyse("A1")
    assert main(answer)[0] is Role.COMMON
    assert {n.state for n in answer.neighbours if n.subject in {"A2", "A3"}} == {"out"}


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


# ---- thresholds and weights


def poll(name: str, late_s: float, row: np.ndarray) -> Series:
    return series(name, T + late_s, row)


def mains_and_output(late_s: float) -> PostMortem:
    """Both step between two readings; mains is read ``late_s`` after the output, once a second."""
    b = Bench()
    rows = {**b.values, "mains": b.values["mains"] + np.where(after(), 40.0, 0.0)}
    rows["A1.out"] = np.where(after(), 0.0, b.values["A1.out"])
    data = {name: poll(name, late_s if name == "mains" else 0.0, row) for name, row in rows.items()}
    return analyse(Room(channels=b.channels(), data=data), "A1")


@pytest.mark.parametrize(("late_s", "role"), [(0.66, Role.RIG), (0.71, Role.UNIT)])
def test_a_stimulus_counts_as_first_from_a_chance_of_one_in_twenty_on(late_s: float, role: Role) -> None:
    # two rectangles of 1 s, one d later: P = (1 - d)^2 / 2, which is 0.058 and 0.042
    assert main(mains_and_output(late_s))[0] is role


@pytest.mark.parametrize("late_s", [0.0, 0.3, 0.5])
def test_the_weight_of_a_stimulus_that_may_have_been_second_is_half_and_half_its_chance(
    late_s: float,
) -> None:
    answer = mains_and_output(late_s)
    assert answer.main is not None
    chance = (1 - late_s) ** 2 / 2
    assert answer.main.weight == pytest.approx(0.5 + chance / 2, abs=0.005)
    assert f"(P = {chance:.2f})" in answer.main.text


def test_a_stimulus_first_for_certain_is_all_but_certain_the_cause() -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(), 40.0, 0.0)
    b.values["A1.out"] = np.where(after(AT + 20), 0.0, b.values["A1.out"])
    found = b.analyse("A1").main
    assert found is not None
    assert found.weight == 0.97
    assert "before any response" in found.text
    assert found.channels == ("mains", "A1.out")
    assert [e.subject for e in found.evidence[:2]] == ["mains", "A1.out"]


def rising(b: Bench, begin: int, rate: float) -> None:
    b.values["A1.sink"] = np.round(b.values["A1.sink"] + np.where(after(begin), rate * (T - begin), 0), 1)


def test_a_response_that_had_departed_before_the_stimulus_takes_three_tenths_off() -> None:
    b = Bench()
    rising(b, 400, 0.05)  # out at 700 s
    b.values["mains"] = b.values["mains"] + np.where(after(650), 40.0, 0.0)
    found = b.analyse("A1").main
    assert found is not None
    assert (found.role, found.subject) == (Role.RIG, "mains")
    assert found.weight == pytest.approx(0.97 - 0.3)
    assert any(e.text == "onset before the stimulus left its limit" for e in found.evidence)


@pytest.mark.parametrize(("volts", "role"), [(17.0, Role.RIG), (9.0, Role.UNIT)])
def test_a_stimulus_that_changed_by_far_inside_its_limits_is_the_rig(volts: float, role: Role) -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(), volts, 0.0)
    b.values["A1.out"] = np.where(after(AT + 2), 0.0, b.values["A1.out"])
    answer = b.analyse("A1")
    assert answer.main is not None
    assert answer.main.role is role
    if role is Role.RIG:
        assert (answer.main.subject, answer.main.weight) == ("mains", 0.8)
        assert answer.main.channels == ("mains", "A1.out")
        assert "within its limits" in answer.main.text


def test_a_change_of_another_units_signal_is_not_done_to_this_one() -> None:
    b = Bench()
    b.values["A2.signal"] = np.where(after(), 2.0, b.values["A2.signal"])
    b.values["A1.out"] = np.where(after(AT + 2), 0.0, b.values["A1.out"])
    assert main(b.analyse("A1")) == (Role.UNIT, "A1")
    b.values["A1.signal"] = np.where(after(), 2.0, b.values["A1.signal"])
    assert main(b.analyse("A1")) == (Role.RIG, "A1.signal")


def test_a_stimulus_that_changed_after_a_response_had_departed_is_not_its_cause() -> None:
    b = Bench()
    rising(b, 400, 0.05)
    b.values["mains"] = b.values["mains"] + np.where(after(690), 17.0, 0.0)
    assert main(b.analyse("A1")) == (Role.UNIT, "A1")


def test_a_stimulus_that_changed_certainly_after_the_response_is_not_its_cause() -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(AT + 2), 17.0, 0.0)
    b.values["A1.out"] = np.where(after(), 0.0, b.values["A1.out"])
    assert main(b.analyse("A1")) == (Role.UNIT, "A1")


@pytest.mark.parametrize(("share", "role"), [(0.45, Role.COMMON), (0.35, Role.UNIT)])
def test_like_channels_that_moved_by_two_fifths_make_it_a_common_cause(share: float, role: Role) -> None:
    b = Bench()
    b.values["A1.sink"] = b.values["A1.sink"] + np.where(after(), 20.0 * np.minimum((T - AT) / 60, 1), 0)
    for unit in ("A2", "A3"):
        b.values[f"{unit}.sink"] = b.values[f"{unit}.sink"] + np.where(
            after(), share * 20.0 * np.minimum((T - AT) / 60, 1), 0
        )
    answer = b.analyse("A1")
    assert answer.main is not None
    assert answer.main.role is role
    if role is Role.COMMON:
        assert answer.main.weight == 0.9
        assert answer.main.subject == "A1.sink"
        assert answer.main.channels == ("A1.sink", "A2.sink", "A3.sink")


def test_a_common_cause_names_the_stimulus_that_had_changed() -> None:
    b = Bench()
    for unit in ("A1", "A2", "A3"):
        b.values[f"{unit}.sink"] = b.values[f"{unit}.sink"] + np.where(after(), 0.1 * (T - AT), 0)
    b.values["air"] = b.values["air"] + np.where(after(), 4.0, 0.0)
    found = b.analyse("A1").main
    assert found is not None
    assert (found.role, found.subject) == (Role.COMMON, "air")
    assert "air changed before" in found.text
    assert [e.subject for e in found.evidence] == ["A1.sink", "A1.sink", "air"]


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
