"""The section ``account``: read strictly, held against the channels, kept with the layout."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import drivers
from rig.domain.accounting import Accounting, LevelPlan, PartPlan, Pass, StagePlan, WindingPlan
from rig.errors import ConfigError
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig, layout_from_json, to_json

RIG = """\
rig: test
runs: runs
planned: 1 d
buses:
  line: {tcp: "127.0.0.1:5025"}
instruments:
  meter:
    bus: line
    driver: lines
    poll: 1 s
    terminator: LF
    reads: [{ask: "R?", fields: [m, t, a, w, o, p]}]
templates:
  amplifier:
    channels:
      heatsink: {from: meter.t, unit: degC, limits: none}
      power: {from: meter.p, unit: W, limits: none}
      winding: {from: meter.o, unit: ohm, limits: none}
      volts: {from: meter.w, unit: V, limits: none}
units:
  A1: {serial: "1", load: "8 ohm", template: amplifier}
  A2: {serial: "2", load: "8 ohm", template: amplifier}
channels:
  mains: {from: meter.m, unit: V, limits: none}
  ambient: {from: meter.a, unit: degC, limits: none}
"""
ACCOUNT = """\
account:
  ambient: ambient
  energy: "{unit}.power"
  output: {channel: "{unit}.volts", on-above: 5 V, off-below: 3000 mV}
  drive: {channel: mains, on-above: 200 V, off-below: 100 V}
  trip: {least: 10 s}
  bands:
    mains: [200 V, 0.24 kV]
    "{unit}.heatsink": [60 degC, 80 degC]
  cycles: {"{unit}.heatsink": 2 K}
  parts:
    r12:
      {rating: 3 W, rated-at: 70 degC, zero-at: 155 degC, power: "{unit}.power",
       temperature: "{unit}.heatsink"}
  stages:
    sink: {hot: "{unit}.heatsink", cold: ambient, power: "{unit}.power", window: 5 min, steady: 2 K/h}
  windings:
    primary: {resistance: "{unit}.winding", cold: 1.5 ohm, cold-at: 23 degC, metal: aluminium,
      cold-accuracy: 2 K}
  criteria: {least-share: 95 %, unlogged: 1 %, trips: 2, guard: 2, trade-rule: no}
"""


def read(path: Path, account: str) -> RigConfig:
    file = path / "rig.yaml"
    file.write_text(RIG + account, encoding="utf-8")
    return yaml_reader.read(file, drivers.spec)


def faults(path: Path, account: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        read(path, account)
    return [f"{one.path}: {one.found}; {one.allowed}" for one in caught.value.faults]


def test_everything_that_can_be_asked_arrives_in_the_channels_own_units(tmp_path: Path) -> None:
    assert read(tmp_path, ACCOUNT).layout.accounting == Accounting(
        ambient="ambient",
        energy="{unit}.power",
        output=LevelPlan(channel="{unit}.volts", on_above=5, off_below=3),
        drive=LevelPlan(channel="mains", on_above=200, off_below=100),
        trip_least_s=10,
        bands={"mains": (200, 240), "{unit}.heatsink": (60, 80)},
        cycles={"{unit}.heatsink": 2},
        parts={
            "r12": PartPlan(
                rating_w=3, rated_c=70, zero_c=155, power="{unit}.power", temperature="{unit}.heatsink"
            )
        },
        stages={
            "sink": StagePlan(
                hot="{unit}.heatsink", cold="ambient", power="{unit}.power", window_s=300, steady_k_per_h=2
            )
        },
        windings={
            "primary": WindingPlan(
                resistance="{unit}.winding", cold_ohm=1.5, cold_c=23, zero_c=225, cold_half_c=2
            )
        },
        asked=Pass(least_share=0.95, unlogged_share=0.01, trips=2, guard_k=2, trade_rule=False),
    )


def test_a_rig_file_without_the_section_asks_for_nothing(tmp_path: Path) -> None:
    assert read(tmp_path, "").layout.accounting is None


def test_it_is_kept_with_the_layout_and_read_back_without_the_rig_file(tmp_path: Path) -> None:
    layout = read(tmp_path, ACCOUNT).layout
    assert layout_from_json(json.loads(json.dumps(to_json(layout)))) == layout


def test_a_layout_written_before_there_were_accounts_still_opens(tmp_path: Path) -> None:
    values = to_json(read(tmp_path, ACCOUNT).layout)
    del values["accounting"]
    assert layout_from_json(values).accounting is None


def test_what_a_newer_version_asks_besides_is_left_alone(tmp_path: Path) -> None:
    layout = read(tmp_path, ACCOUNT).layout
    values = json.loads(json.dumps(to_json(layout)))
    values["accounting"]["wishes"] = {"more": 1}
    values["accounting"]["parts"]["r12"]["colour"] = "blue"
    assert layout_from_json(values) == layout


@pytest.mark.parametrize(
    ("account", "expected"),
    [
        ("account: {ambient: ambience}", "account.ambient: there is no channel 'ambience'"),
        ("account: {ambient: mains}", "account.ambient: 'mains' is in V; name a channel in degC"),
        ('account: {energy: "{unit}.heatsink"}', "account.energy: '{unit}.heatsink' is in degC"),
        ('account: {energy: "{unit}.watts"}', "account.energy: there is no channel 'A1.watts'"),
        ("account: {bands: {mains: [240 V, 200 V]}}", "the edges of 'mains' do not ascend"),
        ("account: {bands: {mains: [20 degC]}}", "account.bands.mains: '20 degC' is not an amount of V"),
        ("account: {bands: {mains: []}}", "account.bands.mains: found 0 entries"),
        ("account: {cycles: {ambient: 2 degC}}", "is a point on a scale, not a difference"),
        ("account: {cycles: {ambient: -2 K}}", "account.cycles.ambient: found -2 K"),
        (
            "account: {drive: {channel: mains, on-above: 1 V, off-below: 2 V}}",
            "account.drive.off-below: 2 is above on-above 1",
        ),
        ("account: {trip: {}}", "account.trip: trips are recognised from output and drive"),
        ("account: {criteria: {least-share: 120 %}}", "account.criteria.least-share: found '120 %'"),
        ("account: {critera: {}}", "unknown key 'critera'; did you mean 'criteria'?"),
        (
            "account: {parts: {r: {rating: 1 W, rated-at: 9 degC, zero-at: 8 degC, power: p, temperature: t}}}",  # noqa: E501
            "rated-at 9 degC is not below zero-at 8 degC",
        ),
    ],
)
def test_what_makes_no_sense_is_said_at_its_place(tmp_path: Path, account: str, expected: str) -> None:
    assert any(expected in one for one in faults(tmp_path, account)), faults(tmp_path, account)


def test_all_faults_of_the_section_are_told_at_once(tmp_path: Path) -> None:
    found = faults(
        tmp_path, "account: {ambient: mains, energy: mains, bands: {ambience: [1 K]}, cycles: {mains: 1 K}}"
    )
    assert len(found) == 4


def test_channels_of_one_name_with_different_units_of_measure_have_no_common_bands(tmp_path: Path) -> None:
    file = tmp_path / "rig.yaml"
    plain = 'A2: {serial: "2", load: "8 ohm", template: amplifier'
    text = RIG.replace(plain, plain + ", channels: {volts: {unit: mV}}")
    file.write_text(text + 'account: {bands: {"{unit}.volts": [1 V]}}\n', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"'\{unit\}\.volts' is in V and in mV"):
        yaml_reader.read(file, drivers.spec)
