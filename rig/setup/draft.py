"""The text of a new rig file: what was found, what must be written, and the rest as comments.

Pure: from a plan to text. The keys, their order, defaults and explanations come from the schema and the
drivers' own ``Options``; so a driver that comes later is offered like the others.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.rigfile.schema import KeySpec, in_short, keys
from rig.rigfile.sections import Bus, InstrumentSection
from rig.rigfile.signals_section import SignalsSection
from rig.setup.reference import sections_of

INDENT = "  "
WIDTH = 100
_BARE = re.compile(r"[A-Za-z0-9_./][A-Za-z0-9_./ -]*")
TEMPLATE = "amplifier"
SAMPLES = {
    "mains": "{channel: mains, on-above: 150 V, off-below: 100 V}",
    "supply": '{channel: "{unit}.supply", on-above: 100 mA, off-below: 50 mA}',
    "output": '{channel: "{unit}.volts", on-above: 5 V, off-below: 3 V}',
    "drive": "{channel: level, on-above: 500 mV, off-below: 300 mV}",
}
"""How each signal may be written; levels are common practice, no source."""
CAUTION = """\
Mains, heat, stored energy, fire and noise injure and kill; a variac does not isolate. This file
protects nobody: hard-wired cut-outs, fuses, residual-current protection and smoke detection must work
without the computer. Local codes and competent persons decide what may run, where, and unattended or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """One bus and the instrument on it.

    keys: of the bus, as written. given: keys of the instrument, as YAML. options: the driver's Options.
    about: what is known of it, for a comment.
    """

    bus: str
    keys: Mapping[str, str]
    instrument: str
    driver: str
    options: type[Any]
    given: Mapping[str, str] = field(default_factory=dict)
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A channel: its name (``UNIT.quantity`` or the room's own), where it is read, its unit of measure."""

    name: str
    source: str
    unit: str = "1"


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLevels:
    """Channel of a signal ({unit} stands for each unit) and its levels of on and off, as written."""

    channel: str
    on_above: str
    off_below: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RigDraft:
    """What the file is to say.

    serials: unit under test -> serial number. revisions: unit -> its design revision by free keys.
    signals: of all units, by name; those that are not read are missing.
    """

    rig: str
    file: str
    connections: Sequence[Connection]
    channels: Sequence[Measured] = ()
    serials: Mapping[str, str] = field(default_factory=dict)
    revisions: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    signals: Mapping[str, SignalLevels] = field(default_factory=dict)


def text(plan: RigDraft) -> str:
    """Return the rig file."""
    lines = [
        *_comment(
            f"Rig file of {plan.rig}, begun by 'soakrig new'. Every key that may stand in it is explained by "
            f"'soakrig reference' (or 'soakrig reference DRIVER'); 'soakrig check {plan.file} --no-probe' "
            "checks the file, 'soakrig check' without that also asks the instruments."
        ),
        "#",
        *(f"# {line}" for line in CAUTION.splitlines()),
        f"rig: {plan.rig}",
        "runs: runs                     # folder of the recordings, from this file's own folder",
        "planned: 14 d                  # how long a run is meant to last",
        "",
        "buses:",
    ]
    for one in plan.connections:
        lines += _bus(one)
    lines += ["", "instruments:"]
    for one in plan.connections:
        lines += _instrument(one)
    lines += ["", *_channels(plan), "", *_template(plan), "", *_units(plan), "", *_others()]
    return "\n".join(lines) + "\n"


def _bus(one: Connection) -> list[str]:
    lines = [f"{INDENT}{one.bus}:"]
    lines += [f"{INDENT * 2}{key}: {scalar(value)}" for key, value in one.keys.items()]
    skipped = {*one.keys, "serial", "tcp", "visa"}
    if "serial" not in one.keys:
        skipped |= {"baud", "parity", "data-bits", "stop-bits", "unstable-name-ok"}
    return lines + _optional(keys(Bus), skipped)


def _instrument(one: Connection) -> list[str]:
    lines = _comment(one.about, INDENT) if one.about else []
    lines.append(f"{INDENT}{one.instrument}:")
    common = {"bus": one.bus, "driver": one.driver, "poll": "1 s", "timeout": "800 ms"}
    lines += [f"{INDENT * 2}{key}: {value}" for key, value in common.items()]
    lines += _optional(keys(InstrumentSection), {*common, "baud"})
    lines.append(f"{INDENT * 2}# keys of the driver {one.driver}:")
    options = keys(one.options)
    for name, spec in options.items():
        if name in one.given or spec.required:
            value = one.given.get(name, spec.example)
            lines += _comment(f"{spec.doc}{_inside(spec) or f' ({in_short(spec.kind)})'}", INDENT * 2)
            lines.append(f"{INDENT * 2}{name}: {value}")
    return lines + _optional(
        options, {name for name, spec in options.items() if spec.required} | {*one.given}
    )


def _optional(specs: Mapping[str, KeySpec], skipped: set[str]) -> list[str]:
    """Return the keys that may be written besides, as comments with their defaults."""
    lines = []
    for name, spec in specs.items():
        if name in skipped:
            continue
        shown = "..." if spec.default is None or spec.default == () else spec.kind.spell(spec.default)
        lines += _comment(f"{f'{name}: {shown}':<24} {spec.doc}{_inside(spec)}", INDENT * 2, "  ")
    return lines


def _inside(spec: KeySpec) -> str:
    """Return which keys stand in the blocks that a key holds, in words."""
    found = [", ".join(keys(cls)) for _, cls in sections_of(spec.kind, "")]
    return "".join(f"; keys: {one}" for one in found)


def _channels(plan: RigDraft) -> list[str]:
    room = [one for one in plan.channels if "." not in one.name]
    lines = _comment(
        "The room's own channels: what the rig does to the units (mains, ambient, drive). Put each unit of "
        "measure right, and in place of 'limits: none' the limits, such as: low: 207 V, high: 253 V, "
        "deadband: 1 V, on-delay: 1 s"
    )
    if not room:
        return [
            *lines,
            "# channels:",
            "#   mains: {from: meter.volts, unit: V, low: 207 V, high: 253 V, deadband: 1 V}",
        ]
    return [*lines, "channels:", *(_channel(one, one.name, INDENT) for one in room)]


def _template(plan: RigDraft) -> list[str]:
    """Return the template that the units share: the signals that show their state."""
    lines = _comment(
        "What the units share. The signals show what state each unit is in (idle, driven, muted, failed, "
        "...; 'soakrig check' says what cannot be known for want of one). Put the levels right: supply "
        "between what the unit draws switched off and idling, output and drive above hum and noise"
    )
    if not plan.signals:
        sample = [f"{INDENT * 3}{name}: {words}" for name, words in SAMPLES.items()]
        head = ["templates:", f"{INDENT}{TEMPLATE}:", f"{INDENT * 2}channels: {{}}", f"{INDENT * 2}signals:"]
        return lines + [f"# {line}" for line in (*head, *sample)]
    lines += ["templates:", f"{INDENT}{TEMPLATE}:", f"{INDENT * 2}channels: {{}}", f"{INDENT * 2}signals:"]
    for name, spec in keys(SignalsSection).items():
        one = plan.signals.get(name)
        if one is not None:
            levels = f"on-above: {scalar(one.on_above)}, off-below: {scalar(one.off_below)}"
            lines.append(f"{INDENT * 3}{name}: {{channel: {scalar(one.channel)}, {levels}}}")
        elif name in SAMPLES:
            lines += _comment(f"{name}: {SAMPLES[name]}  {spec.doc}", INDENT * 3, "  ")
        else:
            lines += _comment(
                f"{f'{name}: {spec.kind.spell(spec.default)}':<24} {spec.doc}", INDENT * 3, "  "
            )
    return lines


def _units(plan: RigDraft) -> list[str]:
    lines = _comment(
        "Units under test. Their channels are called UNIT.CHANNEL in the recording. A heatsink may say: "
        "high: 95 degC, early-high: 85 degC, deadband: 2 K, on-delay: 5 s, lag: 8 s, resolution: 0.1 K"
    )
    if not plan.serials:
        sample = [
            "units:",
            "  A1:",
            '    serial: "0001"',
            "    load: 8 ohm resistor",
            "    channels:",
            "      heatsink: {from: box.t1, unit: degC, limits: none}",
        ]
        return lines + [f"# {line}" for line in sample]
    lines.append("units:")
    for unit, serial in plan.serials.items():
        lines += [
            f"{INDENT}{unit}:",
            f"{INDENT * 2}serial: {scalar(serial)}",
            f"{INDENT * 2}load: 8 ohm resistor",
            *([f"{INDENT * 2}template: {TEMPLATE}"] if plan.signals else []),
            *_revision(plan.revisions.get(unit, {})),
        ]
        own = [one for one in plan.channels if one.name.startswith(f"{unit}.")]
        if own:
            lines.append(f"{INDENT * 2}channels:")
        lines += [_channel(one, one.name.partition(".")[2], INDENT * 3) for one in own]
    return lines


def _revision(stated: Mapping[str, str]) -> list[str]:
    if not stated:
        return [f'{INDENT * 2}# revision: {{bom: C2, firmware: "1.4"}}  design revision; keys are free']
    words = ", ".join(f"{name}: {scalar(value)}" for name, value in stated.items())
    return [f"{INDENT * 2}revision: {{{words}}}"]


def _channel(one: Measured, name: str, indent: str) -> str:
    return f"{indent}{name}: {{from: {one.source}, unit: {scalar(one.unit)}, limits: none}}"


def _others() -> list[str]:
    return _comment(
        "More that may be written: channels of a template (like units described once), alerts (messages by "
        "mail, phone, ...), "
        "account (what a run is accounted for). See 'soakrig reference' and configs/ of the project."
    )


def _comment(words: str, indent: str = "", hanging: str = "") -> list[str]:
    return textwrap.wrap(
        words, WIDTH, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}# {hanging}",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def scalar(value: str) -> str:
    """Return a text as YAML writes it: bare where nothing in it means anything to YAML, else quoted."""
    if _BARE.fullmatch(value) and value == value.strip():
        return value
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def suggested(identity: str) -> str:
    """Return a pattern for ``identity`` from an answer to ``*IDN?``: maker and model, any serial number."""
    fields = [one.strip() for one in identity.split(",")]
    kept = ",".join(re.escape(one).replace(r"\ ", " ").replace(r"\-", "-") for one in fields[:2])
    return f"{kept},.*" if len(fields) > 2 else re.escape(identity)
