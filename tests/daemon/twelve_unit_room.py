"""Twelve units on two sources of mains: a variac turned by hand, and a source that soakrig sets."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from tests.daemon.simple_room import ServedRoom, SimpleRoom, SimpleSource, SimpleUnit, scpi, served

NAMES = {place: tuple(f"{place}{number}" for number in range(1, 7)) for place in "AB"}
UNITS = (*NAMES["A"], *NAMES["B"])
LATE = "B6"
"""Its place is empty at first."""
LEVEL = 1.2
DEVICE = 7

TEXT = """\
rig: room-of-twelve
runs: runs
planned: 21 d
buses:
  meter-a: {{tcp: "{meter-a}"}}
  meter-b: {{tcp: "{meter-b}"}}
  tone: {{tcp: "{tone}"}}
  ac-source: {{tcp: "{ac-source}"}}
  scanner-line: {{serial: {scanner-line}, baud: 115200}}
  relay-line: {{serial: {relay-line}, baud: 19200}}
instruments:
  meter-a:
    bus: meter-a
    driver: scpi
    poll: 100 ms
    terminator: LF
    identity: "EXAMPLE,METER,.*"
    reads: [{{ask: "READ?", fields: [mains, {fields}]}}]
  meter-b:
    bus: meter-b
    driver: scpi
    poll: 100 ms
    terminator: LF
    identity: "EXAMPLE,METER,.*"
    reads: [{{ask: "READ?", fields: [mains, {fields}]}}]
  tone:
    bus: tone
    driver: scpi
    poll: 200 ms
    terminator: LF
    identity: "EXAMPLE,GENERATOR,.*"
    reads: [{{ask: "SOUR:LEV?", fields: [level]}}]
  ac-source:
    bus: ac-source
    driver: scpi
    poll: 1 s
    terminator: LF
    identity: "EXAMPLE,SOURCE,.*"
    reads: [{{ask: "SOUR:VOLT?", fields: [setting]}}]
  scanner:
    bus: scanner-line
    driver: scpi
    poll: 250 ms
    timeout: 250 ms
    terminator: LF
    identity: "EXAMPLE,SCANNER,.*"
    reads: [{{ask: "READ? (@101:113)", fields: [{heats}, air]}}]
  relay-box:
    bus: relay-line
    driver: modbus
    device: 7
    poll: 1 s
    timeout: 250 ms
    fields: {{relay1: {{register: 0, table: coil, type: bit}}}}
templates:
  amplifier:
    channels:
      heatsink:
        from: "scanner.heat{{unit}}"
        unit: degC
        high: 95 degC
        early-high: 85 degC
        deadband: 2 K
        on-delay: 500 ms
        trip: yes
      supply: {{from: "{{meter}}.amps{{place}}", unit: A, high: 5 A, deadband: 200 mA, on-delay: 500 ms}}
      volts:
        from: "{{meter}}.volts{{place}}"
        unit: V
        low: 20 V
        high: 32 V
        deadband: 500 mV
        on-delay: 2 s
    signals:
      mains: {{channel: "{{mains}}", on-above: 150 V, off-below: 100 V}}
      supply: {{channel: "{{unit}}.supply", on-above: 100 mA, off-below: 50 mA}}
      output: {{channel: "{{unit}}.volts", on-above: 5 V, off-below: 3 V}}
      drive: {{channel: level, on-above: 0.5 V, off-below: 0.3 V}}
      failed-after: 3 s
      idle-after: 2 s
    switch-off:
      instrument: relay-box
      commands: ["coil {{coil}} off"]
      confirm: {{channel: "{{unit}}.supply", below: 50 mA, within: 5 s}}
units:
{units}
channels:
  mains_a: {{from: meter-a.mains, unit: V, low: 198 V, high: 264 V, deadband: 1 V, on-delay: 1 s}}
  mains_b: {{from: meter-b.mains, unit: V, low: 198 V, high: 264 V, deadband: 1 V, on-delay: 1 s}}
  ambient: {{from: scanner.air, unit: degC, low: 15 degC, high: 50 degC, deadband: 1 K, on-delay: 2 s}}
  level: {{from: tone.level, unit: V, limits: none}}
  setting: {{from: ac-source.setting, unit: V, limits: none}}
  relay1: {{from: relay-box.relay1, unit: "1", limits: none}}
program:
  settle: 1 s
  order: [nominal, high]
  set:
    mains_b: {{instrument: ac-source, command: "SOUR:VOLT {{value:.1f}}", lowest: 200 V, highest: 260 V}}
  phases:
    nominal:
      targets: {{mains_a: 230 V +- 3 V, mains_b: 230 V +- 3 V}}
      duration: 12 s
    high:
      targets: {{mains_a: 253 V +- 3 V, mains_b: 253 V +- 3 V}}
      duration: 12 s
account:
  ambient: ambient
  output: {{channel: "{{unit}}.volts", on-above: 5 V, off-below: 3 V}}
  drive: {{channel: level, on-above: 0.5 V, off-below: 0.3 V}}
  trip: {{least: 2 s}}
  criteria: {{least-share: 98 %, unlogged: 5 %, trips: 0}}
alerts:
  gather: 1 s
  test: 0 s
  ways:
    desk:
      mail: {{server: "127.0.0.1:{mail}", security: none, from: room@example.org, to: [person@example.org]}}
"""


def serial(unit: str) -> str:
    """Return the serial number that a unit has at first, or will have when it comes late."""
    return f"12{UNITS.index(unit) + 1:02}"


def rig_text(addresses: dict[str, str], mail: int) -> str:
    """Return the rig file."""
    lines = []
    for place, names in NAMES.items():
        for number, name in enumerate(names, 1):
            facts = f'serial: "{"" if name == LATE else serial(name)}", load: 8 ohm resistor'
            filled = f'meter: meter-{place.lower()}, mains: mains_{place.lower()}, place: "{number}"'
            coil = UNITS.index(name)
            lines.append(f'  {name}: {{{facts}, template: amplifier, with: {{{filled}, coil: "{coil}"}}}}')
    return TEXT.format(
        **addresses,
        mail=mail,
        units="\n".join(lines),
        fields=", ".join(f"{what}{number}" for what in ("amps", "volts") for number in range(1, 7)),
        heats=", ".join(f"heat{name}" for name in UNITS),
    )


@contextmanager
def twelve_units(folder: Path, mail: int) -> Iterator[ServedRoom]:
    """Serve the room, driven, at 207 V; the rig file is written to ``folder``/rig.yaml. mail: port."""
    sources = {"A": SimpleSource(207.0), "B": SimpleSource(207.0)}
    room = SimpleRoom(
        {name: SimpleUnit(sources[name[0]], present=name != LATE) for name in UNITS}, sources, level_set=LEVEL
    )

    def meter(place: str) -> list[Callable[[], float]]:
        units = [partial(room.read, f"{what} {name}") for what in ("amps", "volts") for name in NAMES[place]]
        return [partial(room.read, f"mains {place}"), *units]

    heats = [*(partial(room.read, f"heat {name}") for name in UNITS), partial(room.read, "air")]
    with served(
        folder,
        room,
        over_tcp={
            "meter-a": scpi("METER", {"READ": meter("A")}, {}),
            "meter-b": scpi("METER", {"READ": meter("B")}, {}),
            "tone": scpi("GENERATOR", {"SOURce:LEVel": [partial(room.read, "level")]}, {}),
            "ac-source": scpi(
                "SOURCE",
                {"SOURce:VOLTage": [partial(room.read, "mains B")]},
                {"SOURce:VOLTage": partial(room.turn, "B")},
            ),
        },
        over_pty={"scanner-line": scpi("SCANNER", {"READ": [*heats]}, {})},
        relays=("relay-line", DEVICE),
    ) as made:
        (folder / "rig.yaml").write_text(rig_text(made.addresses, mail), "utf-8")
        yield made
