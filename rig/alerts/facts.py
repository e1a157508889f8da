"""Facts of alerts, and their words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.alerts.severity import OF_CATEGORY, Severity
from rig.domain.formatting import beside_limit, plain, setting
from rig.domain.model import Channel, Event, Layout

MOST_TEXT = 400
"""Longest text taken over from an event; what is cut is in the recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstOut:
    """What left its limits first. t_ns: UTC of its first reading outside.

    channels: one if it is certain; several if their order is undetermined, and then within_s: the span of
    time that holds all their crossings.
    """

    channels: tuple[str, ...]
    t_ns: int
    within_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One alert, sent once by each notifier.

    number: unique in the run, rising. what: ``new``, ``worse``, ``still``, ``over``, ``test``.
    category: a word of ``rig.rigfile.alerts_section.CATEGORIES``. severity: None in an outbox of before
    there were severities. group: what belongs together (a unit, a bus).
    t_ns, since_ns: UTC; when it was so, and since when. queued_ns: UTC; when it was put into the outbox.
    look: where to check. not_by: notifier that does not send it; only_by: the only one that does.
    goes_on: units that go on, None where that is not known. first_out: None where it is not known.
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
    severity: Severity | None = None
    goes_on: tuple[str, ...] | None = None
    first_out: FirstOut | None = None

    @property
    def is_news(self) -> bool:
        """Whether it reports something new or worse, rather than an end, a reminder or a test."""
        return self.what in ("new", "worse")

    @property
    def how_severe(self) -> Severity:
        """Severity, by the category where none is stored."""
        if self.severity is not None:
            return self.severity
        return OF_CATEGORY.get(self.category, Severity.LIMIT) if self.is_news else Severity.NORMAL

    @property
    def passes(self) -> bool:
        """Whether it is sent at once, ahead of all that waits."""
        return self.how_severe.passes and self.what != "still"


def harmless(text: str) -> str:
    """Return text on one line, without control characters, cut at ``MOST_TEXT`` characters."""
    text = plain(" ".join(text.split()))
    return text if len(text) <= MOST_TEXT else f"{text[: MOST_TEXT - 1]}…"


def group_of(layout: Layout | None, subject: str) -> str:
    """Return the group of a subject's alerts: its unit, its bus, or itself."""
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


def crossing_words(event: Event, layout: Layout | None, *, early: bool) -> str:
    """Return channel, side, limit and value of a crossing; the event's text where it has no data."""
    data = event.data
    try:
        unit = str(data["unit"])
        side = "above" if data["side"] == "high" else "below"
        bound, value = float(data["limit"]), float(data["value"])
    except (KeyError, TypeError, ValueError):
        return harmless(event.text)
    word = "warning" if early else "limit"
    channel = layout.channels.get(event.subject) if layout is not None else None
    reading = beside_limit(value, bound, unit, channel.resolution if channel is not None else 0.0)
    return harmless(f"{event.subject} {side} {data['side']} {word} {setting(bound, unit)}: {reading}")


def where_to_look(layout: Layout | None, subject: str) -> str:
    """Return where to check a channel or an instrument, by the names of the rig file."""
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
