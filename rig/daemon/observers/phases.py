"""Test program of a session, for each group of units that share a source.

Announces what is due, confirms it by readback, counts the time of each unit, and puts the limits of the
phases in force. Stimuli with a source in the rig file are set by command; all others are set by a person.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from rig.clock import Clock
from rig.daemon.observers.group_program import GroupProgram, SharedParts
from rig.daemon.observers.order_inbox import order_data
from rig.daemon.observers.record_observer import Announce, LimitsInForce
from rig.daemon.observers.stimulus_sources import Sources
from rig.daemon.resume import Keeper
from rig.domain import group_limits, program_state
from rig.domain.kept_progress import SERIALS
from rig.domain.model import Layout, Scan
from rig.domain.orders import Order
from rig.domain.program import Program
from rig.domain.source_groups import source_groups

SAVE_NS = 10_000_000_000
"""How much of a phase's time a crash may cost."""
LOOK_NS = 90_000_000
GROUPS = "groups"


class Phases:
    """Observer that runs the test program of a session. ``groups``: one for each group of units."""

    def __init__(
        self,
        *,
        program: Program,
        layout: Layout,
        blocks: Sequence[tuple[str, ...]],
        stale_s: Mapping[str, float],
        limits: LimitsInForce,
        sources: Sources,
        keeper: Keeper,
        announce: Announce,
        clock: Clock,
    ) -> None:
        self.program = program
        self._layout = layout
        self._limits = limits
        self._sources = sources
        self._keeper = keeper
        self._clock = clock
        self._saved_ns = self._looked_ns = clock.boot_ns()
        shared = SharedParts(
            blocks=blocks,
            stale_s=stale_s,
            serials=keeper.serials,
            sources=sources,
            announce=announce,
            clock=clock,
            in_force=self._enter,
            limits=limits.data,
            save=self._save,
        )
        found = source_groups(layout)
        self.groups = [GroupProgram(one, program, layout, shared, alone=len(found) == 1) for one in found]
        self._start()

    def _start(self) -> None:
        parts = _parts(self._keeper.program)
        sits = [set(group.who().values()) for group in self.groups]
        for at, group in enumerate(self.groups):
            part = _part_of(parts, group.group.units)
            others = set().union(*sits[:at], *sits[at + 1 :])
            group.prepare(part, _serials(part, parts, sits[at], others), self._keeper.lost)
        self._enter()
        for group in self.groups:
            group.start()
        self._save()

    # ---- attending

    def scan(self, scan: Scan) -> None:
        """Take the readings that the phases depend on."""
        for group in self.groups:
            group.scan(scan)
        self._sources.scan(scan)

    def event(self, event: object) -> None:
        """Ignore events."""

    def tick(self) -> None:
        """Advance the program of each group."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._looked_ns < LOOK_NS:
            return
        self._looked_ns = now_ns
        self._follow_serials()
        for group in self.groups:
            group.tick(now_ns)
        self._sources.tick()
        if now_ns - self._saved_ns >= SAVE_NS:
            self._save()

    def close(self) -> None:
        """Save the program state."""
        self._save()

    def take_part(self, unit: str, takes: bool) -> None:
        """Let a unit take part from the next look on, or no longer: absent, failed, switched off.

        All units in their places take part until this says otherwise; an empty place never does.
        """
        for group in self.groups:
            if unit in group.group.units:
                group.take_part(unit, takes)

    def move(self, order: Order) -> None:
        """Carry out an order: hold, go, next, or a phase's name. Raises ValueError to refuse.

        It goes to the group of the unit that it names, else to all groups that can carry it out.
        """
        unit = order.text_of("unit")
        groups = [one for one in self.groups if not unit or unit in one.group.units]
        if not groups:
            raise ValueError(f"there is no position {unit!r}; there are: {', '.join(self._layout.units)}")
        said = {**order_data(order), "note": order.text_of("text")}
        refused = []
        for group in groups:
            try:
                group.move(order.text_of("to"), said)
            except ValueError as error:
                refused.append(error)
        if len(refused) == len(groups):
            raise refused[0]

    def reload(self, layout: Layout) -> None:
        """Use another rig file's limits; its program differs in nothing else."""
        if layout.program is not None:
            self._layout, self.program = layout, layout.program
            for group in self.groups:
                group.reload(layout, layout.program)
            self._enter()

    # ---- all groups

    def _enter(self) -> None:
        """Put the limits of the phases in force."""
        own = {name: channel.limits for name, channel in self._limits.base.items()}
        each = [
            (one.group, program_state.limits_in_force(self.program, one.state.lead, own))
            for one in self.groups
        ]
        self._limits.enter(group_limits.of_all(self._layout, each, own))

    def _follow_serials(self) -> None:
        """Let a serial number that sits in another group now bring along what it did."""
        if len(self.groups) == 1:
            return
        for group in self.groups:
            for serial in group.who().values():
                for other in self.groups:
                    if other is not group and (work := other.give_up(serial)):
                        group.take_over(serial, work)

    def _save(self) -> None:
        self._saved_ns = self._clock.boot_ns()
        parts = [{"units": list(one.group.units), **one.kept()} for one in self.groups]
        if len(parts) == 1:
            self._keeper.program = {name: value for name, value in parts[0].items() if name != "units"}
        else:
            # software that knows no groups goes on with the one that is least far
            least = min(parts, key=lambda one: one["at"])
            alone = {name: value for name, value in least.items() if name not in {"units", SERIALS, "out"}}
            self._keeper.program = {**alone, GROUPS: parts}
        self._keeper.save()


def _parts(kept: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return what is kept of each group; of a state without groups the whole."""
    groups = kept.get(GROUPS)
    if isinstance(groups, list):
        return [one for one in groups if isinstance(one, Mapping)]
    return [kept] if kept else []


def _part_of(parts: Sequence[Mapping[str, Any]], units: Sequence[str]) -> Mapping[str, Any]:
    """Return what is kept of these units: of the group that holds most of them; {} of none."""
    if not parts:
        return {}
    if "units" not in parts[0]:
        return parts[0]

    def shared(part: Mapping[str, Any]) -> int:
        named = part.get("units")
        return len(set(units) & set(named)) if isinstance(named, list) else 0

    best = max(parts, key=shared)
    return best if shared(best) else {}


def _serials(
    part: Mapping[str, Any],
    parts: Sequence[Mapping[str, Any]],
    mine: Collection[str],
    others: Collection[str],
) -> dict[str, Any] | None:
    """Return what is kept by serial number for one group; None: nothing, all of it has done the same.

    mine, others: serial numbers that sit in this group and in others.
    """
    own = part.get(SERIALS)
    if not isinstance(own, Mapping):
        return None
    known = {serial: work for one in parts for serial, work in _mapping(one.get(SERIALS)).items()}
    brought = {serial: known[serial] for serial in mine if serial in known}
    return brought | {serial: work for serial, work in own.items() if serial not in others}


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
