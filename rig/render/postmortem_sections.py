"""Sections of a post-mortem's text after the sequence: pairs, onsets, causes, before, around."""

from __future__ import annotations

from collections.abc import Iterable

from rig.domain.formatting import counted, duration, figure
from rig.domain.model import Event, EventKind
from rig.forensics.answer import Attribution, PostMortem, Role
from rig.render.text_layout import relative, table, titled, wrapped

MOST_PAIRS = 8
MOST_EVIDENCE = 5
MOST_EVENTS = 20
MOST_EARLY = 12

SHOWN_ELSEWHERE = frozenset(
    {EventKind.LIMIT_OUT, EventKind.LIMIT_IN, EventKind.EARLY_OUT, EventKind.EARLY_IN, EventKind.HEALTH}
)
"""Kinds of events that other sections show, and those of no interest here."""


def _more(total: int, most: int, what: str) -> list[str]:
    return [f"  {counted(total - most, f'further {what}')} in --json"] if total > most else []


def pairs(post_mortem: PostMortem, width: int) -> list[str]:
    """Return the pairs whose order is undetermined, and the sampling interval that would resolve it."""
    open_pairs = post_mortem.order.open_pairs
    if not open_pairs:
        if len(post_mortem.order.channels) > 1:
            return ["", "The order of every pair is certain."]
        return []
    lines = titled(f"Order undetermined ({counted(len(open_pairs), 'pair')})", width)
    for pair in sorted(open_pairs, key=lambda p: abs(p.probability - 0.5))[:MOST_PAIRS]:
        words = f"{pair.first} before {pair.second}: probability {percent(pair.probability)}"
        if pair.resolvable_at_s:
            words += f"; resolvable at {duration(pair.resolvable_at_s)} sampling"
        if pair.obstacle:
            words += f"; {pair.obstacle}"
        lines += wrapped(words, width, "- ", "  ")
    return lines + _more(len(open_pairs), MOST_PAIRS, "pair")


def percent(probability: float) -> str:
    """Return a probability in percent, between 1 and 99 % since it is not certain."""
    return f"{min(99, max(1, round(probability * 100)))} %"


def onsets(post_mortem: PostMortem, width: int) -> list[str]:
    """Return the onset of each channel."""
    seen = [story for story in post_mortem.channels if story.onset is not None]
    unseen = [s for s in post_mortem.channels if s.onset is None and s.onset_note and s.ordered is not None]
    if not seen and not unseen:
        return []
    lines = titled("Onset (first deviation from baseline)", width)
    rank = {name: at for at, name in enumerate(post_mortem.onset_order.channels)}
    reference = post_mortem.reference_ns
    rows: list[tuple[str, ...]] = [("channel", "onset between", "", "direction", "baseline", "detected")]
    for story in sorted(seen, key=lambda s: rank.get(s.channel, len(rank))):
        onset = story.onset
        assert onset is not None
        rows.append(
            (
                story.channel,
                relative(onset.interval.earliest_ns, reference),
                f"and {relative(onset.interval.latest_ns, reference)}",
                "rising" if onset.rising else "falling",
                f"{figure(onset.baseline)} ±{figure(onset.scatter, 2)} {story.unit_of_measure}",
                relative(onset.detected_ns, reference),
            )
        )
    if seen:
        lines += table(rows, width)
    for words in together((story.channel, story.onset_note) for story in unseen):
        lines += wrapped(words, width, "- ", "  ")
    return lines


def together(notes: Iterable[tuple[str, str]]) -> list[str]:
    """Return ``a, b, c: note`` for names that share a note, in order of first appearance."""
    names: dict[str, list[str]] = {}
    for name, note in notes:
        names.setdefault(note, []).append(name)
    return [f"{', '.join(those)}: {note}" for note, those in names.items()]


def causes(post_mortem: PostMortem, width: int) -> list[str]:
    """Return the attributions with their evidence, the cycling and the consequences."""
    lines: list[str] = []
    if post_mortem.findings:
        lines += titled("Cause and evidence", width)
        for finding in sorted(post_mortem.findings, key=lambda f: (not f.main, -f.weight)):
            lines += _finding(finding, post_mortem.reference_ns, width)
    if post_mortem.cycling:
        lines += titled("Cycling", width)
        for one in post_mortem.cycling:
            lines += wrapped(one.text, width, "- ", "  ")
    if post_mortem.consequences:
        lines += titled("Consequences", width)
        for words in consequences(post_mortem):
            lines += wrapped(words, width, "- ", "  ")
    return lines


def consequences(post_mortem: PostMortem) -> list[str]:
    """Return the consequential excursions, channels with the same reason together."""
    return together((one.channel, one.reason) for one in post_mortem.consequences)


def cause_words(finding: Attribution) -> str:
    """Return an attribution in one line: ``unit A2 (likely): no external cause found``."""
    role = {"rig": "test rig", "common-cause": "common cause"}.get(finding.role.value, finding.role.value)
    text = finding.text.removeprefix(f"{finding.subject}: ")
    if finding.role is Role.NONE:
        return f"no fault ({finding.likelihood}): {text}"
    return f"{role} {finding.subject} ({finding.likelihood}): {text}"


def _finding(finding: Attribution, reference_ns: int, width: int) -> list[str]:
    head = cause_words(finding)
    lines = wrapped(head, width, "* " if finding.main else "- ", "  ")
    for one in finding.evidence[:MOST_EVIDENCE]:
        when = f" at {relative(one.t_ns, reference_ns)}" if one.t_ns is not None else ""
        lines += wrapped(f"{one.subject}{when}: {one.text}", width, "    evidence: ", "      ")
    lines += _more(len(finding.evidence), MOST_EVIDENCE, "observation")
    for words in finding.ruled_out_if:
        lines += wrapped(words, width, "    ruled out if: ", "      ")
    return lines


def before(post_mortem: PostMortem, width: int) -> list[str]:
    """Return the counted excursions before the final episode."""
    early = sorted(post_mortem.early, key=lambda e: e.first_outside.t_ns)
    if not early:
        return []
    measure = {story.channel: story.unit_of_measure for story in post_mortem.channels}
    lines = titled(f"Earlier excursions, returned to normal ({len(early)})", width)
    rows: list[tuple[str, ...]] = [("first outside", "channel", "limit", "worst", "lasted")]
    for one in early[:MOST_EARLY]:
        end = one.returned or one.last_outside
        side = "above" if one.side == "high" else "below"
        rows.append(
            (
                relative(one.first_outside.t_ns, post_mortem.reference_ns),
                one.channel,
                f"{side} {figure(one.limit)} {measure.get(one.channel, '')}",
                figure(one.worst.value, near=one.limit),
                duration((end.t_ns - one.first_outside.t_ns) / 1e9),
            )
        )
    return lines + table(rows, width) + _more(len(early), MOST_EARLY, "excursion")


def _detail(event: Event) -> bool:
    """Return whether an event is a single finding of a pre-flight, whose summary is listed."""
    return event.kind is EventKind.CHECK and event.data.get("check") != "summary"


def around(post_mortem: PostMortem, width: int) -> list[str]:
    """Return the state of the other units and the room, and the events of those minutes."""
    lines: list[str] = []
    if post_mortem.neighbours:
        lines += titled("Other units and room at the same time", width)
        rows: list[tuple[str, ...]] = [("", "state", "")]
        rows += [(one.subject, one.state, one.text) for one in post_mortem.neighbours]
        first = max(len(row[0]) for row in rows) + 1
        second = max(len(row[1]) for row in rows) + 1
        for subject, state, words in rows[1:]:
            lead = f"{subject:<{first}} {state:<{second}} "
            lines += wrapped(words, width, lead, " " * len(lead))
    events = [e for e in post_mortem.events if e.kind not in SHOWN_ELSEWHERE and not _detail(e)]
    if events:
        lines += titled("Recorded events at that time", width)
        nearest = sorted(events, key=lambda e: abs(e.t_ns - post_mortem.reference_ns))[:MOST_EVENTS]
        for event in sorted(nearest, key=lambda e: (e.t_ns, e.seq)):
            lead = f"{relative(event.t_ns, post_mortem.reference_ns):>10}  {event.kind.value:<17} "
            lines += wrapped(event.text or event.subject, width, lead, " " * 12)
        lines += _more(len(events), MOST_EVENTS, "event")
    return lines
