"""Switching units off on a trip limit: the shell around ``rig.domain.switching``.

A convenience that keeps evidence from burning. It is no protection: it depends on this process, the bus,
the instrument and the relay. Hard-wired cut-outs, fuses and residual-current protection do without it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from functools import partial

from rig.clock import Clock
from rig.daemon.instrument_commands import Send
from rig.daemon.observers.record_observer import Announce
from rig.domain import switching
from rig.domain.formatting import quantity, setting
from rig.domain.model import Channel, Event, EventKind, Scan, Status
from rig.domain.switching import CAUTION, Switch, SwitchAction, SwitchOff, SwitchSignal, SwitchState

BY_HAND = "somebody must go there and switch it off at the mains; beware of hot parts and stored energy"


class SwitchingOff:
    """Observer that switches units off on trip limits; ``states``: by unit."""

    def __init__(
        self,
        *,
        specs: Mapping[str, SwitchOff],
        channels: Mapping[str, Channel],
        blocks: Sequence[tuple[str, ...]],
        send: Send,
        announce: Announce,
        clock: Clock,
        hurry: Callable[[str | None, str], None] = lambda _unit, _reason: None,
    ) -> None:
        self._specs = specs
        self._channels = channels
        self._send = send
        self._announce = announce
        self._clock = clock
        self._hurry = hurry
        self._now: dict[str, Switch] = dict.fromkeys(specs, switching.IDLE)
        self._sent_ns: dict[str, int] = dict.fromkeys(specs, 0)
        self._answers: deque[tuple[str, int, str, int]] = deque()
        self._looks = [
            [(at, one) for at, name in enumerate(names) for one in specs.values() if one.channel == name]
            for names in blocks
        ]

    def scan(self, scan: Scan) -> None:
        """See whether a reading taken after the command shows the unit off, or on again."""
        for at, spec in self._looks[scan.block]:
            state = self._now[spec.unit].state
            if state is SwitchState.READY or scan.statuses[at] != Status.GOOD:
                continue
            if scan.sent_ns < self._sent_ns[spec.unit]:
                continue
            off = spec.is_off(scan.values[at])
            channel = self._channels[spec.channel]
            reads = quantity(scan.values[at], channel.unit_of_measure, channel.resolution)
            self._signal(spec, SwitchSignal.SEEN_OFF if off else SwitchSignal.SEEN_ON, reads)

    def event(self, event: Event) -> None:
        """Start switching off when a trip limit has been out for its on-delay."""
        if event.kind is not EventKind.LIMIT_OUT or event.data.get("trip") is not True:
            return
        channel = self._channels.get(event.subject)
        spec = self._specs.get(channel.unit or "") if channel is not None else None
        if spec is not None:
            self._signal(spec, SwitchSignal.TRIP, event.text)

    def tick(self) -> None:
        """Take the results of commands, and time out those that are overdue."""
        while self._answers:
            unit, attempt, trouble, boot_ns = self._answers.popleft()
            if attempt != self._now[unit].attempt:
                continue  # the answer to an earlier try, given up since
            if trouble:
                self._signal(self._specs[unit], SwitchSignal.REFUSED, trouble)
            else:
                self._sent_ns[unit] = boot_ns
                self._signal(self._specs[unit], SwitchSignal.SENT, "")
        now_ns = self._clock.boot_ns()
        for unit, switch in self._now.items():
            if switching.is_late(switch, now_ns):
                self._signal(self._specs[unit], SwitchSignal.LATE, "")

    def close(self) -> None:
        """Do nothing: commands under way are not waited for."""

    def _signal(self, spec: SwitchOff, signal: SwitchSignal, why: str) -> None:
        switch, action = switching.step(self._now[spec.unit], spec, signal, self._clock.boot_ns())
        self._now[spec.unit] = switch
        if action is not None:
            self._say(spec, switch, action, why)
        if action is SwitchAction.SEND:
            self._hurry(spec.unit, f"{spec.unit} is about to be switched off")
            try:
                self._send(spec.instrument, spec.commands, partial(self._answered, spec.unit, switch.attempt))
            except ValueError as error:
                self._answered(spec.unit, switch.attempt, str(error), self._clock.boot_ns())

    def _answered(self, unit: str, attempt: int, trouble: str, boot_ns: int) -> None:
        """Keep what a bus's thread says until the recorder's thread looks."""
        self._answers.append((unit, attempt, trouble, boot_ns))

    def _say(self, spec: SwitchOff, switch: Switch, action: SwitchAction, why: str) -> None:
        commands = ", ".join(spec.commands)
        unit, limit, tries = spec.unit, self._limit(spec), spec.tries
        what, text = {
            SwitchAction.SEND: (
                "ordered",
                (
                    f"switching {unit} off, try {switch.attempt} of {tries}: command {commands} to "
                    f"{spec.instrument}"
                ),
            ),
            SwitchAction.SAY_SENT: (
                "sent",
                f"{commands} sent to {spec.instrument}; waiting for {limit}",
            ),
            SwitchAction.SAY_REFUSED: ("refused", f"command {commands} to {spec.instrument} failed: {why}"),
            SwitchAction.SAY_OFF: ("confirmed", f"{unit} is off: {spec.channel} reads {why} (off: {limit})"),
            SwitchAction.SAY_ON: ("on", f"{unit} is on again: {spec.channel} reads {why}"),
            SwitchAction.SAY_FAILED: (
                "failed",
                f"{unit} could NOT be switched off in {tries} tries ({limit} not seen): {BY_HAND}",
            ),
        }[action]
        data = {"what": what, "purpose": "switch-off", **switching.as_data(spec, switch), "why": why}
        if action is SwitchAction.SEND:
            data["caution"] = CAUTION
        self._announce(EventKind.SWITCH, unit, text, data)

    def _limit(self, spec: SwitchOff) -> str:
        unit = self._channels[spec.channel].unit_of_measure
        if spec.high < float("inf"):
            return f"{spec.channel} below {setting(spec.high, unit)}"
        return f"{spec.channel} above {setting(spec.low, unit)}"
