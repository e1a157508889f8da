"""The main job on the built-in room: record it over real transports, let a unit die, explain, compare."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from rig import forensics
from rig.clock import SYSTEM
from rig.demo import whole_job as story
from rig.domain.model import EventKind
from rig.errors import SoakrigError, UsageError
from rig.forensics import PostMortem
from rig.forensics.answer import Role
from rig.render import postmortem_text
from rig.render.stored_answers import StoredPostMortem
from rig.simulator import running_room, scenarios
from rig.simulator.truth import TruthComparison, compare
from rig.store.reader import RunReader
from rig.store.rundir import newest_run
from rig.store.tail import Tail

Say = Callable[[str], None]

PACE = 60.0
"""Heat runs this many times faster than in a real room; electricity does not."""
LEAD_S = 2.0
"""Time given to the logger to have met every instrument."""
WIDTH = 100
TOLD = frozenset(
    {
        EventKind.LIMIT_OUT, EventKind.LIMIT_IN, EventKind.EARLY_OUT, EventKind.NO_VALID,
        EventKind.INSTRUMENT_LOST, EventKind.INSTRUMENT_BACK, EventKind.SESSION_START,
    }
)  # fmt: skip


def run(
    *,
    scenario: str | None,
    whole_job: bool,
    seed: int,
    folder: Path | None,
    keep: bool,
    say: Say,
    soakrig: Sequence[str],
) -> int:
    """Run the demo and return the exit code: 0 if the answer agrees with the truth, 1 if it does not.

    soakrig: how the command line is started, in words.
    """
    if whole_job:
        if scenario is not None:
            raise UsageError("--whole-job has its own scenario; leave --scenario out")
        with _place(folder, keep=keep) as place:
            return story.run(place, seed=seed, say=say, soakrig=soakrig)
    if scenario == "list":
        for one in scenarios.SCENARIOS.values():
            say(f"{one.name:24} {one.text}")
        return 0
    chosen = scenarios.scenario(scenario or "fan-failure")
    with _place(folder, keep=keep) as place:
        return _demo(chosen, seed, place, say, soakrig, keep=keep)


@contextlib.contextmanager
def _place(folder: Path | None, *, keep: bool) -> Iterator[Path]:
    if folder is not None:
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(f"--folder {folder}: not empty; name a new folder")
        folder.mkdir(parents=True, exist_ok=True)
        yield folder.resolve()
        return
    made = Path(tempfile.mkdtemp(prefix="soakrig-demo-"))
    try:
        yield made
    finally:
        if not keep:
            shutil.rmtree(made, ignore_errors=True)


def _demo(
    chosen: scenarios.Scenario, seed: int, place: Path, say: Say, soakrig: Sequence[str], *, keep: bool
) -> int:
    length_s = chosen.end_s / PACE + LEAD_S
    say(f"A simulated room: six units, their instruments on serial lines and TCP ports, in {place}")
    say(f"Heat runs {PACE:g} times faster than in a real room, so {length_s:.0f} s stand for")
    say(f"{chosen.end_s / 60:.0f} minutes. Scenario {chosen.name}: {chosen.text}.")
    say(f"Live view, from another terminal:  soakrig watch {place / 'runs'}")
    say("")
    with running_room.running(place, scenario=chosen.name, seed=seed, speed=PACE) as simulated:
        _record(place, length_s, say, soakrig)
    path = newest_run(place / "runs")
    kept = StoredPostMortem(path).answer()  # the logger works it out when it stops
    recording = RunReader.open(path)
    found = kept or forensics.analyse(recording)
    say("")
    say(postmortem_text.text(found, width=WIDTH))
    say("")
    good = _judge(simulated.truth(), found, recording.span[1], say)
    if keep:
        say(f"\nThe recording is kept: soakrig postmortem {path}")
    return 0 if good else 1


def _record(place: Path, length_s: float, say: Say, soakrig: Sequence[str]) -> None:
    """Run the ordinary logger as an ordinary user would, and tell what it sees."""
    with story.recording(soakrig, str(place / "rig.yaml"), place, place / "log.txt") as logger:
        _follow(logger, place, length_s, say)


def _follow(logger: subprocess.Popen[bytes], place: Path, length_s: float, say: Say) -> None:
    began_ns = SYSTEM.monotonic_ns()
    tail: Tail | None = None
    readings, printed_s = 0, 0.0
    while (elapsed_s := (SYSTEM.monotonic_ns() - began_ns) / 1e9) < length_s:
        if logger.poll() is not None:
            return
        time.sleep(0.2)
        if tail is None:
            with contextlib.suppress(SoakrigError):
                tail = Tail(newest_run(place / "runs"))
            continue
        update = tail.poll()
        readings += sum(len(scan.values) for scan in update.scans)
        for event in update.events:
            if event.kind in TOLD:
                say(f"{elapsed_s:6.1f} s  {event.kind:16} {event.text}")
        if elapsed_s - printed_s >= 5.0:
            printed_s = elapsed_s
            say(f"{elapsed_s:6.1f} s  {readings} readings recorded")


def _judge(truth: Mapping[str, Any], found: PostMortem, end_ns: int, say: Say) -> bool:
    """Say how the answer compares with what truly happened; return whether nothing in it is false."""
    verdicts = {
        story.channel: (story.ordered.interval.earliest_ns, story.ordered.interval.latest_ns)
        for story in found.channels
        if story.ordered is not None
    }
    bounded = {
        name: (earliest, latest)
        for name, (earliest, latest) in verdicts.items()
        if earliest is not None and latest is not None
    }
    certain = [(pair.first, pair.second) for pair in found.order.pairs if pair.certain]
    compared = compare(truth, bounded, certain, unit=found.unit, until_ns=end_ns)
    say("Compared with the truth of the simulated room:")
    good = compared.sound
    victim = truth["victim"]
    if victim is not None and truth["role"] == "unit":
        good = good and found.unit == victim
        say(f"  unit           {found.unit} was blamed, {victim} was the victim{_dead(truth)}")
    elif truth["role"] != "none":
        role = found.main.role if found.main is not None else Role.NONE
        good = good and role is not Role.UNIT
        say(f"  belongs to     {role.value} by the answer, {truth['role']} in truth")
    expected = truth["expected_first"]
    if expected is not None and found.order.tiers:
        first = found.order.tiers[0]
        hit = expected in first
        good = good and hit
        say(f"  went first     {', '.join(first)}; truly {expected}: {'right' if hit else 'WRONG'}")
    _say_counts(compared, len(found.order.pairs), say)
    say(f"  so the answer is {'true' if good else 'FALSE somewhere'}")
    return good


def _dead(truth: Mapping[str, Any]) -> str:
    return f" and died ({', '.join(truth['dead'])})" if truth["dead"] else ""


def _say_counts(compared: TruthComparison, pairs: int, say: Say) -> None:
    inside, outside = len(compared.inside), len(compared.outside)
    say(f"  intervals      {inside} of {inside + outside} hold the true moment of leaving the limit")
    for miss in compared.outside:
        say(f"                 {miss.channel} is off by {miss.off_s:+.3f} s")
    right, wrong = len(compared.right), len(compared.wrong)
    say(f"  certain pairs  {right} right, {wrong} wrong; {pairs - right - wrong} of {pairs} said to be open")
    if compared.invented:
        say(f"  invented       {', '.join(compared.invented)} never truly left a limit")
    if compared.missed:
        say(f"  not judged     {', '.join(compared.missed)} truly left a limit, too")
