"""A rig file as a whole: what it becomes, and every contradiction at its line."""

import dataclasses
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.model import Calibration, Channel, ChannelKind, ChannelSource, Layout, Limit, Side
from rig.errors import ConfigError, ConfigFault, UsageError
from rig.rigfile import yaml_reader
from rig.rigfile.buses_section import BlockFacts, Ports
from rig.rigfile.config import DriverSpec, RigConfig, layout_from_json, read, to_json
from rig.rigfile.schema import Integer, Name, Seq, key, reference
from rig.rigfile.sections import RigSection
from rig.rigfile.unit_channels import cycles


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterOptions:
    """Options of a driver made up for these tests."""

    fields: tuple[str, ...] = key(Seq(Name(), least=1), doc="values of one reply")
    more: tuple[str, ...] = key(Seq(Name()), default=(), doc="values of a second reply")
    size: int = key(Integer(1, 10_000), default=20, doc="bytes of a reply")


def describe(options: MeterOptions) -> Sequence[BlockFacts]:
    """Return one exchange for each list of fields; a size of 13 makes no sense."""
    if options.size == 13:
        raise ValueError("size 13 is never sent")
    first = BlockFacts(fields=options.fields, request_bytes=10, reply_bytes=options.size)
    second = BlockFacts(fields=options.more, request_bytes=10, reply_bytes=options.size)
    return [first, second] if options.more else [first]


def drivers(name: str) -> DriverSpec:
    """Return the one driver there is."""
    if name != "meter":
        raise UsageError(f"no driver named {name!r}; there are: meter")
    return DriverSpec(options=MeterOptions, describe=describe)


BASE = """\
rig: hot-room
runs: runs
planned: 21 d
buses:
  line: {serial: /dev/serial/by-id/usb-example-if00, baud: 9600}
  lan: {tcp: "meter.example:5025"}
instruments:
  scanner:
    bus: line
    driver: meter
    poll: 1 s
    timeout: 800 ms
    fields: [t1, t2, volts, cj]
    more: [far]
  mains:
    bus: lan
    driver: meter
    poll: 500 ms
    fields: [volts]
templates:
  amplifier:
    channels:
      heatsink:
        from: "scanner.{tc}"
        unit: degC
        high: 95 degC
        early-high: 85 degC
        deadband: 2 K
        on-delay: 5 s
        lag: 8 s
        lag-tolerance: 10 %
        accuracy: 1.5 K
        resolution: 0.1 K
        plausible: [0 degC, 300 degC]
        follows: [mains]
      output: {from: scanner.volts, unit: mV, low: 1 V, high: {value: 40 V, trip: yes}, deadband: 500 mV}
      power: {formula: "{unit}.output**2 / 8", unit: W, limits: none}
units:
  A1: {serial: "0017", load: 8 ohm, template: amplifier, with: {tc: t1}}
  A2:
    serial: "0018"
    load: loudspeaker
    template: amplifier
    with: {tc: t2}
    channels:
      heatsink: {high: 105 degC}
      extra: {from: scanner.far, unit: V, limits: none}
channels:
  mains: {from: mains.volts, unit: V, low: 207 V, high: 253 V, deadband: 1 V}
"""


def made(text: str, ports: Ports | None = None) -> RigConfig:
    return read(yaml_reader.parse(text, "rig.yaml"), drivers, ports=ports, text=text)


def faults_of(text: str, ports: Ports | None = None) -> list[ConfigFault]:
    with pytest.raises(ConfigError) as caught:
        made(text, ports)
    return list(caught.value.faults)


def line_of(text: str, piece: str) -> int:
    return next(at for at, line in enumerate(text.splitlines(), 1) if piece in line)


def test_a_rig_becomes_buses_instruments_units_and_channels() -> None:
    rig = made(BASE)
    assert (rig.rig, rig.runs, rig.planned_s, rig.sync_s) == ("hot-room", "runs", 1_814_400.0, 1.0)
    assert rig.buses["line"].device == "/dev/serial/by-id/usb-example-if00"
    assert rig.buses["lan"].endpoint == ("meter.example", 5025)
    assert rig.instruments["scanner"].timeout_s == 0.8
    assert rig.instruments["scanner"].options.fields == ("t1", "t2", "volts", "cj")
    assert list(rig.layout.channels) == [
        *("mains", "A1.heatsink", "A1.output", "A1.power"),
        *("A2.heatsink", "A2.output", "A2.power", "A2.extra"),
    ]
    assert rig.layout.units["A2"].channels == ("A2.heatsink", "A2.output", "A2.power", "A2.extra")
    assert rig.layout.units["A1"].serial == "0017"
    assert rig.layout.instruments["mains"].poll_s == 0.5
    assert rig.layout.planned_s == 1_814_400.0


def test_places_may_be_empty_at_first() -> None:
    rig = made(BASE.replace('"0017"', '""').replace('"0018"', '""'))
    assert [one.serial for one in rig.layout.units.values()] == ["", ""]


def test_a_channel_has_everything_in_its_own_unit_of_measure() -> None:
    channels = made(BASE).layout.channels
    assert channels["A1.heatsink"] == Channel(
        name="A1.heatsink",
        unit_of_measure="degC",
        unit="A1",
        kind=ChannelKind.RESPONSE,
        source=ChannelSource(instrument="scanner", field="t1"),
        limits=(Limit(side=Side.HIGH, value=95.0, early=85.0, deadband=2.0, on_delay_s=5.0),),
        lag_s=8.0,
        lag_tolerance_s=0.8,
        accuracy=1.5,
        resolution=0.1,
        plausible=(0.0, 300.0),
        follows=("mains",),
    )
    assert channels["A1.output"].limits == (
        Limit(side=Side.LOW, value=1000.0, deadband=500.0),
        Limit(side=Side.HIGH, value=40_000.0, deadband=500.0, trip=True),
    )
    assert channels["A1.power"].formula == "A1.output**2 / 8"
    assert channels["mains"].kind is ChannelKind.STIMULUS


def test_a_unit_replaces_keys_of_its_template_and_adds_channels() -> None:
    channels = made(BASE).layout.channels
    assert channels["A2.heatsink"].limits[0].value == 105.0
    assert channels["A2.heatsink"].limits[0].early == 85.0
    assert channels["A2.heatsink"].source == ChannelSource(instrument="scanner", field="t2")
    assert channels["A2.extra"].source == ChannelSource(instrument="scanner", field="far")


def test_calibration_and_conversion_arrive_in_the_model() -> None:
    text = BASE.replace(
        "  mains: {from: mains.volts",
        "  hot: {from: scanner.t1, convert: thermocouple K, cold-junction: cj, unit: degC, limits: none,\n"
        "    calibration: {gain: 1.01, offset: -120 mK, due: 2027-03-31}, silence: 10 s, kind: response}\n"
        "  mains: {from: mains.volts",
    )
    hot = made(text).layout.channels["hot"]
    assert hot.source == ChannelSource(
        instrument="scanner", field="t1", convert="thermocouple K", cold_junction="cj"
    )
    assert hot.calibration == Calibration(gain=1.01, offset=-0.12, due=date(2027, 3, 31))
    assert (hot.silence_s, hot.kind) == (10.0, ChannelKind.RESPONSE)


@pytest.mark.parametrize(
    ("written", "constant", "share"),
    [
        ("1500 mK", 1.5, 0.0),
        ("0.5 % of reading", 0.0, 0.005),
        ("0.1 % of 300 K", 0.3, 0.0),
        ("0.15 K + 0.2 % of reading", 0.15, 0.002),
        ("0.5% of reading + 0.1 % of 100 K + 0.2 K", 0.3, 0.005),
        ("0 % of reading", 0.0, 0.0),
    ],
)
def test_accuracy_is_a_bound_a_share_of_reading_or_range_or_their_sum(
    written: str, constant: float, share: float
) -> None:
    hot = made(BASE.replace("accuracy: 1.5 K", f"accuracy: {written}")).layout.channels["A1.heatsink"]
    assert (hot.accuracy, hot.accuracy_share) == pytest.approx((constant, share))


def test_a_channel_in_percent_may_state_its_accuracy_in_percent() -> None:
    text = BASE.replace("from: scanner.far, unit: V,", 'from: scanner.far, unit: "%", accuracy: 2 %,')
    extra = made(text).layout.channels["A2.extra"]
    assert (extra.accuracy, extra.accuracy_share) == (2.0, 0.0)


def test_a_calibration_carries_its_uncertainty_and_its_certificate() -> None:
    text = BASE.replace("resolution: 0.1 K", 'calibration: {uncertainty: 50 mK, certificate: "K-2026-017"}')
    found = made(text).layout.channels["A1.heatsink"].calibration
    assert found == Calibration(uncertainty=0.05, certificate="K-2026-017")


MISTAKES = Path(__file__).with_name("mistakes.txt")
"""Blocks of six lines: name; text of BASE to replace, and by what; a piece of the line that the fault
must name, a piece of its key path, a piece of what it says. ``\\n`` is a line break."""


def mistakes() -> dict[str, list[str]]:
    """Return the table of mistakes by name."""
    lines = [
        line.replace("\\n", "\n").replace("(nothing)", "") for line in MISTAKES.read_text("utf-8").split("\n")
    ]
    blocks = [lines[at : at + 6] for at in range(0, len(lines) - 1, 6)]
    return {block[0]: [line[13:] for line in block[1:]] for block in blocks}


@pytest.mark.parametrize("case", mistakes().values(), ids=mistakes().keys())
def test_one_mistake_is_told_at_its_line_and_nowhere_else_with_what_is_allowed(case: list[str]) -> None:
    old, new, piece, path, said = case
    assert old in BASE
    text = BASE.replace(old, new, 1)
    faults = faults_of(text)
    lines = text.splitlines()
    shown = "\n".join(map(str, faults))
    assert any(path in one.path and said in f"{one.found}; {one.allowed}" for one in faults), shown
    assert all(piece.strip("\n") in lines[one.line - 1] for one in faults), shown
    assert len({one.path.split(".")[-1].split(" ")[0] for one in faults}) == 1, shown


def test_faults_of_all_parts_come_together_in_the_order_of_the_file() -> None:
    text = BASE
    for old, new in (
        ("21 d", "21"),
        ("9600", "9600.5"),
        ("[t1,", "[t1, t1,"),
        ("2 / 8", "2 /"),
        ("253 V", "1 V"),
    ):
        text = text.replace(old, new, 1)
    faults = faults_of(text)
    assert [one.line for one in faults] == sorted(one.line for one in faults)
    paths = [one.path.split(" ")[0] for one in faults]
    assert {"planned", "buses.line.baud", "instruments.scanner", "units.A1.channels.power.formula"} <= set(
        paths
    )
    assert "channels.mains.low" in paths


def test_a_bus_that_there_is_not_is_told_also_of_an_instrument_that_has_other_faults() -> None:
    text = BASE.replace("driver: meter", "driver: metre", 1).replace("bus: line", "bus: lino", 1)
    assert {"instruments.scanner.driver", "instruments.scanner.bus"} <= {one.path for one in faults_of(text)}


def test_a_mistake_in_a_template_is_told_once_and_counts_its_units() -> None:
    text = BASE.replace("accuracy: 1.5 K", "acuracy: 1.5 K")
    (fault,) = faults_of(text)
    assert fault.line == line_of(text, "acuracy")
    assert fault.path == "units.A1.channels.heatsink.acuracy (and 1 more)"
    assert (fault.found, fault.allowed) == ("unknown key 'acuracy'", "did you mean 'accuracy'?")


def test_keys_of_a_template_that_no_unit_uses_are_still_checked() -> None:
    spare = "  spare:\n    channels:\n      x: {from: '{a}.b', unt: V}\n"
    text = BASE.replace("units:\n", f"{spare}units:\n")
    assert [(one.line, one.allowed) for one in faults_of(text)] == [
        (line_of(text, "unt:"), "did you mean 'unit'?")
    ]


def test_a_bus_that_cannot_carry_what_is_asked_says_how_long_it_would_need() -> None:
    # 8N1 at 9600 baud: 10 bits a byte, 1.0417 ms. 2 x 10 + 2 x 662 bytes are 1.4 s.
    text = BASE.replace("more: [far]", "more: [far]\n    size: 662")
    (fault,) = faults_of(text)
    assert fault.path == "buses.line"
    assert "polls due every 1 s take 1.4 s of bus time (scanner 1.4 s every 1 s)" in fault.found


def test_reply_times_and_every_instrument_of_the_bus_count() -> None:
    other = "  second: {bus: line, driver: meter, poll: 200 ms, reply-time: 130 ms, fields: [a]}\n"
    text = BASE.replace("templates:\n", f"{other}templates:\n")
    (fault,) = faults_of(text)
    # scanner: 60 bytes, 0.0625 s each s; second: 30 bytes and 0.13 s, 0.16125 s each 0.2 s: 0.869 of the
    # time, yet a poll of 0.2 s that waits for the other is late.
    assert "second is due every 0.2 s, but scanner occupies the bus for 0.0625 s" in fault.found
    (fault,) = faults_of(text.replace("130 ms", "180 ms"))
    assert "second 0.21 s every 0.2 s" in fault.found


def test_a_fast_poll_must_fit_on_the_bus_too() -> None:
    text = BASE.replace("more: [far]", "more: [far]\n    fast-poll: 50 ms")
    (fault,) = faults_of(text)
    assert "every 0.05 s with every fast-poll" in fault.found


@pytest.mark.parametrize(
    ("line", "byte_s"),
    [
        # Start bit, data bits, parity bit, stop bits (common practice of asynchronous serial lines).
        ("baud: 9600", 10 / 9600),
        ("baud: 9600, parity: even", 11 / 9600),
        ("baud: 1200, data-bits: 7, parity: odd, stop-bits: 2", 11 / 1200),
        ("baud: 110, data-bits: 5, stop-bits: 1.5", 7.5 / 110),
    ],
)
def test_a_byte_takes_its_start_data_parity_and_stop_bits(line: str, byte_s: float) -> None:
    text = BASE.replace("baud: 9600", line).replace("poll: 1 s", "poll: 60 s").replace("800 ms", "30 s")
    text = text.replace("unit: degC", "unit: degC\n        silence: 2 min").replace(
        ": V, lim", ": V, silence: 1 h, lim"
    )
    text = text.replace("unit: mV", "unit: mV, silence: 1 h").replace("unit: W", "unit: W, silence: 1 h")
    assert made(text).buses["line"].byte_s == pytest.approx(byte_s)
    assert made(text).buses["lan"].byte_s == 0.0


def test_stable_names_that_this_machine_knows_are_offered() -> None:
    ports = Ports(stable=lambda device: [f"/dev/serial/by-id/usb-{device[-1]}-if00"])
    (fault,) = faults_of(BASE.replace("/dev/serial/by-id/usb-example-if00", "/dev/ttyUSB7"), ports)
    assert fault.allowed == "write /dev/serial/by-id/usb-7-if00"


def test_an_unstable_name_may_be_insisted_on() -> None:
    text = BASE.replace("/dev/serial/by-id/usb-example-if00", "/dev/ttyUSB0, unstable-name-ok: yes")
    assert made(text).buses["line"].device == "/dev/ttyUSB0"


def test_two_names_of_one_port_are_seen_through() -> None:
    text = BASE.replace('tcp: "meter.example:5025"', "serial: /dev/serial/by-path/x, baud: 9600")
    (fault,) = faults_of(text, Ports(resolve=lambda _path: "/dev/ttyUSB0"))
    assert (fault.path, fault.found) == ("buses.lan", "/dev/ttyUSB0 is also the bus 'line'")


def test_a_chain_of_formulas_is_not_a_cycle_and_a_ring_is_told_once() -> None:
    chain = {f"c{i}": (f"c{i + 1}", "c9999") for i in range(9999)}
    assert cycles(chain) == []
    ring = {**chain, "c9999": ("c5000",)}
    assert len(cycles(ring)[0]) >= 2
    assert cycles({"a": ("b",), "b": ("a",), "c": ("a",)}) == [["a", "b"]]


def test_the_hash_is_that_of_the_text() -> None:
    import hashlib

    assert made(BASE).sha256 == hashlib.sha256(BASE.encode()).hexdigest()


def test_every_key_of_the_rig_file_is_explained_in_the_reference() -> None:
    rows = {row.path: row for row in reference(RigSection)}
    assert len(rows) == len(reference(RigSection))
    for path in (
        *("rig", "buses.BUS.baud", "instruments.INSTRUMENT.poll", "templates.TEMPLATE.channels.CHANNEL.high"),
        *("units.UNIT.channels.CHANNEL.high.on-delay", "channels.CHANNEL.calibration.due", "units.UNIT.with"),
    ):
        assert rows[path].doc


def test_a_layout_survives_json_unchanged() -> None:
    text = BASE.replace(
        "unit: V, limits: none",
        "unit: degC, limits: none, convert: thermocouple K, cold-junction: far,\n"
        "        calibration: {gain: 1.1, offset: 3 mK, due: 2027-01-01}, description: 'ünï'",
    )
    layout = made(text).layout
    assert layout_from_json(json.loads(json.dumps(to_json(layout)))) == layout


def test_a_layout_of_a_newer_soakrig_is_read_as_far_as_it_is_known() -> None:
    values = json.loads(json.dumps(to_json(made(BASE).layout)))
    values["new"] = 1
    values["channels"]["mains"]["new"] = {"a": 1}
    del values["channels"]["mains"]["silence_s"]
    assert layout_from_json(values).channels["mains"].silence_s == 60.0


def test_a_layout_from_before_shares_and_certificates_still_reads() -> None:
    values = json.loads(json.dumps(to_json(made(BASE).layout)))
    for channel in values["channels"].values():
        del channel["accuracy_share"]
        del channel["calibration"]["uncertainty"], channel["calibration"]["certificate"]
    assert layout_from_json(values) == made(BASE).layout


@pytest.mark.parametrize(
    "values", [{}, {"rig": "x"}, {"rig": "x", "units": [], "channels": {}, "instruments": {}}]
)
def test_what_is_no_layout_is_refused(values: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="not the values of a layout"):
        layout_from_json(values)


_FLOATS = st.floats(allow_nan=False, allow_infinity=False)
_CHANNELS = st.builds(
    Channel,
    name=st.text(min_size=1, max_size=5),
    unit_of_measure=st.sampled_from(["V", "degC"]),
    unit=st.none() | st.text(max_size=3),
    kind=st.sampled_from(ChannelKind),
    source=st.none()
    | st.builds(
        ChannelSource, instrument=st.text(), field=st.text(), convert=st.none(), cold_junction=st.none()
    ),
    formula=st.none() | st.text(max_size=9),
    limits=st.lists(
        st.builds(
            Limit, side=st.sampled_from(Side), value=_FLOATS, early=st.none() | _FLOATS, trip=st.booleans()
        ),
        max_size=2,
    ).map(tuple),
    plausible=st.none() | st.tuples(_FLOATS, _FLOATS),
    calibration=st.builds(
        Calibration,
        gain=_FLOATS,
        offset=_FLOATS,
        due=st.none() | st.dates(),
        uncertainty=_FLOATS,
        certificate=st.text(max_size=4),
    ),
    accuracy=_FLOATS,
    accuracy_share=_FLOATS,
    follows=st.lists(st.text(max_size=4), max_size=3).map(tuple),
)


@given(st.lists(_CHANNELS, max_size=4, unique_by=lambda one: one.name))
def test_any_layout_survives_json(channels: list[Channel]) -> None:
    layout = Layout(rig="r", units={}, channels={one.name: one for one in channels}, instruments={})
    assert layout_from_json(json.loads(json.dumps(to_json(layout)))) == layout


def test_configs_cannot_be_changed_after_reading() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        made(BASE).rig = "other"  # type: ignore[misc]
