"""What an observer who knows everything says of each place, and how much of it the readings can show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.verify.states.readings import READ, Case, Physics
from tests.verify.states.rooms import Tale
from tests.verify.states.steps import Steps, steps, within

SETTLE_POLLS, SETTLE_S = 2.5, 0.5
"""A state is one only if it lasts for this many polls of the slowest signal, and this much more."""
MORE_POLLS = 3.0
"""Up to so many polls more it depends on when the polls came whether it is seen to have lasted."""
SEEN_POLLS = 1.5
"""What lasts shorter may fall between two polls."""
MANY_TIMES = 3.0
"""A state in pieces, between pauses, must be told when its pieces together lasted so many times longer."""
STALE_POLLS, STALE_S = 3.0, 2.0
"""A signal without a good reading for so many of its polls, and this much more, is not read."""

HIDDEN = "hidden"
"""Between two states, of which no reading can say where one ended; or too short to be a state."""
PAUSE = "pause"
"""A pause of a burst: it belongs to the powered state before and after it."""
LATE = "failed, untold"
"""After a death for which too little driven and observed time was left, or which no signal shows."""
UNREAD = "unread"
PART = "part unread"
STATES = ("absent", "unpowered", "idle", "driven", "muted", "failed")


@dataclass(frozen=True)
class Stretch:
    """Time in one true state, s. really: the state behind what is not read; cause: of ``unpowered``."""

    start: float
    end: float
    label: str
    really: str = ""
    cause: str = ""
    serial: str = ""


@dataclass(frozen=True)
class Place:
    """Truth of one place: its stretches in order; findable: whether its death could be told."""

    stretches: tuple[Stretch, ...]
    findable: bool
    shown_s: float
    """When the death first showed, or could have."""


def place(case: Case, tale: Tale) -> Place:
    """Return the truth of a place."""
    room, world, end = case.room, case.physics[tale.name], case.room.end_s
    wired = READ[room.wiring]
    unread = {k: _unread(good, poll, end) for k, (good, poll) in case.read[tale.name].items()}
    rest = within((a, b) for a, b, v in _whole(world.drive, end) if not v and b - a >= room.idle_after_s)
    order = within((a, b) for a, b, why in tale.off if why == "order")
    parts = (world.present, world.mains, world.on, world.power, world.drive, world.gives, world.alive)
    quantities = (*parts, rest, order, *unread.values())
    edges = np.unique(
        np.concatenate([[0.0, end, *(at for at, _ in tale.occupants)], *(one.at for one in quantities)])
    )
    edges = edges[(edges >= 0) & (edges <= end)]
    middle = (edges[:-1] + edges[1:]) / 2
    blind = sum((one(middle) for one in unread.values()), np.zeros(len(middle)))
    spans = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    findable, shown = _told(case, tale, world, rest, order, (spans, middle, blind == 0))
    found: list[Stretch] = []
    for k, (a, b) in enumerate(spans):
        serial = next(one for at, one in reversed(tale.occupants) if at <= middle[k])
        label, cause = _label(tale, world, (rest, order), middle[k : k + 1], wired)
        if label == "failed":
            label = LATE if not findable else HIDDEN if a < shown else "failed"
        if blind[k] and label != "absent":
            found.append(Stretch(a, b, UNREAD if blind[k] == len(unread) else PART, label, cause, serial))
        else:
            found.append(Stretch(a, b, label, label, cause, serial))
    return Place(tuple(_settled(_joined(found), case.poll_s[tale.name], room.idle_after_s)), findable, shown)


def _whole(drive: Steps, end: float) -> list[tuple[float, float, float]]:
    return drive.stretches(end)


def _label(
    tale: Tale, world: Physics, more: tuple[Steps, Steps], t: np.ndarray, wired: Sequence[str]
) -> tuple[str, str]:
    """Return the true state at a moment, and the cause of being unpowered."""
    rest, order = more

    def is_(one: Steps) -> bool:
        return bool(one(t)[0])

    if not is_(world.present):
        return "absent", ""
    why = next((why for a, b, why in tale.off if a <= t[0] < b), "")
    if not is_(world.alive):
        return ("unpowered", "order") if is_(order) else ("failed", "")
    if not is_(world.power):
        by_mains = not is_(world.mains)
        if "supply" not in wired:
            told = "mains" in wired if by_mains else why in {"note", "order"} and is_(world.drive)
            if not told:
                return HIDDEN, ""
        return "unpowered", "mains" if by_mains else why
    if not is_(world.drive):
        return ("idle" if is_(rest) else PAUSE), ""
    return ("driven" if is_(world.gives) else "muted"), ""


def _told(
    case: Case,
    tale: Tale,
    world: Physics,
    rest: Steps,
    order: Steps,
    grid: tuple[list[tuple[float, float]], np.ndarray, np.ndarray],
) -> tuple[bool, float]:
    """Return whether a death had the time to be told that it needs, and when it first could show."""
    spans, middle, read = grid
    if not np.isfinite(tale.died_s):
        return False, np.inf
    dead = (middle >= tale.died_s) & (middle < tale.removed_s)
    shows = dead & (world.mains(middle) > 0) & (world.drive(middle) > 0)
    if not shows.any() or (tale.fuse and case.room.wiring == "no mains"):
        return False, np.inf
    put_in = max(at for at, serial in tale.occupants if serial == tale.dead_serial)
    gave = read & (middle > put_in) & (middle < tale.died_s) & (world.gives(middle) > 0)
    slow = case.poll_s[tale.name]
    seen = any(b - a > 2 * slow for (a, b), ok in zip(spans, gave, strict=True) if ok)
    if not seen and (tale.fuse or case.room.wiring in {"no supply", "output and drive"}):
        return False, np.inf  # what never gave output here may never have been switched on
    shown = max(spans[int(np.argmax(shows))][0], tale.died_s)
    may = (
        dead
        & (middle >= shown)
        & read
        & (world.mains(middle) > 0)
        & (rest(middle) == 0)
        & (order(middle) == 0)
    )
    needs = case.room.failed_after_s + 2 * case.poll_s[tale.name]
    lasted = 0.0
    for k, (a, b) in enumerate(spans):
        if not may[k]:
            lasted = 0.0
        elif lasted or shows[k]:  # counted from drive on, through the pauses of bursts
            lasted += b - a
        if lasted >= needs:
            return True, shown
    return False, shown


def _unread(good: np.ndarray, poll: float, end: float) -> Steps:
    """Return 1 while a signal was not read."""
    ends = np.concatenate([[0.0], good, [end]])
    gaps = np.flatnonzero(np.diff(ends) > STALE_POLLS * poll + STALE_S)
    found = [(float(ends[k]), float(ends[k + 1])) for k in gaps]
    if len(good) and good[0] > 0:  # before its first reading nothing is known
        found.append((0.0, float(good[0])))
    return within(found) if len(good) else steps(1.0, [])


def _joined(found: Sequence[Stretch]) -> list[Stretch]:
    out: list[Stretch] = []
    for one in found:
        if out and replace(out[-1], start=one.start, end=one.end) == one:
            out[-1] = replace(out[-1], end=one.end)
        else:
            out.append(one)
    return out


def _settled(found: Sequence[Stretch], poll: float, idle_after: float) -> list[Stretch]:
    """Return stretches without what no reading can tell: what lasts, or begins, too short."""
    settle = SETTLE_POLLS * poll + SETTLE_S
    needs = dict.fromkeys(("unpowered", "driven", "muted"), settle + MORE_POLLS * poll)
    needs["idle"] = max(idle_after, settle) + MORE_POLLS * poll
    out: list[Stretch] = []
    for pieces in _bridged(found):
        need = needs.get(pieces[0].label, 0.0)
        whole = [one for one in pieces if one.label != PAUSE]
        total = np.cumsum([one.end - one.start for one in whole])
        told = [
            k for k, one in enumerate(whole) if one.end - one.start >= need or total[k] >= MANY_TIMES * need
        ]
        if pieces[0].label in {PAUSE, HIDDEN} or not told:
            out.append(Stretch(pieces[0].start, pieces[-1].end, HIDDEN))
            continue
        first = (
            whole[told[0]].start if whole[told[0]].end - whole[told[0]].start >= need else whole[told[0]].end
        )
        if first > pieces[0].start:
            out.append(Stretch(pieces[0].start, first, HIDDEN))
        seen = [one.end for one in whole if len(whole) == 1 or one.end - one.start >= SEEN_POLLS * poll]
        out.append(replace(pieces[0], start=first, end=max([first, *seen])))
        out.append(Stretch(out[-1].end, pieces[-1].end, HIDDEN))
    return _joined([one for one in out if one.end > one.start])


def _bridged(found: Sequence[Stretch]) -> list[list[Stretch]]:
    """Return stretches in groups: the pieces of one powered state, and the pauses of bursts between them."""
    out: list[list[Stretch]] = []
    for one in found:
        same = len(out) >= 2 and out[-1][0].label == PAUSE and out[-2][0].label == one.label
        if same and one.label in {"driven", "muted", "failed"}:
            pause = out.pop()
            out[-1] += [*pause, one]
        else:
            out.append([one])
    return out
