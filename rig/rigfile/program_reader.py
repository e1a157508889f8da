"""From the section ``program`` of a rig file to a ``Program``, with every contradiction found."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from rig.domain.formatting import setting
from rig.domain.model import Channel, Limit, Side
from rig.domain.program import Duty, Phase, PhaseCondition, PhaseTarget, Program, Steady, StimulusSource, each
from rig.domain.units import Amount, UnitError, difference
from rig.errors import shown
from rig.rigfile.channel_section import limits_at
from rig.rigfile.node import Node, NodePlace, entries, near
from rig.rigfile.program_section import (
    ConditionSection,
    PhaseLimitsSection,
    PhaseSection,
    ProgramSection,
    SourceSection,
)
from rig.rigfile.schema import build, take_keys
from rig.rigfile.switch_off_section import CheckCommand
from rig.rigfile.templates import overlaid

_BOUNDS = ("high", "low", "early-high", "early-low", "deadband", "on-delay", "trip")
_VALUE = re.compile(r"[^{}]*\{value(:[+]?[0-9]{0,2}(\.[0-9]{1,2})?[dfeg]?)?\}[^{}]*")


class ProgramReader:
    """Reads the program at ``place``. channels: every channel with its place, None where it is faulty."""

    def __init__(
        self,
        place: NodePlace,
        channels: Mapping[str, tuple[Channel | None, NodePlace]],
        units: Sequence[str],
        check: CheckCommand,
    ) -> None:
        self._place = place
        self._channels = channels
        self._units = units
        self._check = check

    def read(self) -> Program | None:
        """Return the program, None after adding its faults."""
        before = len(self._place.faults)
        taken = take_keys(ProgramSection, self._place.node, self._place.faults, self._place.path)
        settle_s = taken.get("settle_s", 10.0)
        phases = [
            phase
            for name, node in entries(self._place.node, "phases").items()
            if (phase := self._phase(name, self._at(node, f"phases.{name}"), settle_s)) is not None
        ]
        names = list(entries(self._place.node, "phases"))
        order = taken.get("order") or tuple(names)
        self._check_order(order, names)
        sources = {
            channel: source
            for channel, node in entries(self._place.node, "set").items()
            if (source := self._source(channel, self._at(node, f"set.{channel}"), phases)) is not None
        }
        if len(self._place.faults) > before:
            return None
        passes = taken.get("passes", 1)
        return Program(phases=tuple(phases), order=tuple(order), passes=passes, sources=sources)

    def _at(self, node: Node, path: str) -> NodePlace:
        return NodePlace(node, f"{self._place.path}.{path}", self._place.faults)

    def _check_order(self, order: Sequence[str], names: Sequence[str]) -> None:
        listed = entries(self._place.node).get("order")
        for at, name in enumerate(order):
            if name not in names:
                node = listed.value[at] if listed and isinstance(listed.value, list) else self._place.node
                self._at(node, f"order[{at}]").say("", f"there is no phase {name!r}", near(name, names))
        for name in names:
            if name not in order:
                found = f"the phase {name!r} is in no pass"
                self._place.say("order", found, "name it in order, or leave the phase out")

    # ---- one phase

    def _phase(self, name: str, place: NodePlace, settle_s: float) -> Phase | None:
        before = len(place.faults)
        section = build(PhaseSection, place.node, place.faults, place.path)
        limits = self._limits(place)
        if section is None:
            return None
        ends = [section.duration_s, section.count, section.until or None, section.by_hand or None]
        if all(one is None for one in ends):
            place.say("", "the phase never ends", "write duration, count, until, or by-hand: yes")
        if section.by_hand and any(one is not None for one in ends[:3]):
            place.say(
                "by-hand", "the phase has both by-hand and another end", "leave out by-hand, or what ends it"
            )
        if section.count is not None and section.drive is None:
            place.say("count", "cycles of a drive that is not described", "write drive: too")
        targets = {}
        for channel, (value, tolerance) in section.targets.items():
            at = self._at(entries(place.node, "targets")[channel], f"phases.{name}.targets.{channel}")
            target = self._target(at, channel, value, tolerance, limits)
            if target is not None:
                targets[channel] = target
        phase = Phase(
            name=name,
            duration_s=section.duration_s,
            count=section.count,
            targets=targets,
            limits=limits,
            until=tuple(self._condition(place, one) for one in section.until),
            settle_s=settle_s if section.settle_s is None else section.settle_s,
            warm_up_s=section.warm_up_s,
            steady=tuple(
                Steady(
                    channel=one.channel,
                    within=self._value(place, "steady", one.channel, one.within, step=True),
                    over_s=one.over_s,
                )
                for one in section.steady
            ),
            ramp_s=section.ramp_s,
            drive=self._drive(place, section),
            once=section.once,
            load=section.load,
            description=section.description,
            time_out_s=section.time_out_s,
        )
        return phase if len(place.faults) == before else None

    def _drive(self, place: NodePlace, section: PhaseSection) -> Duty | None:
        if section.drive is None:
            return None
        on_above = self._value(place, "drive.on-above", section.drive.channel, section.drive.on_above)
        return Duty(
            channel=section.drive.channel,
            on_above=on_above,
            on_s=section.drive.on_s,
            off_s=section.drive.off_s,
        )

    def _condition(self, place: NodePlace, section: ConditionSection) -> PhaseCondition:
        channel, low, high = section.channel, float("-inf"), float("inf")
        if section.above is not None:
            low = self._value(place, "until", channel, section.above)
        if section.below is not None:
            high = self._value(place, "until", channel, section.below)
        if low >= high:
            found = f"nothing is above {setting(low)} and below {setting(high)}"
            place.say("until", found, "write a value of below that is greater than that of above")
        return PhaseCondition(channel=channel, low=low, high=high)

    def _target(
        self,
        place: NodePlace,
        channel: str,
        value: Amount,
        tolerance: Amount,
        limits: Mapping[str, tuple[Limit, ...]],
    ) -> PhaseTarget | None:
        before = len(place.faults)
        target = PhaseTarget(
            value=self._value(place, "", channel, value),
            tolerance=self._value(place, "", channel, tolerance, step=True),
        )
        if len(place.faults) > before:
            return None
        if target.tolerance <= 0.0:
            place.say("", f"found a tolerance of {tolerance.text}", "write more than 0")
        for name in each(channel, self._units):
            self._check_target(place, name, target, limits)
        return target

    def _check_target(
        self, place: NodePlace, name: str, target: PhaseTarget, limits: Mapping[str, tuple[Limit, ...]]
    ) -> None:
        one = self._channels[name][0]
        if one is None:
            return
        if one.plausible and not (one.plausible[0] <= target.low and target.high <= one.plausible[1]):
            found = (
                f"{setting(target.low)} to {setting(target.high, one.unit_of_measure)} is partly "
                f"outside the plausible range of {name}"
            )
            place.say("", found, "write another target, or a wider plausible range at the channel")
        for limit in limits.get(name, one.limits):
            edge = target.high if limit.side is Side.HIGH else target.low
            if limit.is_out(edge):
                found = (
                    f"{name} may read {setting(edge, one.unit_of_measure)} within its tolerance, "
                    f"beyond its {limit.side} limit {setting(limit.value, one.unit_of_measure)}"
                )
                place.say("", found, "write limits for this phase, or a narrower tolerance")

    # ---- limits of a phase

    def _limits(self, place: NodePlace) -> dict[str, tuple[Limit, ...]]:
        found: dict[str, tuple[Limit, ...]] = {}
        for channel, node in entries(place.node, "limits").items():
            at = NodePlace(node, f"{place.path}.limits.{channel}", place.faults)
            take_keys(PhaseLimitsSection, node, place.faults, at.path)
            for name in each(channel, self._units):
                if name not in self._channels:
                    at.say("", f"there is no channel {name!r}", near(name, self._channels))
                    break
                limits = self._channel_limits(name, at)
                if limits is not None:
                    found[name] = limits
        return found

    def _channel_limits(self, name: str, place: NodePlace) -> tuple[Limit, ...] | None:
        """Return the channel's limits with those of the phase laid over them."""
        one, own = self._channels[name]
        if one is None or not isinstance(place.node.value, dict):
            return None
        dropped: tuple[str, ...] = ("limits",) if place.node.value else ()
        if "limits" in place.node.value:
            dropped = ("limits", *_BOUNDS)
        kept = {key: node for key, node in entries(own.node).items() if key not in dropped}
        base = Node(kept, own.node.line, own.node.file, own.node.key_line)
        return limits_at(NodePlace(overlaid(base, place.node), place.path, place.faults))

    # ---- sources

    def _source(self, channel: str, place: NodePlace, phases: Sequence[Phase]) -> StimulusSource | None:
        before = len(place.faults)
        section = build(SourceSection, place.node, place.faults, place.path)
        if section is None:
            return None
        if _VALUE.fullmatch(section.command) is None:
            place.say(
                "command", f"found {shown(section.command)}", "write {value} or {value:.1f} in it, once"
            )
            return None
        if "{unit}" in channel:
            place.say("", "a source supplies the whole room", "name a channel of the room")
            return None
        source = StimulusSource(
            instrument=section.instrument,
            command=section.command,
            lowest=self._value(place, "lowest", channel, section.lowest),
            highest=self._value(place, "highest", channel, section.highest),
            scale=section.scale,
            within_s=section.within_s,
            tries=section.tries,
        )
        wanted = {phase.name: phase.targets[channel] for phase in phases if channel in phase.targets}
        if not wanted and len(place.faults) == before:
            place.say("", f"{channel} is no target of any phase", "write a target, or leave it out")
        for name, target in wanted.items():
            try:
                self._check(section.instrument, source.words(target.value))
            except KeyError as error:
                found = f"there is no instrument {section.instrument!r}"
                place.say("instrument", found, near(section.instrument, error.args[0]))
                break
            except ValueError as error:
                place.say("command", f"for phase {name}: {error}", "see the target, lowest and highest")
        return source if len(place.faults) == before else None

    # ---- amounts

    def _value(
        self, place: NodePlace, at: str, channel: str, written: Amount, *, step: bool = False
    ) -> float:
        """Return an amount in the unit of a channel (step: a difference); 0 after adding a fault."""
        names = each(channel, self._units)
        missing = [name for name in names if name not in self._channels]
        if missing or not names:
            wrong = missing[0] if missing else channel
            place.say(at, f"there is no channel {wrong!r}", near(wrong, self._channels))
            return 0.0
        symbols = {one.unit_of_measure for name in names if (one := self._channels[name][0]) is not None}
        if len(symbols) > 1:
            place.say(at, f"{channel!r} is in {' and '.join(sorted(symbols))}", "use one unit of measure")
        if len(symbols) != 1:
            return 0.0
        try:
            symbol = symbols.pop()
            return difference(written, symbol) if step else written.to(symbol)
        except UnitError as error:
            place.say(at, error.found, error.allowed)
            return 0.0
