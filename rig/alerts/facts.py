"""What is to be told: one fact, told once by each way, and its words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.domain.formatting import plain
from rig.domain.model import Channel, Event, Layout

MOST_TEXT = 400
"""Longest text taken over from an event; what is cut is in the recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing to tell.

    number: unique in the run, rising. what: ``new``, ``worse``, ``still``, ``over``, ``test``.
    category: a word of ``rig.rigfile.alerts_section.CATEGORIES``. group: what belongs together (a unit, a
    bus).
    t_ns, since_ns: UTC; when it was so, and since when. queued_ns: UTC; when it was put into the outbox.
    look: what to look at. not_by: the way that cannot tell this; only_by: the only way that should.
    """

    number: int
    what: str
    category: str
    group: str
    t_ns: int
    since_ns: int
    headline: str
    detail: tuple[str, ...] = ()
    look: str = ""
    not_by: str = ""
    only_by: str = ""
    queued_ns: int = 0


def harmless(text: str) -> str:
    """Return text on one line, without control characters, cut at ``MOST_TEXT`` characters."""
    text = plain(" ".join(text.split()))
    return text if len(text) <= MOST_TEXT else f"{text[: MOST_TEXT - 1]}…"


def group_of(layout: Layout | None, subject: str) -> str:
    """Return what a subject's facts are gathered under: its unit, its bus, or itself."""
    if layout is None:
        return subject
    if subject in layout.channels:
        return layout.channels[subject].unit or "room"
    if subject in layout.instruments:
        return layout.instruments[subject].bus
    return subject


def instruments_behind(
    layout: Layout | None, subject: str, inputs: Mapping[str, tuple[str, ...]]
) -> set[str]:
    """Return the instruments that a channel's value comes from, through formulas (``inputs``) too."""
    found: set[str] = set()
    waiting, seen = [subject], set[str]()
    while layout is not None and waiting:
        name = waiting.pop()
        channel = layout.channels.get(name)
        if name in seen or channel is None:
            continue
        seen.add(name)
        if channel.source is not None:
            found.add(channel.source.instrument)
        waiting.extend(inputs.get(name, ()))
    return found


def crossing_words(event: Event, *, early: bool) -> str:
    """Return what a crossing is in few words: channel, side, bound, value; the event's text without data."""
    data = event.data
    try:
        unit = str(data["unit"])
        side = "above" if data["side"] == "high" else "below"
        bound, value = float(data["limit"]), float(data["value"])
    except (KeyError, TypeError, ValueError):
        return harmless(event.text)
    word = "early warning" if early else "limit"
    return harmless(f"{event.subject} {side} its {word} {bound:g} {unit}: {value:g} {unit}")


def where_to_look(layout: Layout | None, subject: str) -> str:
    """Return what to go and look at for a channel or an instrument, as the rig file names it."""
    if layout is None:
        return ""
    if subject in layout.instruments:
        bus = layout.instruments[subject].bus
        return harmless(f"instrument {subject} on bus {bus}: power, cable, port, settings")
    channel = layout.channels.get(subject)
    if channel is None:
        return ""
    return harmless(_channel_place(layout, channel))


def _channel_place(layout: Layout, channel: Channel) -> str:
    unit = layout.units.get(channel.unit or "")
    places = []
    if unit is not None:
        places.append(f"unit {unit.name} (serial {unit.serial}, load {unit.load})")
    if channel.source is not None:
        places.append(f"sensor at {channel.source.instrument}.{channel.source.field}")
    elif channel.formula is not None:
        places.append(f"computed as {channel.formula}")
    if channel.description:
        places.append(channel.description)
    return "; ".join(places)
