"""Sections of a run report over time: excursions, events, pictures of every channel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from rig.domain.formatting import duration, figure, stamp
from rig.domain.model import Event, EventKind
from rig.domain.recording import Recording
from rig.render import unrecorded
from rig.render.channel_survey import Surveyed, survey
from rig.render.charts import panels
from rig.render.charts.panel import Panel, Trace
from rig.render.charts.panels import NARROW, WIDE, Figure, NamedSpan
from rig.render.pages.blocks import Block, Heading, PagePicture, Paragraph, Table, more
from rig.render.pages.death_charts import COLUMNS, coarser, worst_words
from rig.render.phase_spans import phase_spans
from rig.render.run_facts import RunFacts
from rig.render.unrecorded import UnrecordedTime

MOST_PANELS = 10
"""Panels in one picture: as many as fit on a sheet of paper."""
MOST_EXCURSIONS = 200
MOST_EVENTS = 200
ROOM = "the room"
HOW_TO_READ = """\
Lowest and highest good reading in each column: single-sample spikes stay visible. Dashed: limits; dotted:
warning limits; grey from top to bottom: nothing recorded; marks at the bottom: readings without a good
value, counted at the top right; along the top: phases."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Data of a report."""

    facts: RunFacts
    recording: Recording
    events: tuple[Event, ...]
    channels: Mapping[str, Surveyed]
    missed: tuple[UnrecordedTime, ...]
    zone: tzinfo | None


def gather(recording: Recording, facts: RunFacts, zone: tzinfo | None = None) -> Material:
    """Return the data of the report of a run; reads every series once."""
    events = tuple(recording.events())
    return Material(
        facts=facts,
        recording=recording,
        events=events,
        channels=survey(recording, COLUMNS),
        missed=tuple(unrecorded.outages(recording.sessions, events)),
        zone=zone,
    )


def out_of(material: Material, unit: str | None) -> list[Surveyed]:
    """Return the channels of a unit (None: the room) with an excursion, earliest first."""
    mine = [one for one in material.channels.values() if one.channel.unit == unit and one.excursions]
    return sorted(mine, key=lambda one: one.excursions[0].start_ns)


def excursions(material: Material) -> list[Block]:
    """Return every counted excursion, oldest first."""
    rows = []
    for one in material.channels.values():
        for e in one.excursions:
            lasted = "still out at end" if e.end_ns is None else duration((e.end_ns - e.start_ns) / 1e9)
            side = "above" if e.side == "high" else "below"
            measure = one.channel.unit_of_measure
            rows.append(
                (
                    e.start_ns,
                    (
                        stamp(e.start_ns, decimals=1),
                        e.channel,
                        f"{side} {figure(e.limit)} {measure}",
                        f"{figure(e.worst, near=e.limit)} {measure}",
                        lasted,
                    ),
                )
            )
    rows.sort(key=lambda row: row[0])
    blocks: list[Block] = [Heading(text=f"Excursions ({len(rows)})")]
    if not rows:
        return [*blocks, Paragraph(text="No channel was out of limits for as long as its on-delay.")]
    titles = ("first outside", "channel", "limit", "worst", "lasted")
    blocks.append(Table(titles=titles, rows=tuple(row for _, row in rows[:MOST_EXCURSIONS])))
    blocks += more(len(rows), MOST_EXCURSIONS, "excursion")
    words = (
        "By the readings and the limits effective at the time; only good readings begin or end an excursion."
    )
    return [*blocks, Paragraph(text=words, quiet=True)]


_SHOWN_ELSEWHERE = frozenset(
    {
        EventKind.HEALTH, EventKind.LIMIT_OUT, EventKind.LIMIT_IN, EventKind.EARLY_OUT, EventKind.EARLY_IN,
        EventKind.INSTRUMENT_LOST, EventKind.INSTRUMENT_BACK, EventKind.INSTRUMENT_REPORT, EventKind.NO_VALID,
        EventKind.VALID_AGAIN, EventKind.FAST_POLL, EventKind.GAP,
    }
)  # fmt: skip
"""Kinds of events that another section of the report shows."""


def events(material: Material) -> list[Block]:
    """Return the recorded events that no other section shows."""
    listed = [event for event in material.events if event.kind not in _SHOWN_ELSEWHERE and not event.brief]
    rows = tuple((stamp(event.t_ns), event.kind.value, event_words(event)) for event in listed[:MOST_EVENTS])
    blocks: list[Block] = [Heading(text="Events")]
    if not rows:
        return [*blocks, Paragraph(text="No event was recorded.")]
    blocks.append(Table(titles=("time", "kind", "event"), rows=rows))
    blocks += more(len(listed), MOST_EVENTS, "event")
    return blocks


def event_words(event: Event) -> str:
    """Return the text of an event; without one, its phase or subject."""
    if event.text:
        return event.text
    if event.kind is EventKind.PHASE:
        return f"phase {event.data.get('phase') or 'none'} begins"
    return event.subject


def pictures(material: Material) -> list[Block]:
    """Return the pictures of each unit's channels, and the room's, over the whole run."""
    groups = [(f"Unit {unit.name}", unit.channels) for unit in material.recording.layout.units.values()]
    room = tuple(name for name, one in material.channels.items() if one.channel.unit is None)
    groups.append((ROOM.capitalize(), room))
    blocks: list[Block] = [
        Heading(text="Pictures of the whole run"),
        Paragraph(text=" ".join(HOW_TO_READ.split()), quiet=True),
    ]
    for title, names in groups:
        known = [material.channels[name] for name in names if name in material.channels]
        if not known:
            continue
        blocks.append(Heading(text=title, level=3))
        pieces = -(-len(known) // MOST_PANELS)
        size = -(-len(known) // pieces)
        parts = [known[at : at + size] for at in range(0, len(known), size)]
        blocks += [_picture(material, title, part) for part in parts]
    return blocks


def _picture(material: Material, title: str, shown: Sequence[Surveyed]) -> PagePicture:
    start_ns, end_ns = material.recording.span
    whole = Figure(
        title=f"{title} over the whole run",
        description=f"Lowest and highest readings of {', '.join(one.channel.name for one in shown)}.",
        start_ns=start_ns, end_ns=end_ns, panels=tuple(_panel(one) for one in shown),
        phases=phase_spans(material.recording, [one.channel.name for one in shown]),
        unrecorded=tuple(
            NamedSpan(start_ns=one.start_ns, end_ns=one.end_ns or end_ns)
            for one in material.missed
            if one.everything
        ),
        sessions=tuple(
            NamedSpan(start_ns=one.start_ns, end_ns=one.end_ns)
            for one in material.recording.sessions[1:]
            if not one.brief
        ),
    )  # fmt: skip
    name = "".join(c if c.isascii() and c.isalnum() else "-" for c in title.lower())
    return PagePicture(
        name=name, wide=panels.draw(whole, WIDE), narrow=panels.draw(coarser(whole), NARROW), caption=""
    )


def _panel(one: Surveyed) -> Panel:
    return Panel(
        title=one.channel.name,
        unit_of_measure=one.channel.unit_of_measure,
        traces=(Trace(label=one.channel.name, look="s1", envelope=one.envelope),),
        limits=one.channel.limits,
        note=worst_words(one.envelope.low, one.envelope.high),
    )
