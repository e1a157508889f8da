"""The simulated room's rig file, as text that the ordinary logger reads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from rig.simulator.instruments import (
    IDENTITY_REGISTER,
    OFFSET_SCALE,
    SUPPLY_SCALE,
    identity,
    identity_word,
    scan_numbers,
)
from rig.simulator.quantities import OF_ROOM, OF_UNIT, POWER, SimulatedQuantity
from rig.simulator.room_plan import LAG_TOLERANCE, Gear, RoomBus, RoomPlan

TIMEOUT_S = 0.4


def rig_text(
    plan: RoomPlan, *, folder: Path, ports: Mapping[str, int], ohms: Mapping[str, float], note: str
) -> str:
    """Return the rig file of a room.

    folder: where the serial ports' links are (``folder/dev``). ports: TCP port by line. ohms: the
    resistance of each unit's load that counts for power. note: one line for the top of the file.
    """
    lines = [f"# {note}", "rig: simulated-room", "runs: runs", "planned: 1 h", "buses:"]
    lines += [f"  {line.name}: {_bus(line, folder, ports)}" for line in plan.lines]
    lines.append("instruments:")
    for gear in plan.gear:
        lines += [f"  {gear.name}:", *(f"    {text}" for text in _instrument(gear, plan))]
    lines += ["templates:", "  amplifier:", "    channels:"]
    for quantity in OF_UNIT:
        lines.append(f"      {quantity.name}: {{{_channel(quantity, plan, _source(quantity))}}}")
    power = 'formula: "{unit}.volts**2 / {ohms}"'
    lines.append(f"      {POWER.name}: {{{_channel(POWER, plan, power)}}}")
    lines += ["    signals:", *(f"      {one}" for one in SIGNALS)]
    lines.append("units:")
    for number, (unit, load) in enumerate(zip(plan.units, plan.loads, strict=True), start=1):
        names = {q.instrument: plan.probe(f"{unit}.{q.name}").instrument for q in OF_UNIT}
        words = {**names, "ohms": f"{ohms[unit]:.3f}"}
        filled = ", ".join(f'{key}: "{word}"' for key, word in words.items())
        lines += [
            f"  {unit}:",
            f'    {{serial: "S{number:04d}", load: "{load.text}", template: amplifier, with: {{{filled}}}}}',
        ]
    lines.append("channels:")
    for quantity in OF_ROOM:
        source = f"from: {quantity.instrument}.{quantity.name}"
        lines.append(f"  {quantity.name}: {{{_channel(quantity, plan, source)}}}")
    return "\n".join(lines) + "\n"


SIGNALS = (
    "mains: {channel: mains, on-above: 150 V, off-below: 100 V}",
    'supply: {channel: "{unit}.supply", on-above: 60 mA, off-below: 40 mA}',
    'output: {channel: "{unit}.volts", on-above: 5 V, off-below: 3 V}',
    "drive: {channel: level, on-above: 500 mV, off-below: 300 mV}",
    "failed-after: 5 s",
    "idle-after: 5 s",
)
"""What shows the state of a unit; the room's heat goes fast, so its waiting times are short."""


def _bus(line: RoomBus, folder: Path, ports: Mapping[str, int]) -> str:
    if not line.serial:
        return f'{{tcp: "127.0.0.1:{ports[line.name]}"}}'
    return f'{{serial: "{folder / "dev" / line.name}", baud: {line.baud}, stop-bits: {line.stop_bits}}}'


def _instrument(gear: Gear, plan: RoomPlan) -> Iterator[str]:
    driver = {"modbus-rtu": "modbus", "modbus-tcp": "modbus", "scpi": "scpi"}.get(gear.protocol, "lines")
    yield f"bus: {gear.line}"
    yield f"driver: {driver}"
    yield f"poll: {plan.poll_s * 1000:g} ms"
    yield f"timeout: {TIMEOUT_S * 1000:g} ms"
    if gear.think_s:
        yield f"reply-time: {gear.think_s * 1000:g} ms"
    yield from {"modbus": _modbus, "scpi": _scpi, "lines": _text}[driver](gear, plan)


def _modbus(gear: Gear, plan: RoomPlan) -> Iterator[str]:
    yield f"device: {gear.device}"
    yield f"framing: {gear.protocol.removeprefix('modbus-')}"
    yield f"identity: {{register: {IDENTITY_REGISTER}, equals: {identity_word(gear.name)}}}"
    if gear.protocol == "modbus-rtu":
        yield (
            "fields: {volts: {register: 0, type: float32, order: ABCD}, "
            f"offset: {{register: 2, type: int16, scale: {OFFSET_SCALE}, no-value: [0x8000]}}}}"
        )
        return
    fields = ", ".join(
        f"{name}: {{register: {2 * place}, type: uint32, order: CDAB, scale: {SUPPLY_SCALE}, "
        "no-value: [0xFFFFFFFF]}"
        for place, name in enumerate(plan.fields(gear))
    )
    yield f"fields: {{{fields}}}"


def _scpi(gear: Gear, plan: RoomPlan) -> Iterator[str]:
    yield f'identity: "{identity(gear.name)}"'
    yield "terminator: LF"
    fields = dict(zip(gear.channels, plan.fields(gear), strict=True))
    if gear.name == "tone":
        yield f'reads: [{{ask: "SOUR:LEV?;FREQ?", separator: ";", fields: [{", ".join(fields.values())}]}}]'
        return
    yield 'setup: ["FORM ASC"]'
    numbers = scan_numbers(gear)
    reads = []
    for first, last in _banks(numbers):
        names = ", ".join(fields[numbers[number]] for number in range(first, last + 1))
        reads.append(f'{{ask: "READ? (@{first}:{last})", fields: [{names}]}}')
    yield f"reads: [{', '.join(reads)}]"


def _banks(numbers: Mapping[int, str]) -> Iterator[tuple[int, int]]:
    """Yield (first, last) channel number of each hundred."""
    for hundred in sorted({number // 100 for number in numbers}):
        here = [number for number in numbers if number // 100 == hundred]
        yield min(here), max(here)


def _text(gear: Gear, plan: RoomPlan) -> Iterator[str]:
    yield "terminator: CRLF"
    names = plan.fields(gear)
    if gear.protocol == "stream":
        yield 'checksum: {kind: xor8, start: "$", mark: "*"}'
        yield f"reads: [{{pattern: 'U=(?P<{names[0]}>[^,]+),F=(?P<{names[1]}>.+)'}}]"
        return
    yield f'identity: {{ask: "ID?", pattern: "SIMULATED {gear.name.upper()}"}}'
    ask = "T?" if gear.protocol == "box" else "RPM?"
    yield f'reads: [{{ask: "{ask}", fields: [{", ".join(names)}]}}]'


def _source(quantity: SimulatedQuantity) -> str:
    field = quantity.name if quantity.instrument == "out" else f"{quantity.name}_{{unit}}"
    return f'from: "{{{quantity.instrument}}}.{field}"'


def _channel(quantity: SimulatedQuantity, plan: RoomPlan, source: str) -> str:
    word, step = quantity.word, quantity.step
    parts = [source, f"unit: {word}"]
    if quantity.stimulus:
        parts.append("kind: stimulus")
    bounds = {"high": quantity.high, "early-high": quantity.early_high, "low": quantity.low}
    written = [f"{key}: {value:g} {word}" for key, value in bounds.items() if value is not None]
    if written:
        parts += written
        parts.append(f"deadband: {quantity.deadband:g} {step}")
        if quantity.on_delay_s:
            parts.append(f"on-delay: {quantity.on_delay_s:g} s")
    else:
        parts.append("limits: none")
    if quantity.lag_s:
        lag_ms = quantity.lag_s / plan.pace * 1000
        parts += [f"lag: {lag_ms:.1f} ms", f"lag-tolerance: {LAG_TOLERANCE * 100:g} %"]
    if quantity.averaging_s:
        parts.append(f"averaging: {quantity.averaging_s * 1000:g} ms")
    if quantity.resolution:
        parts.append(f"resolution: {quantity.resolution:g} {step}")
    lowest, highest = quantity.plausible
    parts.append(f"plausible: [{lowest:g} {word}, {highest:g} {word}]")
    if quantity.follows:
        parts.append(f"follows: [{', '.join(_quoted(name) for name in quantity.follows)}]")
    return ", ".join(parts)


def _quoted(name: str) -> str:
    return f'"{name}"' if "{" in name else name
