"""Interview about the units under test: their signals, serial numbers and design revisions."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

from rig.domain.signals import SignalName
from rig.domain.units import UnitError, amount
from rig.errors import shown
from rig.rigfile.schema import keys
from rig.rigfile.signals_section import SignalsSection
from rig.setup.draft import Measured, SignalLevels
from rig.setup.interview import InterviewTools, checked

NONE = "-"
"""Answer for none where there is a proposal."""
FIRST_SERIAL = "0001"
_PROPOSED = {
    SignalName.MAINS: (("150 V", "100 V"),),
    SignalName.SUPPLY: (("100 mA", "50 mA"), ("10 W", "5 W")),
    SignalName.OUTPUT: (("5 V", "3 V"), ("500 mA", "300 mA"), ("5 W", "3 W")),
    SignalName.DRIVE: (("500 mV", "300 mV"), ("-20 dBu", "-30 dBu")),
}
"""Levels of on and off by signal, one pair for each kind of quantity; common practice, no source."""


def signals(
    tools: InterviewTools, channels: Sequence[Measured], units: Sequence[str]
) -> dict[str, SignalLevels]:
    """Return the signals that all units share, by name; one without an answer is not read."""
    known = _candidates(channels, units)
    if not units or not known:
        return {}
    tools.say(
        "Signals that show what state a unit is in; {unit} stands for each unit. "
        f"Channels: {', '.join(known)}. Empty: not read."
    )
    found = {}
    for name in SignalName:
        question = f"signal {name}, {keys(SignalsSection)[name.value].doc}: its channel"
        channel = checked(tools, question, "", lambda text: _channel_fault(text, known))
        if channel:
            found[name.value] = _levels(tools, name, channel, known[channel])
    return found


def _candidates(channels: Sequence[Measured], units: Sequence[str]) -> dict[str, str]:
    """Return the room's channels and what all units have, with their units of measure."""
    measures = {one.name: one.unit for one in channels}
    found = {name: unit for name, unit in measures.items() if "." not in name}
    for quantity in dict.fromkeys(name.partition(".")[2] for name in measures if "." in name):
        mine = {measures.get(f"{unit}.{quantity}") for unit in units}
        if len(mine) == 1 and None not in mine:
            found[f"{{unit}}.{quantity}"] = measures[f"{units[0]}.{quantity}"]
    return found


def _channel_fault(text: str, known: Mapping[str, str]) -> str:
    if not text or text in known:
        return ""
    return f"{shown(text)} is no channel that serves all units; there are {', '.join(known)}"


def _levels(tools: InterviewTools, name: SignalName, channel: str, measure: str) -> SignalLevels:
    fitting = [pair for pair in _PROPOSED[name] if not _amount_fault(pair[0], measure)]
    on_usual, off_usual = fitting[0] if fitting else ("", "")
    on = checked(
        tools, f"  {name} is on above ({measure})", on_usual, lambda text: _amount_fault(text, measure)
    )
    high = amount(on, bare=True).to(measure)
    if off_usual and amount(off_usual).to(measure) > high:
        off_usual = on
    off = checked(
        tools, f"  and off below ({measure})", off_usual, lambda text: _off_fault(text, measure, on)
    )
    return SignalLevels(channel=channel, on_above=on, off_below=off)


def _amount_fault(text: str, measure: str) -> str:
    try:
        amount(text, bare=True).to(measure)
    except UnitError as error:
        return f"{error.found}; {error.allowed}"
    return ""


def _off_fault(text: str, measure: str, on: str) -> str:
    fault = _amount_fault(text, measure)
    if fault or amount(text, bare=True).to(measure) <= amount(on, bare=True).to(measure):
        return fault
    return f"{text} is above {on}, where it is on; write that or less"


def serials(tools: InterviewTools, units: Sequence[str]) -> dict[str, str]:
    """Return the serial number of each unit under test; no number twice."""
    found: dict[str, str] = {}
    for unit in units:
        usual = next_serial(list(found.values()))
        found[unit] = checked(
            tools, f"serial number of {unit}", usual, lambda text: _serial_fault(text, found)
        )
    return found


def next_serial(taken: Sequence[str]) -> str:
    """Return a serial number that is not taken: the last one counted up."""
    if not taken:
        return FIRST_SERIAL
    match = re.fullmatch(r"(.*?)([0-9]+)", taken[-1])
    head, digits = (match[1], match[2]) if match else (f"{taken[-1]}-", "1")
    number = int(digits) + 1
    while (proposed := f"{head}{number:0{len(digits)}d}") in taken:
        number += 1
    return proposed


def _serial_fault(text: str, found: Mapping[str, str]) -> str:
    if not text or not text.isprintable():
        return "write some text"
    holder = next((unit for unit, serial in found.items() if serial == text), None)
    return "" if holder is None else f"{text} is the serial number of {holder}; write each unit's own"


def revisions(tools: InterviewTools, units: Sequence[str]) -> dict[str, dict[str, str]]:
    """Return the design revision of each unit under test; that of the one before is proposed."""
    found: dict[str, dict[str, str]] = {}
    usual = ""
    for unit in units:
        none = f"{NONE}: none" if usual else "empty: none"
        question = f"design revision of {unit}, as bom C2, firmware 1.4 ({none})"
        usual = checked(tools, question, usual, _revision_fault)
        usual = "" if usual == NONE else usual
        found[unit] = dict(_pairs(usual))
    return found


def _pairs(text: str) -> list[tuple[str, str]]:
    parts = [one.strip().partition(" ") for one in text.split(",")] if text else []
    return [(name, value.strip()) for name, _, value in parts]


def _revision_fault(text: str) -> str:
    if text == NONE:
        return ""
    names: Collection[str] = [name for name, _ in _pairs(text)]
    for name, value in _pairs(text):
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name):
            return f"{shown(name)} is no key: a letter, then letters, digits, _"
        if not value or not value.isprintable():
            return f"{name} has no value: write KEY VALUE, KEY VALUE"
        if list(names).count(name) > 1:
            return f"{name} stands there twice"
    return ""
