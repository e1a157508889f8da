"""Consequences of a unit shutting down, and protection that opens and closes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.domain.model import ChannelKind, Event, EventKind, Limit, Side
from rig.forensics.analysis_data import AnalysisData, is_temperature
from rig.forensics.answer import ChannelStory, Consequence, CrossingExcursion, Cycling, Interval
from rig.forensics.crossings import bracket_of
from rig.forensics.episodes import unbroken
from rig.forensics.noise import of
from rig.forensics.order import certainly_before

GONE_SHARE = 0.5
DEAD_SHARE = 0.12
LEAST_CYCLES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutdown:
    """Shutdown of a unit: interval of the moment, and the channels that dropped out."""

    interval: Interval
    channels: tuple[str, ...]
    text: str


def shutdown(data: AnalysisData, unit: str, from_ns: int) -> Shutdown | None:
    """Return the first shutdown of a unit from a moment on: by a recorded switch, or by channels dropping."""
    switched = _switched(data.events({EventKind.SWITCH}, from_ns), unit, from_ns)
    fell: list[tuple[Interval, str]] = []
    for channel in data.layout.channels.values():
        if (
            channel.unit == unit
            and channel.kind is ChannelKind.RESPONSE
            and channel.source
            and not is_temperature(channel)
        ):
            interval = _fall(data, channel.name, from_ns)
            if interval is not None:
                fell.append((interval, channel.name))
    fell.sort(key=lambda f: f[0].latest_ns or 0)
    if switched is not None and (not fell or switched.t_ns <= (fell[0][0].latest_ns or 0)):
        at = bracketed(switched.t_ns)
        return Shutdown(
            interval=at, channels=tuple(n for _, n in fell), text=f"switched off: {switched.text}"
        )
    fell = _at_once(fell)
    if len(fell) < 2:
        return None
    first = fell[0][0]
    names = tuple(name for _, name in fell)
    return Shutdown(interval=first, channels=names, text=f"{', '.join(names)} dropped out")


def _at_once(fell: Sequence[tuple[Interval, str]]) -> list[tuple[Interval, str]]:
    """Return the drops from the first two simultaneous ones on.

    A single drop before them (a fan that seized) is not an effect of the shutdown. Simultaneous: apart by
    no more than twice the wider of the two intervals.
    """
    for at in range(len(fell) - 1):
        one, other = fell[at][0], fell[at + 1][0]
        if one.latest_ns is None or other.earliest_ns is None:
            return list(fell[at:])
        if other.earliest_ns - one.latest_ns <= 2e9 * max(one.width_s, other.width_s):
            return list(fell[at:])
    return []


def bracketed(moment_ns: int) -> Interval:
    """Return a recorded moment as an interval of no width."""
    from rig.forensics.answer import Method

    cuts = (moment_ns,) * 41
    return Interval(
        earliest_ns=moment_ns,
        latest_ns=moment_ns,
        best_ns=moment_ns,
        method=Method.BRACKET,
        quantiles_ns=cuts,
    )


def _switched(events: Sequence[Event], unit: str, from_ns: int) -> Event | None:
    """Return the first recorded switching-off of a unit."""
    for event in events:
        off = str(event.data.get("state", event.data.get("to", "off"))).lower() in {
            "off",
            "open",
            "0",
            "false",
        }
        if event.kind is EventKind.SWITCH and event.subject == unit and event.t_ns >= from_ns and off:
            return event
    return None


def _fall(data: AnalysisData, name: str, from_ns: int) -> Interval | None:
    """Return where a channel fell below half of its usual value and on to nearly zero."""
    track = data.track(name)
    place = track.place(from_ns)
    before = track.usable_before(place, 2000)
    if len(before) < 5:
        return None
    usual = float(np.median(np.abs(before)))
    noise = of(before[-240:], track.bounds(place - 1).step)
    if usual <= 12 * noise.sigma:
        return None
    limit = Limit(side=Side.LOW, value=GONE_SHARE * usual)
    if place == len(track):
        return None
    for stretch in track.stretches(limit, max(place - 50, 0), size=True):
        stop = stretch.returned if stretch.returned >= 0 else len(track)
        least = abs(float(track.at(stretch.worst_at).value[0]))
        twice = track.count(stretch.first_outside, stop) >= 2
        if stretch.last_inside >= 0 and twice and least < DEAD_SHARE * usual:
            return bracket_of(track, stretch.last_inside, stretch.first_outside)
    return None


def consequences(
    data: AnalysisData, off: Shutdown | None, firsts: Mapping[str, CrossingExcursion], unit: str | None
) -> list[Consequence]:
    """Return the excursions that follow from the shutdown of a unit, each with the reason."""
    if off is None:
        return []
    made = []
    for name, excursion in firsts.items():
        channel = data.layout.channels[name]
        if channel.unit != unit or channel.kind is ChannelKind.STIMULUS:
            continue
        falling = excursion.side is Side.LOW and not certainly_before(excursion.interval, off.interval)
        if name in off.channels and falling:
            made.append(
                Consequence(
                    channel=name, of=unit or "", reason=f"effect of {unit} shutting down ({off.text})"
                )
            )
        elif certainly_before(off.interval, excursion.interval):
            reason = f"effect of {unit} shutting down ({excursion.side.value} limit crossed afterwards)"
            made.append(Consequence(channel=name, of=unit or "", reason=reason))
    return made


def cycling(stories: Sequence[ChannelStory], unit: str | None) -> list[Cycling]:
    """Return repeated excursions and returns at an even period, one entry per period."""
    paced: list[tuple[float, int, ChannelStory, list[int]]] = []
    for story in stories:
        if story.unit != unit:
            continue
        found = unbroken(story.excursions)
        starts = [e.first_outside.t_ns for e in found if e.sure and e.last_inside is not None]
        came_back = sum(e.returned is not None for e in found)
        if len(starts) < LEAST_CYCLES or came_back < LEAST_CYCLES - 1:
            continue
        gaps = np.diff(starts) / 1e9
        period = float(np.median(gaps))
        if period > 0 and float(np.median(np.abs(gaps - period))) < 0.35 * period:
            paced.append((period, len(starts), story, starts))
    cycles: list[Cycling] = []
    while paced:
        period = paced[0][0]
        same = [p for p in paced if abs(p[0] - period) < 0.25 * period]
        paced = [p for p in paced if p not in same]
        cycles.append(_combined(same))
    return cycles


def _combined(same: Sequence[tuple[float, int, ChannelStory, list[int]]]) -> Cycling:
    names = tuple(p[2].channel for p in same)
    count = max(p[1] for p in same)
    period = float(np.median([p[0] for p in same]))
    first, last = min(p[3][0] for p in same), max(p[3][-1] for p in same)
    text = f"{', '.join(names)}: {count} excursions and returns, one every {period:.3g} s"
    return Cycling(channels=names, count=count, period_s=period, first_ns=first, last_ns=last, text=text)
