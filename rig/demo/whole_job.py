"""The whole job on the built-in room, told command by command: pre-flight, program, death, account, verdict.

Every step is the ordinary command in a process of its own, as a person would type it; what only a person
can do, turning the variac, is done by a hand that reads what the logger asks for.
"""

from __future__ import annotations

import contextlib
import functools
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.clock import SYSTEM
from rig.domain.formatting import counted, setting
from rig.domain.model import Event, EventKind
from rig.errors import SoakrigError
from rig.simulator import running_room
from rig.store.rundir import newest_run
from rig.store.tail import Tail

Say = Callable[[str], None]

PATIENCE_S = 60.0
"""How long the logger may take from one step of the program to the next, beyond the step itself."""
HAND_S = 0.8
"""How long a hand takes to the variac and to turn it."""
UNITS = 3
EXPECTED_CODES = {"preflight": (0, 4), "verdict": (0, 10, 11)}
"""Pre-flight may find the computer's clock unsynchronised; the verdict's exit code is its answer."""

JOB = """
# ---- added for the whole job: what runs, what proves the rig, what counts, what passes

program:
  settle: 1 s
  phases:
    low: {description: the lowest mains it is sold for, targets: {mains: 212 V +- 4 V}, duration: 8 s}
    nominal: {targets: {mains: 230 V +- 4 V}, duration: 8 s}
    high: {description: the highest mains, targets: {mains: 248 V +- 4 V}, duration: 24 s}

preflight:
  ambient: ambient
  near-ambient: 3 K
  watch: 2 s
  rise: 3 K
  within: 15 s
  noise: {"{unit}.heatsink": 500 mK, mains: 2 V}
  switch:
    A1: {instrument: intake, on: [coil 0 on], off: [coil 0 off]}
    A2: {instrument: intake, on: [coil 1 on], off: [coil 1 off]}
    A3: {instrument: intake, on: [coil 2 on], off: [coil 2 off]}

account:
  ambient: ambient
  energy: "{unit}.power"
  output: {channel: "{unit}.volts", on-above: 5 V, off-below: 3 V}
  drive: {channel: level, on-above: 0.5 V, off-below: 0.3 V}
  dead-after: 3 s
  bands: {"{unit}.heatsink": [60 degC, 80 degC, 95 degC]}
  cycles: {"{unit}.heatsink": 5 K}
  criteria: {least-share: 90 %, unlogged: 10 %, trips: 0}
"""


def run(place: Path, *, seed: int, say: Say, soakrig: Sequence[str]) -> int:
    """Tell the whole job in a new folder ``place``; return 0 if it came out as it truly was, else 1.

    soakrig: how the command line is started, in words.
    """
    say("The whole job on a simulated room of three units, heat running 60 times faster: a minute here")
    say("stands for an hour. What a person would type follows a $; what a person would do is in brackets.")
    say("")
    say("[Last month: the same samples, the same program, no fault. This run is recorded first.]")
    say("")
    earlier, now = place / "earlier", place / "now"
    with running_room.running(earlier, scenario="quiet", seed=seed, units=UNITS) as first:
        _with_job(first)
        _recorded(first, place, say, soakrig, fails_in=None)
    say("")
    say("[This month, from cold: first the pre-flight check of the rig.]")
    with running_room.running(
        now, scenario="fan-failure", seed=seed, units=UNITS, cold=True, held=True
    ) as second:
        _with_job(second)
        typed = functools.partial(_typed, soakrig, place=place, say=say)
        typed("preflight", "now/rig.yaml", "--yes", most=10, last=26)
        say("")
        _recorded(second, place, say, soakrig, fails_in="high")
    truth = second.truth()
    victim = str(truth["victim"])
    outcomes = [
        typed(*words, most=most)
        for most, words in (
            (28, ("postmortem", "now/runs")),
            (31, ("account", "now/runs")),
            (24, ("verdict", "now/runs")),
            (16, ("compare", "earlier/runs", "now/runs", "--unit-a", victim)),
            (24, ("reliability", ".")),
        )
    ]
    return _judged(truth, outcomes, say)


def _with_job(served: running_room.RunningRoom) -> None:
    with served.rig_file.open("a", encoding="utf-8") as file:
        file.write(JOB)


def _typed(
    soakrig: Sequence[str], command: str, *rest: str, place: Path, say: Say, most: int, last: int = 0
) -> tuple[int, str]:
    """Run one command as a person would and return its exit code and output.

    Of its lines the first ``most`` and the ``last`` are said.
    """
    say("")
    say(f"$ soakrig {command} {' '.join(rest)}")
    done = subprocess.run(  # noqa: S603 - this interpreter and our own command
        [*soakrig, command, *rest],
        cwd=place,
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    if done.returncode not in EXPECTED_CODES.get(command, (0,)):
        raise SoakrigError(f"soakrig {command} ended with exit code {done.returncode}: {done.stderr[-800:]}")
    lines = done.stdout.rstrip("\n").splitlines()
    left_out = max(len(lines) - most - last, 0)
    say("\n".join(lines[:most]))
    if left_out:
        say(f"    ... and {counted(left_out, 'line')} more")
    if last and len(lines) > most:
        say("\n".join(lines[-min(last, len(lines) - most) :]))
    return done.returncode, done.stdout


def _recorded(
    served: running_room.RunningRoom, place: Path, say: Say, soakrig: Sequence[str], *, fails_in: str | None
) -> None:
    """Record the program to its end with the ordinary logger, turning the variac when it asks."""
    name = served.folder.name
    say(f"$ soakrig log {name}/rig.yaml")
    with recording(soakrig, f"{name}/rig.yaml", place, served.folder / "log.txt") as logger:
        _Hand(served, say, fails_in).follow(logger)


@contextlib.contextmanager
def recording(
    soakrig: Sequence[str], rig_file: str, place: Path, log: Path
) -> Iterator[subprocess.Popen[bytes]]:
    """Yield the ordinary logger at work, started in ``place`` as a user would, what it says in ``log``.

    It is ended in good order afterwards; raises SoakrigError if it did not end well.
    """
    with log.open("wb") as output:
        logger = subprocess.Popen(  # noqa: S603 - this interpreter and our own command
            [*soakrig, "log", rig_file],
            cwd=place,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
        )
        try:
            yield logger
        finally:
            logger.send_signal(signal.SIGTERM)
            code = logger.wait(PATIENCE_S)
    if code:
        raise SoakrigError(f"the logger ended with exit code {code}: {log.read_text('utf-8').strip()[-800:]}")


def _now() -> float:
    return SYSTEM.monotonic_ns() / 1e9


@dataclass(slots=True)
class _Hand:
    """Simulated operator: follows the events and sets the variac as asked."""

    served: running_room.RunningRoom
    say: Say
    fails_in: str | None
    _began: float = field(default_factory=_now)

    def follow(self, logger: subprocess.Popen[bytes]) -> None:
        """Return when the program is over. Raises SoakrigError if the logger or the program stands still."""
        tail: Tail | None = None
        moved = _now()
        while _now() - moved < PATIENCE_S:
            if logger.poll() is not None:
                return
            time.sleep(0.1)
            if tail is None:
                with contextlib.suppress(SoakrigError):
                    tail = Tail(newest_run(self.served.folder / "runs"))
                continue
            for event in tail.poll().events:
                if event.kind is EventKind.PHASE:
                    moved = _now()
                    if self._phase(event):
                        return
                elif event.kind is EventKind.LIMIT_OUT:
                    self._tell(event)
        raise SoakrigError(f"the program did not continue within {PATIENCE_S:.0f} s")

    def _phase(self, event: Event) -> bool:
        """Act on a phase event; return whether the program is over."""
        what = event.data["what"]
        self._tell(event)
        if what == "due":
            volts = _volts(event.data)
            time.sleep(HAND_S)
            self.served.say(f"turn mains {volts:g}")
            self.say(f"          [the variac is turned to {setting(volts, 'V')} by hand]")
        elif what == "reached" and event.data["phase"] == self.fails_in:
            self.served.say("fail")
        return bool(what == "ended")

    def _tell(self, event: Event) -> None:
        self.say(f"{_now() - self._began:6.1f} s  {event.text}")


def _volts(data: Any) -> float:
    return float(data["targets"]["mains"]["value"])


def _judged(truth: dict[str, Any], outcomes: list[tuple[int, str]], say: Say) -> int:
    """Print the truth; return 0 if the commands found it."""
    victim = truth["victim"]
    post_mortem, verdict = outcomes[0][1], outcomes[2]
    blamed = victim in post_mortem.splitlines()[0]
    failed = verdict[0] == 10
    say("")
    dead = ", ".join(truth["dead"]) or "none"
    say(f"Truth: the fan of {victim} seized in phase high; dead at the end: {dead}.")
    return 0 if blamed and failed and truth["dead"] == [victim] else 1
