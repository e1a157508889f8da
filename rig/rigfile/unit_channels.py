"""All channels of a rig file: the room's own and those of every unit, and how they refer to each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rig.domain import formula
from rig.domain.formatting import setting
from rig.domain.model import Channel, Unit
from rig.errors import ConfigFault
from rig.rigfile.channel_section import Readable, channel
from rig.rigfile.node import Node, NodePlace, entries, fault, near
from rig.rigfile.schema import take_keys
from rig.rigfile.sections import ChannelSection, TemplateSection, UnitSection
from rig.rigfile.templates import Substitutions, channels_of, overlaid


class ChannelReader:
    """Reads the channels and units of the rig file ``top``.

    instruments: what can be read, by instrument; None where there is nothing to judge it by. After
    ``read()``: ``channels`` holds every name with its channel (None where it is faulty) and place, in
    the order of the file, the room's first; ``units`` the units that have no fault of their own;
    ``switches`` the block that says how a unit is switched off, ``signals`` the one that says what shows its
    state, where there is one, by unit.
    """

    def __init__(
        self, top: Node, instruments: Mapping[str, Readable] | None, faults: list[ConfigFault]
    ) -> None:
        self.channels: dict[str, tuple[Channel | None, NodePlace]] = {}
        self.units: dict[str, Unit] = {}
        self.switches: dict[str, NodePlace] = {}
        self.signals: dict[str, NodePlace] = {}
        self._top = top
        self._instruments = instruments
        self._faults = faults

    def read(self) -> None:
        """Read everything, adding faults."""
        for name, node in entries(self._top, "channels").items():
            self._channel(name, None, name, NodePlace(node, f"channels.{name}", self._faults))
        for name, node in entries(self._top, "units").items():
            self._unit(name, NodePlace(node, f"units.{name}", self._faults))
        self._check_templates()
        self._check_follows()
        self._check_formulas()

    def _channel(self, name: str, unit: str | None, local: str, place: NodePlace) -> None:
        _check_name(local, place)
        self.channels[name] = (channel(name, unit, place, self._instruments), place)

    def _unit(self, name: str, place: NodePlace) -> None:
        _check_name(name, place)
        node, faults = place.node, self._faults
        taken = take_keys(UnitSection, node, faults, place.path)
        template = self._template(taken.get("template"), place)
        given = entries(node, "with")
        words = Substitutions({"unit": name, **{word: str(one.value or "") for word, one in given.items()}})
        words.words["unit"] = name
        own = channels_of(entries(template, "channels") if template else {}, entries(node, "channels"))
        names = []
        for local, one in own.items():
            path = f"{place.path}.channels.{local}"
            full = f"{name}.{local}"
            self._channel(full, name, local, NodePlace(words.filled(one, faults, path), path, faults))
            names.append(full)
        switch = entries(node).get("switch-off") or entries(template or node).get("switch-off")
        if switch is not None:
            path = f"{place.path}.switch-off"
            self.switches[name] = NodePlace(words.filled(switch, faults, path), path, faults)
        shows = _overlaid(entries(template or node).get("signals"), entries(node).get("signals"))
        if shows is not None:
            path = f"{place.path}.signals"
            self.signals[name] = NodePlace(words.filled(shows, faults, path), path, faults)
        if not names and (template or "template" not in taken):
            place.say("", "the unit has no channel", "write a template or channels")
        if "unit" in given:
            place.say("with.unit", "{unit} always stands for the unit's name", "write another word")
        for word in given:
            if names and word not in words.used:
                place.say(
                    f"with.{word}", "it is used nowhere", f"write {{{word}}} in a channel, or leave it out"
                )
        if "serial" in taken and "load" in taken:
            self.units[name] = Unit(
                name=name,
                serial=taken["serial"],
                load=taken["load"],
                channels=tuple(names),
                revision=taken.get("revision", {}),
            )
            self._check_serial(self.units[name], place)

    def _check_serial(self, unit: Unit, place: NodePlace) -> None:
        """One serial number in two places would be two units of one name in every account."""
        for other in self.units.values():
            if other.name != unit.name and other.serial == unit.serial and unit.serial:
                found = f"serial number {unit.serial!r} stands in {other.name} too"
                place.say("serial", found, "write each unit's own; '' for an empty place")

    def _template(self, name: str | None, place: NodePlace) -> Node | None:
        templates = entries(self._top, "templates")
        if name is not None and name not in templates:
            place.say("template", f"there is no template {name!r}", near(name, templates))
        return templates.get(name or "")

    def _check_templates(self) -> None:
        units = entries(self._top, "units").values()
        used = {entries(unit)["template"].value for unit in units if "template" in entries(unit)}
        for name, template in entries(self._top, "templates").items():
            path = f"templates.{name}"
            take_keys(TemplateSection, template, self._faults, path)
            if name in used:
                continue
            # What no unit fills in cannot be judged, but its keys can.
            scratch: list[ConfigFault] = []
            for local, one in entries(template, "channels").items():
                take_keys(ChannelSection, one, scratch, f"{path}.channels.{local}")
            self._faults.extend(one for one in scratch if one.found.startswith("unknown key"))

    def _check_follows(self) -> None:
        for name, (_, place) in self.channels.items():
            listed = entries(place.node).get("follows")
            for at, one in enumerate(listed.value if listed and isinstance(listed.value, list) else ()):
                if not isinstance(one.value, str) or (one.value in self.channels and one.value != name):
                    continue
                found = f"there is no channel {one.value!r}"
                if one.value == name:
                    found = "a channel cannot follow itself"
                allowed = near(one.value, [other for other in self.channels if other != name])
                self._faults.append(fault(one, f"{place.path}.follows[{at}]", found, allowed))

    def _check_formulas(self) -> None:
        inputs: dict[str, tuple[str, ...]] = {}
        for name, (_, place) in self.channels.items():
            inputs[name] = _inputs(place)
            for used in inputs[name]:
                if used not in self.channels:
                    place.say("formula", f"there is no channel {used!r}", near(used, self.channels))
        self._check_silences(inputs)
        for cycle in cycles(inputs):
            found = f"the formula needs its own result: {' <- '.join([*cycle, cycle[0]])}"
            self.channels[cycle[0]][1].say("formula", found, "no channel may be computed from itself")

    def _check_silences(self, inputs: Mapping[str, tuple[str, ...]]) -> None:
        """A derived channel is as seldom as the slowest instrument it is made from."""
        for name, (one, place) in self.channels.items():
            if one is None or one.formula is None:
                continue
            ahead, seen = [name], {name}
            while ahead:
                new = [used for used in inputs.get(ahead.pop(), ()) if used not in seen]
                ahead.extend(new)
                seen.update(new)
            polls = [(self._poll_s(used), used) for used in seen]
            slowest_s, used = max(polls)
            if one.silence_s <= slowest_s:
                found = (
                    f"silence of {setting(one.silence_s, 's')}, but {used} is polled every "
                    f"{setting(slowest_s, 's')}"
                )
                place.say("silence", found, "write more than one poll, or every poll ends in an alarm")

    def _poll_s(self, name: str) -> float:
        one = self.channels.get(name, (None, None))[0]
        if one is None or one.source is None or one.source.instrument not in (self._instruments or {}):
            return 0.0
        return self._instruments[one.source.instrument].poll_s if self._instruments else 0.0


def _inputs(place: NodePlace) -> tuple[str, ...]:
    """Return what the channel's formula uses, also where the rest of the channel is faulty."""
    written = entries(place.node).get("formula")
    if written is None or not isinstance(written.value, str):
        return ()
    try:
        return formula.Formula(written.value).names
    except formula.FormulaError:
        return ()


def _overlaid(base: Node | None, over: Node | None) -> Node | None:
    if base is None or over is None or base is over:
        return over or base
    return overlaid(base, over)


def _check_name(name: str, place: NodePlace) -> None:
    if formula.reserved(name):
        place.say("", f"{name!r} is a word of the formula language", "write another name")


def cycles(inputs: Mapping[str, tuple[str, ...]]) -> list[list[str]]:
    """Return the cycles of a graph (name -> what it needs), each once, beginning where it was met.

    Walks without recursion: a file may chain thousands of formulas.
    """
    found: list[list[str]] = []
    done: set[str] = set()
    for start in inputs:
        if start in done:
            continue
        trail: dict[str, Iterator[str]] = {start: iter(inputs[start])}
        while trail:
            name = next(reversed(trail))
            following = next(trail[name], None)
            if following is None:
                del trail[name]
                done.add(name)
            elif following in trail:
                walked = list(trail)
                found.append(walked[walked.index(following) :])
            elif following in inputs and following not in done:
                trail[following] = iter(inputs[following])
    return found
