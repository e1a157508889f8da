"""The room's rig file, read by the ordinary reader."""

from pathlib import Path

import pytest

import drivers
from rig.domain.model import ChannelKind, Side
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig
from rig.simulator.quantities import OF_UNIT
from rig.simulator.rigtext import rig_text
from rig.simulator.room_plan import LAG_TOLERANCE, RoomPlan, plan


def written(folder: Path, room: RoomPlan) -> RigConfig:
    ports = {line.name: 5000 + place for place, line in enumerate(room.lines) if not line.serial}
    path = folder / "rig.yaml"
    ohms = dict.fromkeys(room.units, 8.0)
    path.write_text(rig_text(room, folder=folder, ports=ports, ohms=ohms, note="Simulated."), "utf-8")
    return yaml_reader.read(path, drivers.spec)


@pytest.mark.parametrize("units", [1, 6, 20])
def test_the_ordinary_reader_finds_no_fault_in_it(tmp_path: Path, units: int) -> None:
    config = written(tmp_path, plan(units=units))
    assert len(config.layout.units) == units
    assert len(config.layout.channels) == units * (len(OF_UNIT) + 1) + 6


def test_it_says_of_every_channel_what_the_plan_says(tmp_path: Path) -> None:
    room = plan(seed=3)
    layout = written(tmp_path, room).layout
    for probe in room.probes:
        channel = layout.channels[probe.channel]
        assert channel.unit == probe.unit
        assert channel.source is not None
        assert (channel.source.instrument, channel.source.field) == (probe.instrument, probe.field)
        limits = {limit.side: limit.value for limit in channel.limits}
        assert (limits.get(Side.HIGH), limits.get(Side.LOW)) == (probe.quantity.high, probe.quantity.low)
        assert channel.resolution == pytest.approx(probe.quantity.resolution)
        assert (channel.kind is ChannelKind.STIMULUS) == probe.quantity.stimulus
        assert abs(channel.lag_s - probe.true_lag_s) <= LAG_TOLERANCE * channel.lag_s + 1e-4
        assert channel.lag_tolerance_s == pytest.approx(LAG_TOLERANCE * channel.lag_s)


def test_two_polls_a_second_fit_on_every_bus(tmp_path: Path) -> None:
    config = written(tmp_path, plan(poll_s=0.5))
    for name, bus in config.buses.items():
        here = [one for one in config.instruments.values() if one.bus == name]
        assert sum(one.talk_s(bus) for one in here) < 0.5
