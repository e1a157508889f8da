"""Judges the stated operating states of a simulated room against the truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from rig.domain.operating_state import StateChange
from rig.domain.state_spans import StateSpan
from rig.domain.unit_history import UnitHistory, histories
from tests.verify.states import rooms
from tests.verify.states.readings import START_NS, Case, record
from tests.verify.states.rooms import Tale
from tests.verify.states.truth import HIDDEN, LATE, PART, UNREAD, Place, Stretch, place

DATED_POLLS = 2.0
"""A death must be dated within so many polls of the slowest signal."""


@dataclass
class Death:
    """A true death: whether it could be told, whether and how surely it was, and how far off, in polls.

    off_polls: from the truth, or where its output was last read on, to the stated interval, 0 within it;
    middle_polls: from when it first could show to the middle of the interval.
    """

    place: str
    kind: str
    fuse: bool
    findable: bool
    found: bool = False
    certainty: str = ""
    off_polls: float = 0.0
    middle_polls: float = 0.0
    ordered: bool = False


@dataclass
class Claim:
    """A failure claimed of a serial number that was healthy then, and not taken back."""

    place: str
    serial: str
    certainty: str
    at_s: float
    unnoted: bool
    why: tuple[str, ...] = ()


@dataclass
class Judged:
    """What came out for one room. hours: by (true, stated); steps: error of each transition, polls."""

    seed: int
    stratum: dict[str, str]
    healthy: int = 0
    unnoted: int = 0
    claims: list[Claim] = field(default_factory=list)
    taken_back: int = 0
    deaths: list[Death] = field(default_factory=list)
    hours: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    causes: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    steps: list[tuple[float, str]] = field(default_factory=list)
    missed: list[tuple[str, float, str, str]] = field(default_factory=list)


def judge(seed: int) -> Judged:
    """Return what the analyser is worth on the room of a seed."""
    case = record(rooms.make(seed))
    room = case.room
    stratum = {
        "signals": room.wiring,
        "drive": room.bursts,
        "poll": f"{case.poll:g} s",
        "lost replies": f"{case.lost:.1%}",
        "sources": str(len(room.programs)),
        "restarts": str(len(room.logger_down)),
    }
    out = Judged(seed, stratum)
    stated = histories(case.recording)
    for tale in room.tales:
        truth = place(case, tale)
        history = stated[tale.name]
        _claims(out, case, tale, history)
        if tale.death:
            out.deaths.append(_death(case, tale, truth, history))
        _sweep(out, truth.stretches, history.spans)
        _transitions(out, tale.name, truth.stretches, history.spans, case.poll_s[tale.name])
    return out


def seconds(ns: int) -> float:
    """Return seconds from the begin of the record."""
    return (ns - START_NS) / 1e9


def last_seen_on(case: Case, tale: Tale) -> float:
    """Return when the output of a unit was last read on before its death: nothing tells what came after."""
    good, _ = case.read[tale.name]["output"]
    alive = good[good < tale.died_s]
    on = alive[case.physics[tale.name].gives(alive) > 0]
    return min(float(on[-1]), tale.died_s) if len(on) else tale.died_s


def standing(changes: Sequence[StateChange], serial: str) -> tuple[list[StateChange], int]:
    """Return the suspected failures of a serial number that were not retracted, and how many were."""
    mine = [one for one in changes if one.serial == serial]
    found, back = [], 0
    for k, one in enumerate(mine):
        if one.state == "failed" and one.before != "failed":
            later = next((it for it in mine[k + 1 :] if it.state != "failed" or it.retracts), None)
            if later is not None and later.retracts:
                back += 1
            else:
                found.append(one)
    return found, back


def _claims(out: Judged, case: Case, tale: Tale, history: UnitHistory) -> None:
    end = case.room.end_s
    for at, serial in tale.occupants:
        if not serial or at >= end:
            continue
        found, back = standing(history.changes, serial)
        out.taken_back += back
        dies = last_seen_on(case, tale) if serial == tale.dead_serial else float("inf")
        slack = DATED_POLLS * case.poll_s[tale.name]
        unnoted = serial in tale.unnoted
        if serial != tale.dead_serial or tale.died_s > end:
            out.unnoted += unnoted
            out.healthy += not unnoted
        out.claims += [
            Claim(tale.name, serial, one.certainty, seconds(one.latest_ns), unnoted, one.evidence)
            for one in found
            if seconds(one.latest_ns) < dies - slack
        ]


def _death(case: Case, tale: Tale, truth: Place, history: UnitHistory) -> Death:
    poll = case.poll_s[tale.name]
    out = Death(tale.name, tale.death, tale.fuse, truth.findable, ordered=tale.death == "short, trip")
    found, _ = standing(history.changes, tale.dead_serial)
    since = last_seen_on(case, tale)
    mine = [one for one in found if seconds(one.latest_ns) >= since - DATED_POLLS * poll]
    if mine:
        one = mine[0]
        early, late = seconds(one.earliest_ns), seconds(one.latest_ns)
        out.found, out.certainty = True, str(one.certainty)
        out.off_polls = max(early - tale.died_s, since - late, 0.0) / poll
        out.middle_polls = abs((early + late) / 2 - truth.shown_s) / poll
    return out


def _sweep(out: Judged, truth: Sequence[Stretch], stated: Sequence[StateSpan]) -> None:
    """Add the hours of one place by true and stated state."""
    edges = sorted({t for s in truth for t in (s.start, s.end)} | {seconds(s.start_ns) for s in stated})
    at = with_ = 0
    for a, b in pairwise(edges):
        middle = (a + b) / 2
        while truth[at].end <= middle:
            at += 1
        while with_ + 1 < len(stated) and seconds(stated[with_].end_ns) <= middle:
            with_ += 1
        true, said = truth[at], stated[with_]
        hours = (b - a) / 3600
        name = f"{true.label}: {true.really}" if true.label == PART else true.label
        out.hours[name, str(said.state)] += hours
        if true.label == said.state == "unpowered":
            out.causes[true.cause, str(said.cause)] += hours


def _transitions(
    out: Judged, name: str, truth: Sequence[Stretch], stated: Sequence[StateSpan], poll: float
) -> None:
    """Add the error of each transition between two true states that were fully read."""
    real = [k for k, one in enumerate(truth) if one.label not in {HIDDEN, LATE}]
    for i, k in pairwise(real):
        a, b = truth[i], truth[k]
        if {a.label, b.label} & {UNREAD, PART} or a.label == b.label or k - i > 2:
            continue
        if k - i == 2 and truth[i + 1].label == LATE:
            continue
        left, right = _run(stated, a), _run(stated, b)
        if left is None or right is None:
            out.missed.append((name, b.start, a.label, b.label))
            continue
        off = max(_beyond(left[1], a.end, b.start), _beyond(right[0], a.end, b.start))
        out.steps.append((off / poll, f"{a.label} > {b.label}"))


def _beyond(t: float, low: float, high: float) -> float:
    return max(low - t, t - high, 0.0)


def _run(stated: Sequence[StateSpan], true: Stretch) -> tuple[float, float] | None:
    """Return from when to when the true state was stated around the middle of its time; None: it was not."""
    middle = (true.start + true.end) / 2
    at = next((k for k, s in enumerate(stated) if seconds(s.end_ns) > middle), len(stated) - 1)
    if stated[at].state != true.label:
        return None
    first = last = at
    while first > 0 and stated[first - 1].state == true.label:
        first -= 1
    while last + 1 < len(stated) and stated[last + 1].state == true.label:
        last += 1
    return seconds(stated[first].start_ns), seconds(stated[last].end_ns)
