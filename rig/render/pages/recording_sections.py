"""Sections of a report about the recording: outages, instruments, calibration, sessions, files."""

from __future__ import annotations

import difflib
import platform
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from importlib import metadata

from rig import __version__
from rig.domain.formatting import counted, duration, figure, stamp
from rig.domain.model import Calibration, Channel, Event, EventKind, Layout, Session, Status
from rig.domain.uncertainty import accuracy_words, certificate_words
from rig.render.channel_survey import Surveyed
from rig.render.charts.panel import STATUS_WORDS
from rig.render.pages.blocks import Block, Bullets, Heading, Paragraph, Table, Verbatim, more
from rig.render.run_facts import RunFacts
from rig.render.unrecorded import UnrecordedTime, recorded_s

MOST_OUTAGES = 150
_LIBRARIES = ("numpy", "pandas", "pyarrow", "pymodbus", "pyserial", "pyvisa", "scipy")


def missed(
    found: Sequence[UnrecordedTime], sessions: Sequence[Session], span_ns: tuple[int, int]
) -> list[Block]:
    """Return outages and lost time."""
    whole_s = sum((one.end_ns or span_ns[1]) - one.start_ns for one in found if one.everything) / 1e9
    total_s = (span_ns[1] - span_ns[0]) / 1e9
    blocks: list[Block] = [Heading(text="Outages and lost time")]
    words = (
        f"{hours(total_s)} from first to last record: sessions running for {hours(recorded_s(sessions))}, "
        f"nothing recorded for {hours(whole_s)}."
    )
    blocks.append(Paragraph(text=words))
    if not found:
        return [*blocks, Paragraph(text="No outage was recorded.")]
    rows = tuple(
        (stamp(one.start_ns), one.what, one.subject, _lasted(one), one.text) for one in found[:MOST_OUTAGES]
    )
    blocks.append(Table(titles=("start", "outage", "of", "lasted", "details"), rows=rows))
    return blocks + more(len(found), MOST_OUTAGES, "outage")


def hours(seconds: float) -> str:
    """Return a length of time: in hours to a tenth, or in minutes and seconds where it is short."""
    return f"{seconds / 3600:,.1f} h" if seconds >= 3600 else duration(seconds)


def _lasted(one: UnrecordedTime) -> str:
    if one.end_ns is None:
        return "to the end of its session"
    return duration((one.end_ns - one.start_ns) / 1e9) if one.end_ns > one.start_ns else "-"


def instruments(layout: Layout, channels: Mapping[str, Surveyed], events: Sequence[Event]) -> list[Block]:
    """Return the availability of each instrument, from the readings and the logger's own events."""
    lost = Counter(e.subject for e in events if e.kind is EventKind.INSTRUMENT_LOST)
    said = Counter(e.subject for e in events if e.kind is EventKind.INSTRUMENT_REPORT)
    late = _lateness_ms(events)
    rows = []
    for name, facts in layout.instruments.items():
        mine = [
            one for one in channels.values() if one.channel.source and one.channel.source.instrument == name
        ]
        counts: Counter[Status] = Counter()
        for one in mine:
            counts.update(one.counts)
        rows.append(
            (
                name,
                f"{facts.driver} on {facts.bus}, every {duration(facts.poll_s)}",
                f"{sum(counts.values()):,}",
                bad_words(counts),
                counted(lost[name], "time") if lost[name] else "never",
                str(said[name]) if said[name] else "-",
                f"{figure(late[name], 3)} ms" if name in late else "-",
            )
        )
    titles = ("instrument", "connection", "readings", "not good", "offline", "error reports", "worst delay")
    blocks: list[Block] = [Heading(text="Instruments")]
    if rows:
        blocks.append(Table(titles=titles, rows=tuple(rows), right=frozenset({2})))
    reports = Counter(
        (e.subject, e.text) for e in events if e.kind is EventKind.INSTRUMENT_REPORT
    ).most_common(40)
    if reports:
        items = tuple(f"{text} ({counted(count, 'time')})" for (_, text), count in reports)
        blocks += [Heading(text="Error reports of instruments", level=3), Bullets(items=items)]
    derived = [one for one in channels.values() if one.channel.source is None]
    gone = [f"{one.channel.name}: {bad_words(one.counts)}" for one in derived if _bad(one.counts)]
    if gone:
        blocks += [
            Heading(text="Derived channels without a value at times", level=3),
            Bullets(items=tuple(gone)),
        ]
    return blocks


def bad_words(counts: Mapping[Status, int]) -> str:
    """Return the number of readings without a good value, and why: ``12: no reply 10, suspect 2``."""
    bad = _bad(counts)
    if not sum(counts.values()):
        return "no readings"
    if not bad:
        return "none"
    each = ", ".join(f"{STATUS_WORDS[s]} {n:,}" for s, n in sorted(counts.items()) if s in STATUS_WORDS and n)
    return f"{bad:,}: {each}"


def _bad(counts: Mapping[Status, int]) -> int:
    return sum(count for status, count in counts.items() if status is not Status.GOOD)


def _lateness_ms(events: Iterable[Event]) -> dict[str, float]:
    """Return the worst delay of each instrument's polls, as recorded by the logger."""
    worst: dict[str, float] = {}
    for event in events:
        delays = event.data.get("lateness_ms")
        if not isinstance(delays, Mapping):
            continue
        for name, figures in delays.items():
            if isinstance(figures, list) and figures and isinstance(figures[-1], int | float):
                worst[name] = max(worst.get(name, 0.0), float(figures[-1]))
    return worst


def calibration(layout: Layout, span_ns: tuple[int, int]) -> list[Block]:
    """Return the calibration state of every measured channel during the run."""
    measured = [channel for channel in layout.channels.values() if channel.source is not None]
    stated = [one for one in measured if one.calibration != Calibration()]
    rows = tuple(
        (
            one.name,
            _correction(one),
            "; ".join((_due(one, span_ns), *certificate_words(one))),
            accuracy_words(one) or "not stated",
        )
        for one in stated
    )
    blocks: list[Block] = [Heading(text="Calibration")]
    if rows:
        titles = ("channel", "true value", "calibration", "accuracy, ±")
        blocks.append(Table(titles=titles, rows=rows))
    silent = [one.name for one in measured if one not in stated]
    if silent:
        words = f"No calibration stated in the rig file for {counted(len(silent), 'channel')}: "
        blocks.append(Paragraph(text=words + ", ".join(silent) + "."))
    return blocks


def _corrected(channel: Channel) -> bool:
    return channel.calibration.gain != 1.0 or channel.calibration.offset != 0.0


def _correction(channel: Channel) -> str:
    if not _corrected(channel):
        return "as read"
    offset = channel.calibration.offset
    more = f" {'+' if offset > 0 else '-'} {figure(abs(offset))} {channel.unit_of_measure}" if offset else ""
    return f"{figure(channel.calibration.gain, 7)} × reading{more}"


def _due(channel: Channel, span_ns: tuple[int, int]) -> str:
    """Return whether the calibration was valid over the run; days are UTC, the due day included."""
    due = channel.calibration.due
    if due is None:
        return "no due date stated"
    first, last = (stamp(t)[:10] for t in span_ns)
    if due.isoformat() < first:
        return f"EXPIRED before the run: due {due}"
    if due.isoformat() < last:
        return f"EXPIRED during the run: due {due}"
    return f"valid: due {due}"


def sessions(found: Sequence[Session], facts: RunFacts) -> list[Block]:
    """Return the sessions of the run."""
    config = {number: one.name for one in facts.configs for number in one.sessions}
    rows = tuple(
        (
            str(one.number),
            stamp(one.start_ns),
            stamp(one.end_ns),
            _end(one, found, facts),
            "synchronised" if one.synchronised else "not synchronised",
            f"{one.software} on {one.host}",
            config.get(one.number, "?"),
        )
        for one in found
    )
    titles = ("session", "first record", "last record", "end", "wall clock", "recorded by", "rig file")
    return [Heading(text="Sessions"), Table(titles=titles, rows=rows)]


def _end(session: Session, found: Sequence[Session], facts: RunFacts) -> str:
    if session.brief:
        return "note or change only, no readings"
    if session.clean:
        return "stopped"
    return "running" if facts.state == "running" and session is found[-1] else "ENDED WITHOUT A STOP"


def configuration(facts: RunFacts, events: Sequence[Event]) -> list[Block]:
    """Return the rig files stored with the run, their hashes, and the changes between them."""
    blocks: list[Block] = [Heading(text="Rig file")]
    changes = [event for event in events if event.kind is EventKind.CONFIG_CHANGE]
    if changes:
        rows = tuple((stamp(e.t_ns), e.subject, e.text) for e in changes)
        blocks.append(Table(titles=("time", "file", "change"), rows=rows, caption="Recorded changes"))
    for number, one in enumerate(facts.configs):
        used = f"used in session {', '.join(map(str, one.sessions))}"
        if not one.text:
            blocks.append(Paragraph(text=f"{one.name}, {used}: text unreadable.", warning=True))
            continue
        caption = f"SHA-256 {one.sha256}, {used}"
        if number == 0:
            blocks.append(Verbatim(text=one.text, caption=caption))
            continue
        before = facts.configs[number - 1].text.splitlines()
        lines = difflib.unified_diff(
            before, one.text.splitlines(), facts.configs[number - 1].name, one.name, lineterm=""
        )
        blocks.append(Verbatim(text="\n".join(lines), caption=f"{caption}; changes:"))
    return blocks


def limits(layout: Layout) -> list[Block]:
    """Return every channel with its limits of the newest session."""
    rows = tuple(_limit_row(channel) for channel in layout.channels.values())
    titles = ("channel", "unit", "kind", "limits", "deadband, on-delay", "from")
    return [Heading(text="Channels and limits"), Table(titles=titles, rows=rows)]


def _limit_row(channel: Channel) -> tuple[str, ...]:
    words = []
    for limit in channel.limits:
        early = f" (warning {figure(limit.early)})" if limit.early is not None else ""
        trip = ", trips" if limit.trip else ""
        words.append(f"{limit.side.value} {figure(limit.value)}{early}{trip}")
    behaviour = dict.fromkeys(f"{figure(one.deadband)}, {duration(one.on_delay_s)}" for one in channel.limits)
    origin = f"= {channel.formula}" if channel.formula is not None else "?"
    if channel.source is not None:
        origin = f"{channel.source.instrument}.{channel.source.field}"
        origin += f", {channel.source.convert}" if channel.source.convert else ""
    return (
        channel.name, channel.unit_of_measure, channel.kind.value, "; ".join(words) or "none",
        " / ".join(behaviour) or "-", origin,
    )  # fmt: skip


def software(facts: RunFacts, found: Sequence[Session]) -> list[Block]:
    """Return the software that recorded the run and wrote the report, and the files left out."""
    recorders = ", ".join(dict.fromkeys(one.software for one in found)) or facts.software
    items = [
        f"recorded by {recorders}; run created by {facts.software}, run id {facts.id}",
        f"this report: soakrig {__version__}, Python {platform.python_version()}, "
        + ", ".join(f"{name} {_version(name)}" for name in _LIBRARIES),
    ]
    blocks: list[Block] = [Heading(text="Software and files"), Bullets(items=tuple(items))]
    if facts.skipped:
        blocks.append(Heading(text="Left out of this report", level=3))
        blocks.append(Bullets(items=facts.skipped))
    else:
        blocks.append(Paragraph(text="Every file of the run was read."))
    return blocks


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"
