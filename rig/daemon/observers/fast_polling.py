"""Fast polling of channels near a limit or approaching one, as fast as the rig file allows.

Off unless an instrument says ``fast-poll``. When a channel becomes urgent, every instrument of its unit
that may is polled fast, since it is their order that will be asked for; the recording says when.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet

from rig.clock import Clock
from rig.daemon.intake import Intake, Notice
from rig.daemon.poller import FastPollRequests
from rig.domain.formatting import setting
from rig.domain.model import Channel, EventKind, Scan
from rig.domain.urgency import Urgency
from rig.rigfile.config import RigConfig

HOLD_NS = 20_000_000_000
"""How long fast polling continues after the last urgent reading."""
MOST_NS = 180_000_000_000
"""Longest stretch of fast polling: a unit that stays out (dead, or cooling for hours) is old news."""
HORIZON_S = 10.0
"""A channel that would reach a limit within this time is urgent."""


class FastPolling:
    """Requests fast polls of instruments with urgent channels, and records it."""

    def __init__(
        self,
        config: RigConfig,
        blocks: Sequence[tuple[str, ...]],
        fast_requests: FastPollRequests,
        intake: Intake,
        clock: Clock,
    ) -> None:
        self._blocks = blocks
        self._urgency = Urgency(blocks, config.layout.channels, HORIZON_S)
        self._fast_requests = fast_requests
        self._intake = intake
        self._clock = clock
        self._owner = {name: channel.unit for name, channel in config.layout.channels.items()}
        self._instruments = _by_unit(config)
        self._until_ns: dict[str | None, int] = {}
        self._began_ns: dict[str | None, int] = {}
        self._urgent_ns: dict[str | None, int] = {}

    @property
    def wanted(self) -> bool:
        """Whether any instrument may be polled fast at all."""
        return bool(self._instruments)

    def consider(self, scan: Scan, near: AbstractSet[str]) -> None:
        """Ask for fast polls if a channel of this scan is beyond a bound or will soon be."""
        for channel in self._urgency.feed(scan):
            self._ask(self._owner[channel], f"{channel} approaches a limit")
        for channel in near:
            self._ask(self._owner[channel], f"{channel} is beyond a limit or warning")

    def hurry(self, unit: str | None, reason: str) -> None:
        """Poll fast for a while, since something is about to be switched: for one unit, or (None) for all.

        Inrush and what follows are the hardest moments; their order is asked for when a unit dies of them.
        """
        for one in list(self._instruments) if unit is None else [unit]:
            self._ask(one, reason)

    def _ask(self, unit: str | None, reason: str) -> None:
        """Poll the instruments of a unit (None: of the room) fast from now on, for a while."""
        instruments = self._instruments.get(unit, {})
        if not instruments:
            return
        now_ns = self._clock.monotonic_ns()
        if now_ns - self._urgent_ns.get(unit, -HOLD_NS) >= HOLD_NS:
            self._began_ns[unit] = now_ns
        self._urgent_ns[unit] = now_ns
        until_ns = min(now_ns + HOLD_NS, self._began_ns[unit] + MOST_NS)
        if until_ns <= now_ns:
            return
        for name in instruments:
            self._fast_requests.ask(name, until_ns)
        if unit not in self._until_ns:
            periods = ", ".join(
                f"{name} every {setting(period, 's')}" for name, period in instruments.items()
            )
            self._say(unit, f"fast polling of {unit or 'the room'} ({reason}): {periods}", begins=True)
        self._until_ns[unit] = until_ns

    def arm(self, channels: Mapping[str, Channel]) -> None:
        """Hurry by these channels' limits from now on."""
        self._urgency = Urgency(self._blocks, channels, HORIZON_S)

    def tick(self) -> None:
        """Say of each unit whose time is over that the ordinary polls are back."""
        now_ns = self._clock.monotonic_ns()
        for unit in [unit for unit, until_ns in self._until_ns.items() if until_ns <= now_ns]:
            del self._until_ns[unit]
            self._say(unit, f"normal polling of {unit or 'the room'}", begins=False)

    def _say(self, unit: str | None, text: str, *, begins: bool) -> None:
        self._intake.notice(
            Notice(
                kind=EventKind.FAST_POLL,
                boot_ns=self._clock.boot_ns(),
                subject=unit or "run",
                text=text,
                data={"begins": begins, "instruments": self._instruments.get(unit, {})},
            )
        )


def _by_unit(config: RigConfig) -> Mapping[str | None, dict[str, float]]:
    """Return, per unit (None: the room), its instruments that may be polled fast, and how fast (s)."""
    found: dict[str | None, dict[str, float]] = {}
    for channel in config.layout.channels.values():
        if channel.source is None:
            continue
        instrument = config.instruments[channel.source.instrument]
        if instrument.fast_poll_s is not None:
            found.setdefault(channel.unit, {})[instrument.name] = instrument.fast_poll_s
    return found
