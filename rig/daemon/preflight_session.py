"""Pre-flight: a short session that checks the rig step by step and records the results.

A person is prompted for the steps that need hands; where the rig file says how, units are switched by
command instead. All readings are recorded as usual. Only trip limits are in force: a unit that is off and
cold is no alarm.
"""

from __future__ import annotations

import math
import queue
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

from rig.clock import Clock, wall_clock_synchronised
from rig.daemon.instrument_commands import Send
from rig.daemon.observers.record_observer import Announce
from rig.daemon.probe import disk_facts
from rig.domain import preflight_checks as judge
from rig.domain.model import EventKind, Scan
from rig.domain.preflight_checks import CheckResult, CheckVerdict, Gathered, PowerSwitch, unjudged
from rig.rigfile.config import RigConfig

CAUTION = (
    "before anything is switched on: loads connected, covers closed, nobody near; mains voltage kills, and a "
    "variac does not isolate"
)
NEWEST = 3
"""Number of newest readings averaged for a sensor's present value."""
SKIPS = frozenset({"s", "skip"})
COMMAND_S = 30.0
"""Longest wait for a command to be sent."""


class Guide:
    """Prompts for the steps that need a person: Enter for done, ``s`` to skip a step.

    lines: the answers typed; None where nobody is there: what can be stated beforehand is assumed, what
    needs a person at the right moment is skipped. Output has a thread of its own, so that a blocked
    terminal blocks nothing else.
    """

    def __init__(self, say: Callable[[str], None], lines: Iterable[str] | None) -> None:
        self._say = say
        self._lines = lines
        self._to_say: queue.Queue[tuple[str, bool]] = queue.Queue()
        self._answers: deque[str] = deque()
        self._said = threading.Event()
        threading.Thread(target=self._talk, name="guide", daemon=True).start()

    def tell(self, text: str) -> None:
        """Print a line."""
        self._to_say.put((text, False))

    def ask(self, text: str, *, stated: bool) -> None:
        """Prompt for a step; ``stated``: it can be assumed where nobody is there."""
        if self._lines is not None:
            self._to_say.put((f"\nACTION: {text}\n   [Enter] done  [s] skip", True))
            return
        self._answers.append("" if stated else "skip")
        self.tell(f"({'assumed' if stated else 'skipped, nobody to do it'}: {text})")

    def answer(self) -> str | None:
        """Return the next answer, None while there is none."""
        return self._answers.popleft() if self._answers else None

    def finish(self, timeout_s: float = 5.0) -> None:
        """Wait until all lines are printed, but never for an answer."""
        self._said.clear()
        self._to_say.put(("", False))
        self._said.wait(timeout_s)

    def _talk(self) -> None:
        answers = iter(self._lines or ())
        while True:
            text, asks = self._to_say.get()
            if text:
                self._say(text)
            else:
                self._said.set()
            if asks:
                self._answers.append(next(answers, "skip").strip().lower())


@dataclass(frozen=True, slots=True, kw_only=True)
class ObserverTools:
    """Tools of the session that the pre-flight may use."""

    blocks: Sequence[tuple[str, ...]]
    send: Send
    announce: Announce
    stop: Callable[[str], None]
    clock: Clock


Wait = Callable[[], bool]
"""Returns True when the script may continue."""


class PreflightSession:
    """Observer that works through the checks and then ends the session. ``found``: their results."""

    def __init__(self, config: RigConfig, guide: Guide) -> None:
        self.found: list[CheckResult] = []
        self._config = config
        self._layout = config.layout
        self._plan = config.preflight
        self._guide = guide
        self._tools: ObserverTools | None = None
        self._script: Generator[Wait, None, None] | None = None
        self._wait: Wait = lambda: True
        self._gathered: dict[str, Gathered] = {}
        self._newest: dict[str, deque[float]] = {}
        self._heard: dict[str, int] = {}

    def begin(self, tools: ObserverTools) -> None:
        """Begin; called once, before the first reading."""
        self._tools = tools
        self._script = self._steps()

    # ---- attending

    def scan(self, scan: Scan) -> None:
        """Collect the readings of a scan."""
        for channel, value, status in zip(
            self._the.blocks[scan.block], scan.values, scan.statuses, strict=True
        ):
            self._gathered.setdefault(channel, Gathered()).take(value, status)
            if status == 0:
                self._newest.setdefault(channel, deque(maxlen=NEWEST)).append(value)
                self._heard[channel] = self._heard.get(channel, 0) + 1

    def event(self, event: object) -> None:
        """Ignore events."""

    def tick(self) -> None:
        """Continue the script when its wait is over."""
        if self._script is None or not self._wait():
            return
        try:
            self._wait = next(self._script)
        except StopIteration:
            self._script = None
            self._the.stop("pre-flight complete")

    def close(self) -> None:
        """Close the script if it was stopped early."""
        if self._script is not None:
            self._script.close()

    @property
    def through(self) -> bool:
        """Whether the script ran to its end."""
        return self._script is None

    @property
    def _the(self) -> ObserverTools:
        assert self._tools is not None, "begin() comes first"
        return self._tools

    # ---- the script

    def _steps(self) -> Generator[Wait, None, None]:
        self._guide.tell(CAUTION)
        clock = self._the.clock
        today = datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC).date()
        self._say(judge.calibration(self._layout, today, self._config.planned_s))
        self._say(judge.disk(*disk_facts(self._config)))
        self._say(judge.clock(wall_clock_synchronised()))
        yield from self._cold()
        for unit in self._layout.units:
            yield from self._one_unit(unit)
        yield from self._all_on()
        whole = judge.summary(self.found)
        self._the.announce(EventKind.CHECK, "run", whole.text, {"check": "summary", **whole.data})
        self._guide.tell(whole.text)

    def _cold(self) -> Generator[Wait, None, None]:
        done = yield from self._hands(
            "all units off and at ambient temperature", list(self._layout.units), on=False
        )
        yield from self._watch()
        self._say(judge.online(self._layout, self._gathered))
        if not done:
            why = "nobody confirmed that the units are off and cold"
            self._say([unjudged("near ambient", "run", why), unjudged("noise with power off", "run", why)])
            return
        self._say(judge.near_ambient(self._plan, self._layout, self._gathered))
        self._say(judge.noise(self._plan, self._layout, self._gathered, "off"))

    def _one_unit(self, unit: str) -> Generator[Wait, None, None]:
        sensors = [name for one in self._layout.units for name in self._plan.sensors_of(self._layout, one)]
        yield from self._fresh(sensors)
        before = {name: self._stands(name) for name in sensors}
        own = self._plan.sensors_of(self._layout, unit)
        if own and all(before[name] is None for name in own):
            self._say(
                [
                    unjudged(
                        "sensor assignment", unit, f"no sensor of {unit} gives readings; the unit stays off"
                    )
                ]
            )
            return
        done = yield from self._hands(f"switch {unit} on and drive it, all others off", [unit], on=True)
        if not done:
            self._say([unjudged("sensor assignment", unit, f"{unit} was not switched on alone")])
            return

        def rises() -> dict[str, float | None]:
            found: dict[str, float | None] = {}
            for name in sensors:
                now, then = self._stands(name), before[name]
                found[name] = None if now is None or then is None else now - then
            return found

        def all_warm() -> bool:
            now = rises()
            return all((now[name] or 0.0) >= self._plan.rise for name in own)

        yield self._until(all_warm, self._plan.within_s)
        self._say(judge.warmed(self._plan, self._layout, unit, rises()))
        yield from self._hands(f"switch {unit} off", [unit], on=False)

    def _all_on(self) -> Generator[Wait, None, None]:
        if not self._heard:
            why = "no instrument gives readings; nothing is switched on"
            self._say([unjudged("noise with power on", "run", why), unjudged("load resistance", "run", why)])
            return
        done = yield from self._hands("switch all units on and drive them", list(self._layout.units), on=True)
        if not done:
            why = "the units were not switched on"
            self._say([unjudged("noise with power on", "run", why), unjudged("load resistance", "run", why)])
            return
        yield from self._watch()
        self._say(judge.noise(self._plan, self._layout, self._gathered, "on"))
        self._say(judge.load(self._plan, self._layout, self._gathered))

    # ---- steps

    def _hands(self, what: str, units: Sequence[str], *, on: bool) -> Generator[Wait, None, bool]:
        """Switch units, by command where possible, else by hand; return whether it was done."""
        switches = self._plan.switches
        if units and all(unit in switches for unit in units):
            troubles = []
            for unit in units:
                trouble = yield from self._command(unit, switches[unit], on=on)
                troubles += [trouble] if trouble else []
            self._say(troubles)
            return not troubles
        self._guide.ask(what, stated=not on)
        answers: list[str] = []

        def answered() -> bool:
            said = self._guide.answer()
            if said is not None:
                answers.append(said)
            return said is not None

        yield answered
        return answers[0] not in SKIPS

    def _command(
        self, unit: str, switch: PowerSwitch, *, on: bool
    ) -> Generator[Wait, None, CheckResult | None]:
        """Switch one unit by command; return the failed check, None if it worked."""
        answers: list[str] = []

        def done(trouble: str, boot_ns: int) -> None:
            answers.append(trouble)

        word, commands = ("on", switch.on) if on else ("off", switch.off)
        self._guide.tell(f"switching {unit} {word}: command {', '.join(commands)} to {switch.instrument}")
        data = {"what": "ordered", "purpose": "pre-flight", "unit": unit, "instrument": switch.instrument}
        text = f"pre-flight: switching {unit} {word}, command {', '.join(commands)} to {switch.instrument}"
        self._the.announce(EventKind.SWITCH, unit, text, {**data, "commands": list(commands)})
        self._the.send(switch.instrument, commands, done)
        yield self._until(lambda: bool(answers), COMMAND_S)
        trouble = answers[0] if answers else f"not sent within {COMMAND_S:g} s"
        if not trouble:
            return None
        text = f"{unit} could not be switched {word}: {trouble}"
        return CheckResult(check="switching", subject=unit, verdict=CheckVerdict.BAD, text=text)

    def _watch(self) -> Generator[Wait, None, None]:
        """Gather readings for the time that the rig file says."""
        yield from self._fresh(list(self._layout.channels))
        self._gathered.clear()
        yield self._until(lambda: False, self._plan.watch_s)

    def _fresh(self, channels: Sequence[str]) -> Generator[Wait, None, None]:
        """Wait until every channel has been read anew a few times, or long enough for that."""
        heard = dict(self._heard)
        slowest_s = max(
            (one.poll_s + one.timeout_s for one in self._config.instruments.values()), default=0.0
        )

        def anew() -> bool:
            return all(self._heard.get(name, 0) >= heard.get(name, 0) + NEWEST for name in channels)

        yield self._until(anew, 2 * NEWEST * slowest_s)

    def _until(self, done: Wait, longest_s: float) -> Wait:
        """Return a wait for ``done``, or until ``longest_s`` have passed."""
        end_ns = self._the.clock.monotonic_ns() + round(longest_s * 1e9)
        return partial(_either, done, lambda: self._the.clock.monotonic_ns() >= end_ns)

    def _stands(self, channel: str) -> float | None:
        newest = self._newest.get(channel, ())
        return math.fsum(newest) / len(newest) if newest else None

    def _say(self, found: Sequence[CheckResult]) -> None:
        for one in found:
            self.found.append(one)
            data: Mapping[str, object] = {"check": one.check, "verdict": str(one.verdict), **one.data}
            self._the.announce(EventKind.CHECK, one.subject, f"{one.check}: {one.text}", data)
            self._guide.tell(f"{one.verdict:10}  {one.check}: {one.text}")


def _either(one: Wait, other: Wait) -> bool:
    return one() or other()
