"""Observers of the recorder: each sees every scan and event after it is written, and may announce more.

An observer runs in the recorder's thread. Its announcements go through the intake like any other notice, so
they keep their place in the record; its instrument commands go through the queue of the bus.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from rig.clock import Clock
from rig.daemon.intake import Intake, Notice
from rig.domain.layout_json import limits_to_json
from rig.domain.limit_evaluation import Evaluation, LimitFinding
from rig.domain.limit_history import KEY, Rest, all_awake, awake, rest_after
from rig.domain.model import Channel, Event, EventKind, Layout, Limit, Scan


class RecordObserver(Protocol):
    """Observer of the record."""

    def scan(self, scan: Scan) -> None:
        """Look at a scan that has been written."""
        ...

    def event(self, event: Event) -> None:
        """Look at an event that has been written."""
        ...

    def tick(self) -> None:
        """Let time pass; called several times a second."""
        ...

    def close(self) -> None:
        """Put things in order at the end: everything recorded is durable by now."""
        ...


class Armed(Protocol):
    """Component that depends on the limits in force."""

    def arm(self, channels: Mapping[str, Channel]) -> None:
        """Go by these channels' limits from now on."""
        ...


class Announce(Protocol):
    """Has an event recorded; ``boot_ns``: when it became true, now if not given."""

    def __call__(
        self, kind: EventKind, subject: str, text: str, data: Mapping[str, Any], boot_ns: int | None = None
    ) -> None:
        """Have it recorded."""
        ...


class Announcer:
    """Has events recorded by handing them to the recorder."""

    def __init__(self, intake: Intake, clock: Clock) -> None:
        self._intake = intake
        self._clock = clock

    def __call__(
        self, kind: EventKind, subject: str, text: str, data: Mapping[str, Any], boot_ns: int | None = None
    ) -> None:
        """Hand an event to the recorder; ``boot_ns``: when it became true, now if not given."""
        at_ns = self._clock.boot_ns() if boot_ns is None else boot_ns
        self._intake.notice(Notice(kind=kind, boot_ns=at_ns, subject=subject, text=text, data=data))

    def findings(self, found: Sequence[LimitFinding]) -> None:
        """Hand over what an evaluation noticed."""
        for one in found:
            self(one.kind, one.channel, one.text, one.data, one.boot_ns)


class LimitsInForce:
    """Limits in force, from the rig file, a reload or the phase.

    layout: of the session's own rig file, which a reader of the record starts from; ``base``: the channels of
    the rig file in force; the phase's limits lie over these.
    """

    def __init__(
        self,
        *,
        layout: Layout,
        evaluation: Evaluation,
        announce: Announcer,
        clock: Clock,
        others: Sequence[Armed] = (),
    ) -> None:
        self._frozen = layout.channels
        self.base: Mapping[str, Channel] = layout.channels
        self._empty: frozenset[str] = frozenset()
        self._layout = layout
        self._rests: dict[str, Rest] = all_awake(layout)
        self.phase: Mapping[str, tuple[Limit, ...]] = {}
        self._evaluation = evaluation
        self._announce = announce
        self._clock = clock
        self._others = others

    def reload(self, base: Mapping[str, Channel]) -> None:
        """Go by another rig file's limits."""
        self.base = base
        self._arm()

    def enter(self, phase: Mapping[str, tuple[Limit, ...]]) -> None:
        """Go by a phase's limits, by channel; the others keep the rig file's."""
        if phase != self.phase:
            self.phase = phase
            self._arm()

    def rest(self, rests: Mapping[str, Rest]) -> None:
        """Let the limits of units sleep or wake, by place."""
        if any(self._rests.get(unit) is not one for unit, one in rests.items()):
            self._rests |= rests
            self._arm()

    def seat(self, serials: Mapping[str, str]) -> None:
        """Let the limits of empty places sleep; serials: who sits where, '' for nobody."""
        was = self._rests
        self.rest(
            {
                unit: Rest.ALL if not serial else Rest.NONE if unit in self._empty else was[unit]
                for unit, serial in serials.items()
                if unit in was
            }
        )
        self._empty = frozenset(unit for unit, serial in serials.items() if not serial)

    def follow(self, event: Event) -> None:
        """Let limits sleep and wake as an event says."""
        self.rest({one: rest_after(self._layout, one, event, was) for one, was in self._rests.items()})

    def channels(self) -> dict[str, Channel]:
        """Return all channels with the limits of rig file and phase, whether they sleep or not."""
        return {
            name: replace(channel, limits=self.phase.get(name, channel.limits))
            for name, channel in self.base.items()
        }

    def data(self) -> dict[str, Any]:
        """Return what an event must carry for readers to know the limits from then on."""
        return {
            KEY: {
                name: limits_to_json(channel.limits)
                for name, channel in self.channels().items()
                if channel.limits != self._frozen[name].limits
            }
        }

    def _arm(self) -> None:
        channels = awake(self.channels(), self._rests, self._layout)
        self._announce.findings(self._evaluation.arm(channels, self._clock.boot_ns()))
        for one in self._others:
            one.arm(channels)
