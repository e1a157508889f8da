"""Setting a stimulus through a source, where the rig file says so: set by command, confirmed by readback.

With caution: this moves mains or heat while nobody is there. It is off unless configured, never sets
anything outside of the bounds written in the rig file, and sends once for each time a phase is due: a
source that trips its own protection stays tripped until somebody has looked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from rig.clock import Clock
from rig.daemon.instrument_commands import Send
from rig.daemon.observers.record_observer import Announce
from rig.domain import switching
from rig.domain.formatting import quantity, with_tolerance
from rig.domain.model import Channel, EventKind, Scan, Status
from rig.domain.program import PhaseTarget, StimulusSource
from rig.domain.switching import Switch, SwitchAction, SwitchSignal, SwitchState

RAMP_STEPS = 60
SHORTEST_STEP_NS = 1_000_000_000
CAUTION = "soakrig sets this source unattended; hard-wired limits at the source must work without it"


@dataclass(slots=True)
class _Setting:
    target: PhaseTarget
    began_ns: int
    start: float
    ramp_s: float
    sent_ns: int = 0
    ramping: bool = True
    complained: bool = False
    switch: Switch = switching.IDLE


class Sources:
    """Sources that set stimuli. ``specs``: by channel."""

    def __init__(
        self,
        *,
        specs: Mapping[str, StimulusSource],
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
        self._settings: dict[str, _Setting] = {}
        self._answers: deque[tuple[str, _Setting, int, str, int]] = deque()
        self._looks = [[(at, name) for at, name in enumerate(names) if name in specs] for names in blocks]

    def forget(self, foreign: Container[str] = ()) -> None:
        """Drop pending settings: another phase is due. What has been sent stays.

        foreign: channels whose settings another group waits for.
        """
        self._settings = {name: one for name, one in self._settings.items() if name in foreign}

    def bring(self, channel: str, target: PhaseTarget, reads: float, ramp_s: float) -> None:
        """Have a stimulus set to its target, from what it reads now; once until it is forgotten."""
        if channel not in self._settings:
            now_ns = self._clock.boot_ns()
            self._hurry(None, f"{channel} is about to be set")
            self._settings[channel] = _Setting(target=target, began_ns=now_ns, start=reads, ramp_s=ramp_s)

    def scan(self, scan: Scan) -> None:
        """See whether a reading taken after the command shows the target."""
        for at, channel in self._looks[scan.block]:
            setting = self._settings.get(channel)
            if setting is None or setting.switch.state is not SwitchState.SENT:
                continue
            value = scan.values[at]
            after = scan.statuses[at] == Status.GOOD and scan.sent_ns >= setting.sent_ns
            if after and setting.target.low <= value <= setting.target.high:
                self._signal(channel, setting, SwitchSignal.SEEN_OFF, self._reading(channel, value))

    def tick(self) -> None:
        """Take the results of commands, continue ramps, time out what is overdue."""
        while self._answers:
            channel, setting, attempt, trouble, boot_ns = self._answers.popleft()
            if self._settings.get(channel) is not setting:
                continue
            if setting.ramping:
                if trouble and not setting.complained:
                    setting.complained = True
                    self._say(channel, setting, "refused", f"ramp step of {channel} failed: {trouble}")
            elif attempt == setting.switch.attempt:
                setting.sent_ns = setting.sent_ns if trouble else boot_ns
                self._signal(
                    channel, setting, SwitchSignal.REFUSED if trouble else SwitchSignal.SENT, trouble
                )
        now_ns = self._clock.boot_ns()
        for channel, setting in list(self._settings.items()):
            if setting.ramping:
                self._ramp(channel, setting, now_ns)
            elif switching.is_late(setting.switch, now_ns):
                self._signal(channel, setting, SwitchSignal.LATE, "")

    def _ramp(self, channel: str, setting: _Setting, now_ns: int) -> None:
        share = (now_ns - setting.began_ns) / 1e9 / setting.ramp_s if setting.ramp_s else 1.0
        if share >= 1.0:
            setting.ramping = False
            self._signal(channel, setting, SwitchSignal.TRIP, "")
            return
        step_ns = max(SHORTEST_STEP_NS, round(setting.ramp_s / RAMP_STEPS * 1e9))
        if now_ns - setting.sent_ns >= step_ns:
            if not setting.sent_ns:
                start = self._reading(channel, setting.start)
                text = f"ramp of {channel} from {start} to {self._wanted(channel, setting)} started"
                self._say(channel, setting, "ordered", text)
            setting.sent_ns = now_ns
            self._tell(channel, setting, setting.start + share * (setting.target.value - setting.start))

    def _signal(self, channel: str, setting: _Setting, signal: SwitchSignal, why: str) -> None:
        spec = self._specs[channel]
        setting.switch, action = switching.step(setting.switch, spec, signal, self._clock.boot_ns())
        wanted = self._wanted(channel, setting)
        attempt = f"try {setting.switch.attempt} of {spec.tries}"
        said = {
            SwitchAction.SEND: (
                "ordered",
                f"setting {channel} to {wanted} through {spec.instrument}, {attempt}",
            ),
            SwitchAction.SAY_SENT: ("sent", f"command sent to {spec.instrument}: set {channel} to {wanted}"),
            SwitchAction.SAY_REFUSED: (
                "refused",
                f"command to {spec.instrument} for {channel} failed: {why}",
            ),
            SwitchAction.SAY_OFF: ("confirmed", f"{channel} reads {why}, target {wanted} reached"),
            SwitchAction.SAY_FAILED: (
                "failed",
                f"{channel} NOT at {wanted} after {spec.tries} tries: set it by hand",
            ),
        }
        if action in said:
            self._say(channel, setting, *said[action])
        if action is SwitchAction.SEND:
            self._tell(channel, setting, setting.target.value)

    def _tell(self, channel: str, setting: _Setting, value: float) -> None:
        spec, attempt = self._specs[channel], setting.switch.attempt
        done = partial(self._answered, channel, setting, attempt)
        try:
            self._send(spec.instrument, [spec.words(value)], done)
        except ValueError as error:
            done(str(error), self._clock.boot_ns())

    def _answered(self, channel: str, setting: _Setting, attempt: int, trouble: str, boot_ns: int) -> None:
        """Keep what a bus's thread says until the recorder's thread looks."""
        self._answers.append((channel, setting, attempt, trouble, boot_ns))

    def _say(self, channel: str, setting: _Setting, what: str, text: str) -> None:
        spec = self._specs[channel]
        data: dict[str, Any] = {
            "what": what,
            "purpose": "source",
            "channel": channel,
            "instrument": spec.instrument,
            "value": setting.target.value,
            "tolerance": setting.target.tolerance,
            "attempt": setting.switch.attempt,
            "tries": spec.tries,
            "state": str(setting.switch.state),
            "caution": CAUTION,
        }
        self._announce(EventKind.SWITCH, spec.instrument, text, data)

    def _wanted(self, channel: str, setting: _Setting) -> str:
        unit = self._channels[channel].unit_of_measure
        return with_tolerance(setting.target.value, setting.target.tolerance, unit)

    def _reading(self, channel: str, value: float) -> str:
        facts = self._channels[channel]
        return quantity(value, facts.unit_of_measure, facts.resolution)
