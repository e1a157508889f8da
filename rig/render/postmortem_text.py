"""Post-mortem as text (headline first, then the evidence) and as JSON.

The text needs no colour and fits the width given. Times are relative to first-out; the time of first-out
itself is printed in the local zone and in UTC.
"""

from __future__ import annotations

import json
import math
from datetime import tzinfo

from rig.domain import cautions
from rig.domain.formatting import counted, duration, figure
from rig.forensics.answer import (
    Attribution,
    Censoring,
    ChannelStory,
    CrossingExcursion,
    Interval,
    Mark,
    Method,
    PostMortem,
    Role,
)
from rig.forensics.postmortem_json import to_json
from rig.render import postmortem_sections
from rig.render.text_layout import both_times, relative, table, titled, wrapped
from rig.render.timeline import Bar, chart

NARROWEST, WIDEST = 60, 160
_TABLE_FROM = 118
"""Width from which the crossings are one table; below it each takes a few lines."""

CAUTION = cautions.FAILED_UNIT

_METHODS = {
    Method.BRACKET: "between two samples",
    Method.BEYOND_DOUBT: "between two significant readings",
    Method.TREND: "curve fit",
    Method.CENSORED: "out at the first reading",
}
_PARTS = {
    "stamp": "timestamp",
    "order-of-stamps": "timestamp order",
    "lost": "lost readings",
    "shape": "gradual onset",
}
"""Names of contributions to the uncertainty where they differ from their codes."""


def as_json(post_mortem: PostMortem) -> str:
    """Return the post-mortem as JSON text; POSTMORTEM.md in this folder describes the fields."""
    return json.dumps(to_json(post_mortem), indent=2, ensure_ascii=False)


def text(post_mortem: PostMortem, width: int = 100, zone: tzinfo | None = None) -> str:
    """Return the post-mortem as plain text, ``width`` columns at most (kept within 60 to 160).

    zone: for the local time beside UTC; None: this machine's.
    """
    width = min(WIDEST, max(NARROWEST, width))
    lines = answer(post_mortem, width, zone)
    if post_mortem.order.channels:
        lines += _order(post_mortem, width)
        lines += _crossings(post_mortem, width)
        lines += postmortem_sections.pairs(post_mortem, width)
    lines += postmortem_sections.onsets(post_mortem, width)
    lines += postmortem_sections.causes(post_mortem, width)
    lines += postmortem_sections.before(post_mortem, width)
    lines += postmortem_sections.around(post_mortem, width)
    lines += _not_ranked(post_mortem, width)
    if post_mortem.limitations:
        lines += titled("Limitations", width)
        lines += [text for one in post_mortem.limitations for text in wrapped(one, width, "- ", "  ")]
    return "\n".join(line.rstrip() for line in lines)


def answer(post_mortem: PostMortem, width: int, zone: tzinfo | None) -> list[str]:
    """Return the short answer: result, time, first out, confidence, cause, what to check first, caution."""
    lines = wrapped(f"POST-MORTEM {subject(post_mortem)}", width)
    facts = answer_facts(post_mortem, zone)
    if anything_wrong(post_mortem):
        facts.append(("Caution", CAUTION))
    for name, words in facts:
        lines += wrapped(words or "-", width, f"{name:<12}", " " * 12)
    return lines


def subject(post_mortem: PostMortem) -> str:
    """Return the subject of the post-mortem: ``of unit A2 (serial S0002), rig R``."""
    if post_mortem.unit is None:
        return f"of rig {post_mortem.rig}: no unit failed"
    serial = f" (serial {post_mortem.serial})" if post_mortem.serial else ""
    return f"of unit {post_mortem.unit}{serial}, rig {post_mortem.rig}"


def answer_facts(post_mortem: PostMortem, zone: tzinfo | None) -> list[tuple[str, str]]:
    """Return the short answer as names and sentences, for every form of the post-mortem."""
    headline = post_mortem.headline
    facts = [("Result", headline.result)]
    if anything_wrong(post_mortem):
        when = both_times(post_mortem.reference_ns, zone)
        first = _first_interval(post_mortem)
        if first is not None and first.earliest_ns is not None and first.latest_ns is not None:
            when += f", known to within {duration(first.width_s)}"
        facts.append(("When", when))
        facts.append(("First out", headline.first_out))
        facts.append(("Confidence", headline.confidence))
        main = post_mortem.main
        if main is not None:
            why = "" if headline.result.startswith(main.text) else f": {main.text}"
            facts.append(("Cause", f"{place_of_cause(main)}{why}"))
        facts.append(("Check first", headline.check_first))
    return facts


def place_of_cause(main: Attribution) -> str:
    """Return where the cause is: ``test rig (mains), not the unit``."""
    return {
        Role.SENSOR: f"sensor ({main.subject}), not the unit",
        Role.INSTRUMENT: f"instrument or its bus ({main.subject}), not the unit",
        Role.RIG: f"test rig ({main.subject}), not the unit",
        Role.COMMON: f"common cause of several units ({main.subject})",
        Role.UNIT: "the unit itself",
        Role.NONE: "none",
    }[main.role]


def anything_wrong(post_mortem: PostMortem) -> bool:
    """Return whether there was a final episode, or a cause was found."""
    main = post_mortem.main
    return post_mortem.episode_ns is not None or (main is not None and main.role is not Role.NONE)


def _first_interval(post_mortem: PostMortem) -> Interval | None:
    if not post_mortem.order.channels:
        return None
    ordered = post_mortem.story(post_mortem.order.channels[0]).ordered
    return ordered.interval if ordered else None


def ordered_stories(post_mortem: PostMortem) -> list[tuple[ChannelStory, CrossingExcursion]]:
    """Return the ranked channels with their excursion, most likely first-out first."""
    found = []
    for name in post_mortem.order.channels:
        story = post_mortem.story(name)
        if story.ordered is not None:
            found.append((story, story.ordered))
    return found


def rank(post_mortem: PostMortem, channel: str) -> str:
    """Return the range of ranks a channel can have had: ``1``, or ``2-4``."""
    low, high = post_mortem.order.ranks.get(channel, (0, 0))
    return str(low) if low == high else f"{low}-{high}"


def _order(post_mortem: PostMortem, width: int) -> list[str]:
    lines = titled("Sequence of excursions", width)
    tiers = post_mortem.order.tiers
    for number_, tier in enumerate(tiers, 1):
        together = "" if len(tier) == 1 else "   (order undetermined)"
        lines += wrapped(f"{', '.join(tier)}{together}", width, f"{number_:>3}. ", "     ")
    caption = "rank, channel, limit crossing relative to first-out:"
    lines += ["", *wrapped(caption, width)]
    reference = post_mortem.reference_ns
    ordered = ordered_stories(post_mortem)
    longest = max(len(story.channel) for story, _ in ordered)
    bars = [
        Bar(
            label=f"{rank(post_mortem, story.channel):>5}  {story.channel}",
            earliest_s=_seconds(excursion.interval.earliest_ns, reference),
            latest_s=_seconds(excursion.interval.latest_ns, reference),
            best_s=_seconds(excursion.interval.best_ns, reference),
        )
        for story, excursion in ordered
    ]
    return lines + chart(bars, width, min(7 + longest, width // 3))


def _seconds(t_ns: int | None, reference_ns: int) -> float | None:
    return None if t_ns is None else (t_ns - reference_ns) / 1e9


def limit_words(excursion: CrossingExcursion, unit_of_measure: str) -> str:
    """Return ``above 95 degC`` or ``below 40 V``."""
    side = "above" if excursion.side == "high" else "below"
    return f"{side} {figure(excursion.limit)} {unit_of_measure}"


def _crossings(post_mortem: PostMortem, width: int) -> list[str]:
    lines = titled(f"Crossings at {post_mortem.confidence:.0%} confidence", width)
    ordered = ordered_stories(post_mortem)
    if width < _TABLE_FROM:
        for story, excursion in ordered:
            lines += _crossing_lines(post_mortem, story, excursion, width)
        return lines
    reference = post_mortem.reference_ns
    rows = [("rank", "channel", "limit", "last inside", "first outside", "crossed between", "method")]
    for story, e in ordered:
        inside = mark_words(e.last_inside, reference, e.limit) if e.last_inside else "out from the start"
        earliest, latest = (relative(t, reference) for t in (e.interval.earliest_ns, e.interval.latest_ns))
        rows.append(
            (
                rank(post_mortem, story.channel),
                story.channel,
                limit_words(e, story.unit_of_measure),
                inside,
                mark_words(e.first_outside, reference, e.limit),
                f"{earliest} and {latest}",
                reasons(e.interval),
            )
        )
    return lines + table(rows, width)


def mark_words(mark: Mark, reference_ns: int, limit: float) -> str:
    """Return a reading as value and time: ``95.6 at +11.77 s``."""
    return f"{figure(mark.value, near=limit)} at {relative(mark.t_ns, reference_ns)}"


def _crossing_lines(
    post_mortem: PostMortem, story: ChannelStory, e: CrossingExcursion, width: int
) -> list[str]:
    reference = post_mortem.reference_ns
    head = f"{story.channel}, {limit_words(e, story.unit_of_measure)}"
    inside = "out at the first reading"
    if e.last_inside is not None:
        inside = f"last inside {mark_words(e.last_inside, reference, e.limit)}"
    outside = f"first outside {mark_words(e.first_outside, reference, e.limit)}"
    lost = f"; {counted(e.lost, 'reading')} lost between them" if e.lost else ""
    between = (
        f"crossed between {relative(e.interval.earliest_ns, reference)} and "
        f"{relative(e.interval.latest_ns, reference)} ({reasons(e.interval)})"
    )
    return [
        *wrapped(head, width, f"{rank(post_mortem, story.channel):>5}  ", " " * 9),
        *wrapped(f"{inside}, {outside}{lost}", width, " " * 7, " " * 9),
        *wrapped(between, width, " " * 7, " " * 9),
    ]


def reasons(interval: Interval) -> str:
    """Return the method behind an interval and its uncertainty, the largest contribution first."""
    method, left = _METHODS[interval.method], list(interval.reasons)
    sampling = next((part for part in left if part.code == "sampling"), None)
    if interval.method is Method.BRACKET and sampling is not None:
        method = f"{method} {duration(sampling.widened_s)} apart"
        left.remove(sampling)
    parts = sorted(
        (part for part in left if part.widened_s > 0 and math.isfinite(part.widened_s)),
        key=lambda part: -part.widened_s,
    )
    words = [f"{_PARTS.get(part.code, part.code)} {duration(part.widened_s)}" for part in parts]
    return f"{method}; uncertainty: {', '.join(words)}" if words else method


def _not_ranked(post_mortem: PostMortem, width: int) -> list[str]:
    """Return the channels outside the sequence, with the reason."""
    lines = [text for words in not_ranked(post_mortem) for text in wrapped(words, width, "- ", "  ")]
    return [*titled("Channels not ranked", width), *lines] if lines else []


def not_ranked(post_mortem: PostMortem) -> list[str]:
    """Return the channels outside the sequence, one line for each reason."""
    rest = [story for story in post_mortem.channels if story.ordered is None]
    words = {
        Censoring.RIGHT: "within limits whenever read",
        Censoring.UNREAD: "no usable reading",
        Censoring.UNLIMITED: "no limit",
        Censoring.NONE: "out at other times only",
        Censoring.LEFT: "out from the first reading",
    }
    found = []
    for censoring, meaning in words.items():
        names = [story.channel for story in rest if story.censoring is censoring]
        if names:
            found.append(f"{meaning}: {', '.join(names)}")
    return found
