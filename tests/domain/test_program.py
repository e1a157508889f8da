"""The section ``program`` of a rig file: what it becomes, and every contradiction at its line."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pytest

from rig.domain.layout_json import layout_from_json, to_json
from rig.domain.model import Limit, Side
from rig.domain.program import Duty, PhaseCondition, PhaseTarget, Steady, looser, strictest
from rig.errors import ConfigError
from rig.rigfile import config, yaml_reader
from rig.rigfile.config import DriverSpec, RigConfig
from tests.rigfile.test_config import MeterOptions, describe

RIG = """\
rig: hot-room
runs: runs
planned: 21 d
buses: {lan: {tcp: "meter.example:5025"}}
instruments:
  meter: {bus: lan, driver: meter, poll: 1 s, fields: [mains, level, heat, heat2]}
units:
  A1:
    serial: "1"
    load: none
    channels:
      heat: {from: meter.heat, unit: degC, high: 95 degC, early-high: 85 degC, deadband: 2 K, trip: yes}
  A2: {serial: "2", load: none, channels: {heat: {from: meter.heat2, unit: degC, limits: none}}}
channels:
  mains: {from: meter.mains, unit: V, low: 207 V, high: 253 V, plausible: [0 V, 300 V]}
  level: {from: meter.level, unit: V, limits: none}
program:
"""


def read(program: str) -> RigConfig:
    def check(_options: object, text: str) -> None:
        if not text.startswith("SET"):
            raise ValueError(f"{text!r} is not a command")

    def drivers(_name: str) -> DriverSpec:
        return DriverSpec(options=MeterOptions, describe=describe, check_command=check)

    lines = "".join(f"  {line}\n" for line in program.splitlines())
    return config.read(yaml_reader.parse(RIG + lines, "rig.yaml"), drivers)


WHOLE = """\
settle: 20 s
passes: 3
order: [warm, high, pause, high]
set:
  mains: {instrument: meter, command: "SET {value:.1f}", lowest: 0 V, highest: 260 V, scale: 10}
phases:
  warm: {targets: {mains: 230 V +- 10 V}, by-hand: yes, once: yes}
  high:
    targets: {mains: 253 V ± 3 V}
    duration: 100 h
    count: 6000
    settle: 1 min
    time-out: 2 h
    warm-up: 30 min
    steady: [{channel: "{unit}.heat", within: 2 K, over: 1 h}]
    ramp: 5 min
    drive: {channel: level, on-above: 500 mV, on: 55 s, off: 5 s}
    load: loudspeaker model
    limits:
      mains: {low: 245 V, high: 258 V}
      "{unit}.heat": {high: 105 degC, early-high: 100 degC}
  pause:
    until: [{channel: "{unit}.heat", below: 50 degC}]
    limits: {mains: {limits: none}}
"""


def test_everything_that_can_be_written_arrives_in_the_units_of_its_channels() -> None:
    program = read(WHOLE).layout.program
    assert program is not None
    warm, high, pause = program.phases
    assert (program.order, program.passes) == (("warm", "high", "pause", "high"), 3)
    assert [one.phase.name for one in program.steps] == ["warm", *["high", "pause", "high"] * 3]
    assert high.targets == {"mains": PhaseTarget(value=253.0, tolerance=3.0)}
    assert (warm.settle_s, high.settle_s, high.warm_up_s, high.ramp_s) == (20.0, 60.0, 1800.0, 300.0)
    assert (warm.time_out_s, high.time_out_s) == (None, 7200.0)
    assert high.steady == (Steady(channel="{unit}.heat", within=2.0, over_s=3600.0),)
    assert high.drive == Duty(channel="level", on_above=0.5, on_s=55.0, off_s=5.0)
    assert pause.until == (PhaseCondition(channel="{unit}.heat", low=float("-inf"), high=50.0),)
    assert pause.limits == {"mains": ()}
    assert program.sources["mains"].words(253.0) == "SET 2530.0"


def test_limits_of_a_phase_take_what_they_do_not_say_from_the_channel() -> None:
    program = read(WHOLE).layout.program
    assert program is not None
    limits = program.phases[1].limits
    (hot,) = limits["A1.heat"]
    assert hot == Limit(side=Side.HIGH, value=105.0, early=100.0, deadband=2.0, trip=True)
    (other,) = limits["A2.heat"]  # it has none of its own
    assert other == Limit(side=Side.HIGH, value=105.0, early=100.0)
    assert {one.side: one.value for one in limits["mains"]} == {Side.LOW: 245.0, Side.HIGH: 258.0}


def test_the_program_is_frozen_with_the_layout_and_read_back_without_yaml() -> None:
    layout = read(WHOLE).layout
    assert layout_from_json(json.loads(json.dumps(to_json(layout)))) == layout
    assert layout.program is not None
    assert [one.duration_s for one in layout.program.planned()] == [None, 6 * 360_000.0, None]


def faults(program: str) -> Sequence[str]:
    with pytest.raises(ConfigError) as caught:
        read(program)
    return [str(one) for one in caught.value.faults]


@pytest.mark.parametrize(
    ("program", "line", "says"),
    [
        ("phases: {p: {targets: {mians: 230 V +- 3 V}, duration: 1 h}}", 18, "did you mean 'mains'"),
        ("phases: {p: {targets: {mains: 230 V}, duration: 1 h}}", 18, "such as 253 V +- 3 V"),
        ("phases: {p: {targets: {mains: 230 degC +- 3 V}, duration: 1 h}}", 18, "not an amount of V"),
        ("phases: {p: {targets: {mains: 230 V +- 0 V}, duration: 1 h}}", 18, "write more than 0"),
        ("phases: {p: {targets: {A1.heat: 80 degC +- 3 degC}, duration: 1 h}}", 18, "difference in K"),
        (
            "phases: {p: {targets: {mains: 253 V +- 3 V}, duration: 1 h}}",
            18,
            "mains may read 256 V within its tolerance, beyond its high limit 253",
        ),
        (
            "phases: {p: {targets: {mains: 299 V +- 9 V}, duration: 1 h}}",
            18,
            "is partly outside the plausible range",
        ),
        ("phases: {p: {targets: {mains: 230 V +- 3 V}}}", 18, "the phase never ends"),
        ("phases: {p: {duration: 1 h, by-hand: yes}}", 18, "both by-hand and another end"),
        ("phases: {p: {count: 5}}", 18, "write drive: too"),
        ("phases: {p: {duration: 1 h}, q: {duration: 1 h}}\norder: [p, p]", 19, "'q' is in no pass"),
        ("phases: {p: {duration: 1 h}}\norder: [p, r]", 19, "there is no phase 'r'"),
        ("phases: {p: {duration: 1 h, limits: {mans: {high: 300 V}}}}", 18, "did you mean 'mains'"),
        ("phases: {p: {duration: 1 h, limits: {mains: {hihg: 300 V}}}}", 18, "did you mean 'high'"),
        ("phases: {p: {duration: 1 h, limits: {mains: {high: 300 A}}}}", 18, "not an amount of V"),
        ("phases: {p: {until: [{channel: mains}]}}", 18, "write below, above or both"),
        ("phases: {p: {until: [{channel: mains, below: 1 V, above: 2 V}]}}", 18, "nothing is above 2"),
        ("phases: {}", 18, "found no entry"),
        ("passes: 0\nphases: {p: {duration: 1 h}}", 18, "from 1 to 10000"),
    ],
)
def test_a_mistake_is_named_at_its_line(program: str, line: int, says: str) -> None:
    found = faults(program)
    assert any(one.startswith(f"rig.yaml:{line}: program") and says in one for one in found), found


SOURCE = """\
phases: {{p: {{targets: {{mains: 230 V +- 3 V}}, duration: 1 h}}}}
set: {{{channel}: {{instrument: {instrument}, command: "{command}", lowest: {lowest}, highest: 240 V}}}}
"""


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"channel": "level"}, "is no target of any phase"),
        ({"instrument": "variac"}, "there is no instrument 'variac'"),
        ({"command": "SET 230"}, "write {value}"),
        ({"command": "SET {value.__class__}"}, "write {value}"),
        ({"command": "SET {value:99999999f}"}, "write {value}"),
        ({"command": "GO {value}"}, "is not a command"),
        ({"lowest": "235 V"}, "230 is outside of lowest 235 to highest 240; it is never set"),
    ],
)
def test_a_source_that_cannot_do_it_is_refused_at_the_desk(change: dict[str, str], says: str) -> None:
    good = {"channel": "mains", "instrument": "meter", "command": "SET {value}", "lowest": "0 V"}
    assert read(SOURCE.format(**good)).layout.program is not None
    assert any(says in one for one in faults(SOURCE.format(**good | change)))


def test_all_mistakes_are_found_at_once() -> None:
    found = faults(
        "passes: many\n"
        "phases:\n"
        "  p: {duraton: 1 h}\n"
        "  q: {targets: {mains: 230 V +- 3 A}, duration: 1 h}\n"
        "order: [p, q, r]\n"
    )
    assert [one.split(":")[1] for one in found] == ["18", "20", "21", "22"]


def test_the_looser_of_two_sets_is_out_only_where_both_are_and_the_stricter_where_either_is() -> None:
    one = (Limit(side=Side.HIGH, value=95.0), Limit(side=Side.LOW, value=10.0))
    other = (Limit(side=Side.HIGH, value=105.0),)
    for value in (0.0, 50.0, 100.0, 110.0):
        out_of = [any(limit.is_out(value) for limit in limits) for limits in (one, other)]
        assert any(limit.is_out(value) for limit in looser([one, other])) is all(out_of)
        assert any(limit.is_out(value) for limit in strictest([one, other])) is any(out_of)
