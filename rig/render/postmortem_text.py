"""A post-mortem as text: the answer in the first lines, then the evidence. And as JSON.

The text needs no colour, and fits the width it is given. Times are relative to the reference (the most
likely first departure); the reference itself stands in the local zone and in UTC.
"""

from __future__ import annotations

import json
from datetime import tzinfo

from rig.domain.formatting import counted, duration, figure
from rig.forensics.answer import Censoring, ChannelStory, CrossingExcursion, Interval, Mark, PostMortem, Role
from rig.forensics.postmortem_json import to_json
from rig.render import postmortem_sections
from rig.render.text_layout import both_times, relative, table, titled, wrapped
from rig.render.timeline import Bar, chart

NARROWEST, WIDEST = 60, 160
_TABLE_FROM = 118
"""Width from which the channels stand in one table; below it each takes a few lines."""

ROLES = {
    Role.SENSOR: "a sensor, not the unit",
    Role.INSTRUMENT: "an instrument or its bus, not the unit",
    Role.RIG: "the rig (what it does to the unit), not the unit",
    Role.COMMON: "a common cause of several units",
    Role.UNIT: "the unit itself",
    Role.NONE: "nothing that needs a cause",
}


def as_json(post_mortem: PostMortem) -> str:
    """Return the post-mortem as JSON text; POSTMORTEM.md in this folder lists the fields."""
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
    lines += _silent_ones(post_mortem, width)
    if post_mortem.doubts:
        lines += titled("What limits this answer", width)
        lines += [text for doubt in post_mortem.doubts for text in wrapped(doubt, width, "- ", "  ")]
    return "\n".join(line.rstrip() for line in lines)


def answer(post_mortem: PostMortem, width: int, zone: tzinfo | None) -> list[str]:
    """Return the short answer: what, when, what went first, how sure, whose fault, what to look at."""
    who = f"unit {post_mortem.unit}" if post_mortem.unit else "no unit"
    serial = f" (serial {post_mortem.serial})" if post_mortem.serial else ""
    lines = wrapped(f"POST-MORTEM of {who}{serial}, rig {post_mortem.rig}", width)
    for name, words in answer_facts(post_mortem, zone):
        lines += wrapped(words or "-", width, f"{name:<12}", " " * 12)
    return lines


def answer_facts(post_mortem: PostMortem, zone: tzinfo | None) -> list[tuple[str, str]]:
    """Return the short answer as names and sentences, for every form of the post-mortem."""
    headline = post_mortem.headline
    facts = [("What failed", headline.result)]
    if anything_wrong(post_mortem):
        when = both_times(post_mortem.reference_ns, zone)
        first = _first_interval(post_mortem)
        if first is not None and first.earliest_ns is not None and first.latest_ns is not None:
            when += f", known to within {duration(first.width_s)}"
        facts.append(("When", when))
        facts.append(("First", headline.first_out))
        facts.append(("How sure", headline.confidence))
        main = post_mortem.main
        if main is not None:
            why = "" if main.text == headline.result else f": {main.text}"
            facts.append(("Cause in", f"{ROLES[main.role]} ({main.weight:.0%}){why}"))
        facts.append(("Look at", headline.check_first))
    return facts


def anything_wrong(post_mortem: PostMortem) -> bool:
    """Return whether a limit was left for good, or a sensor, an instrument or the rig is blamed."""
    main = post_mortem.main
    return post_mortem.episode_ns is not None or (main is not None and main.role is not Role.NONE)


def _first_interval(post_mortem: PostMortem) -> Interval | None:
    if not post_mortem.order.channels:
        return None
    ordered = post_mortem.story(post_mortem.order.channels[0]).ordered
    return ordered.interval if ordered else None


def ordered_stories(post_mortem: PostMortem) -> list[tuple[ChannelStory, CrossingExcursion]]:
    """Return the channels of the order with the excursion that counts, most likely first."""
    found = []
    for name in post_mortem.order.channels:
        story = post_mortem.story(name)
        if story.ordered is not None:
            found.append((story, story.ordered))
    return found


def place(post_mortem: PostMortem, channel: str) -> str:
    """Return the range of places a channel can have had: ``1``, or ``2-4``."""
    low, high = post_mortem.order.ranks.get(channel, (0, 0))
    return str(low) if low == high else f"{low}-{high}"


def _order(post_mortem: PostMortem, width: int) -> list[str]:
    lines = titled("Order of leaving the limits", width)
    tiers = post_mortem.order.tiers
    for number_, tier in enumerate(tiers, 1):
        together = "" if len(tier) == 1 else "   (order among these not certain)"
        lines += wrapped(f"{', '.join(tier)}{together}", width, f"{number_:>3}. ", "     ")
    caption = "place, channel, and when it crossed its limit, relative to the time above:"
    lines += ["", *wrapped(caption, width)]
    reference = post_mortem.reference_ns
    ordered = ordered_stories(post_mortem)
    longest = max(len(story.channel) for story, _ in ordered)
    bars = [
        Bar(
            label=f"{place(post_mortem, story.channel):>5}  {story.channel}",
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
    rows = [("place", "channel", "limit", "last inside", "first outside", "crossed between", "because of")]
    for story, e in ordered:
        inside = mark_words(e.last_inside, reference) if e.last_inside else "out from the start"
        earliest, latest = (relative(t, reference) for t in (e.interval.earliest_ns, e.interval.latest_ns))
        rows.append(
            (
                place(post_mortem, story.channel),
                story.channel,
                limit_words(e, story.unit_of_measure),
                inside,
                mark_words(e.first_outside, reference),
                f"{earliest} and {latest}",
                reasons(e.interval),
            )
        )
    return lines + table(rows, width)


def mark_words(mark: Mark, reference_ns: int) -> str:
    """Return a reading as value and time: ``95.6 at +11.77 s``."""
    return f"{figure(mark.value)} at {relative(mark.t_ns, reference_ns)}"


def _crossing_lines(
    post_mortem: PostMortem, story: ChannelStory, e: CrossingExcursion, width: int
) -> list[str]:
    reference = post_mortem.reference_ns
    head = f"{story.channel}, {limit_words(e, story.unit_of_measure)}"
    inside = "out already at the first reading"
    if e.last_inside is not None:
        inside = f"last inside {mark_words(e.last_inside, reference)}"
    outside = f"first outside {mark_words(e.first_outside, reference)}"
    lost = f"; {counted(e.lost, 'reading')} between them lost" if e.lost else ""
    between = (
        f"crossed between {relative(e.interval.earliest_ns, reference)} and "
        f"{relative(e.interval.latest_ns, reference)} ({reasons(e.interval)})"
    )
    return [
        *wrapped(head, width, f"{place(post_mortem, story.channel):>5}  ", " " * 9),
        *wrapped(f"{inside}, {outside}{lost}", width, " " * 7, " " * 9),
        *wrapped(between, width, " " * 7, " " * 9),
    ]


def reasons(interval: Interval) -> str:
    """Return what made an interval as wide as it is, the largest part first, in few words."""
    parts = sorted(interval.reasons, key=lambda reason: -abs(reason.widened_s))
    words = [
        f"{part.code} {'-' if part.widened_s < 0 else ''}{duration(abs(part.widened_s))}"
        for part in parts
        if part.widened_s
    ]
    return f"{interval.method.value}: {', '.join(words)}" if words else interval.method.value


def _silent_ones(post_mortem: PostMortem, width: int) -> list[str]:
    """Return what there is to say of the channels that take no part in the order."""
    lines = [text for words in silent_words(post_mortem) for text in wrapped(words, width, "- ", "  ")]
    return [*titled("Channels that take no part in the order", width), *lines] if lines else []


def silent_words(post_mortem: PostMortem) -> list[str]:
    """Return why the channels outside of the order are there, a sentence for each reason."""
    rest = [story for story in post_mortem.channels if story.ordered is None]
    words = {
        Censoring.RIGHT: "never out of a limit while read",
        Censoring.UNREAD: "not one usable reading",
        Censoring.UNLIMITED: "has no limit",
        Censoring.NONE: "out at other times only",
        Censoring.LEFT: "out from the first reading",
    }
    found = []
    for censoring, meaning in words.items():
        names = [story.channel for story in rest if story.censoring is censoring]
        if names:
            found.append(f"{meaning}: {', '.join(names)}")
    return found
