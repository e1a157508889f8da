"""Post-mortem as a page: short answer, pictures, then the tables."""

from __future__ import annotations

from datetime import tzinfo

from rig import __version__
from rig.domain.formatting import counted, duration, figure
from rig.domain.recording import Recording
from rig.forensics.answer import Attribution, CrossingExcursion, PostMortem
from rig.render.pages import death_charts
from rig.render.pages.blocks import Block, Bullets, FactList, Heading, Paragraph, ReportPage, Table, more
from rig.render.postmortem_sections import (
    MOST_EVIDENCE,
    SHOWN_ELSEWHERE,
    cause_words,
    consequences,
    percent,
    together,
)
from rig.render.postmortem_text import (
    CAUTION,
    answer_facts,
    anything_wrong,
    limit_words,
    mark_words,
    not_ranked,
    ordered_stories,
    rank,
    reasons,
    subject,
)
from rig.render.text_layout import relative

MOST_PAIRS = 40
MOST_EVENTS = 100
MOST_EARLY = 60


def page(found: PostMortem, recording: Recording, zone: tzinfo | None = None) -> ReportPage:
    """Return the page of one post-mortem; ``zone``: for local times beside UTC, None: this machine's."""
    blocks: list[Block] = [FactList(pairs=tuple(answer_facts(found, zone)))]
    if anything_wrong(found):
        blocks.append(Paragraph(text=CAUTION, warning=True))
    blocks += limitations(found)
    for picture in (
        death_charts.timeline(found),
        death_charts.around(found, recording),
        death_charts.before(found, recording),
    ):
        if picture is not None:
            blocks += [Heading(text=_PICTURES[picture.name]), picture]
    blocks += order(found)
    blocks += pairs(found)
    blocks += onsets(found)
    blocks += causes(found)
    blocks += before(found)
    blocks += surroundings(found)
    if rest := not_ranked(found):
        blocks += [Heading(text="Channels not ranked"), Bullets(items=tuple(rest))]
    return ReportPage(
        title=f"Post-mortem {subject(found)}",
        blocks=tuple(blocks),
        foot=(
            f"Written by soakrig {__version__} from the recording alone; intervals at {found.confidence:.0%} "
            "confidence. Times without a date are relative to first-out."
        ),
    )


_PICTURES = {
    "order": "Limit crossings",
    "around": "Minutes around the failure",
    "before": "Time before the failure",
}


def limitations(found: PostMortem) -> list[Block]:
    """Return the limitations of the analysis."""
    if not found.limitations:
        return []
    return [Heading(text="Limitations", level=3), Bullets(items=found.limitations)]


def order(found: PostMortem) -> list[Block]:
    """Return the sequence of excursions and the crossings."""
    if not found.order.channels:
        return []
    tiers = tuple(
        f"step {number}: {', '.join(tier)}" + ("" if len(tier) == 1 else " (order undetermined)")
        for number, tier in enumerate(found.order.tiers, 1)
    )
    reference = found.reference_ns
    rows = []
    for story, e in ordered_stories(found):
        between = " and ".join(relative(t, reference) for t in (e.interval.earliest_ns, e.interval.latest_ns))
        rows.append(
            (
                story.channel,
                rank(found, story.channel),
                limit_words(e, story.unit_of_measure),
                mark_words(e.last_inside, reference, e.limit) if e.last_inside else "out from the start",
                mark_words(e.first_outside, reference, e.limit),
                between,
                reasons(e.interval) + (f"; {counted(e.lost, 'reading')} lost" if e.lost else ""),
            )
        )
    titles = ("channel", "rank", "limit", "last inside", "first outside", "crossed between", "method")
    return [
        Heading(text="Sequence of excursions"),
        Bullets(items=tiers),
        Table(titles=titles, rows=tuple(rows), caption=f"Crossings at {found.confidence:.0%} confidence"),
    ]


def pairs(found: PostMortem) -> list[Block]:
    """Return the pairs whose order is undetermined."""
    open_pairs = sorted(found.order.open_pairs, key=lambda pair: abs(pair.probability - 0.5))
    if not open_pairs:
        if len(found.order.channels) < 2:
            return []
        return [Paragraph(text="The order of every pair is certain.")]
    rows = tuple(
        (
            f"{pair.first} before {pair.second}",
            percent(pair.probability),
            f"{duration(pair.resolvable_at_s)} sampling" if pair.resolvable_at_s else "-",
            pair.obstacle,
        )
        for pair in open_pairs[:MOST_PAIRS]
    )
    blocks: list[Block] = [
        Heading(text=f"Order undetermined ({counted(len(open_pairs), 'pair')})"),
        Table(titles=("pair", "probability", "resolvable at", "uncertainty"), rows=rows),
    ]
    return blocks + more(len(open_pairs), MOST_PAIRS, "pair")


def onsets(found: PostMortem) -> list[Block]:
    """Return the onset of each channel."""
    order_of = {name: at for at, name in enumerate(found.onset_order.channels)}
    seen = sorted(
        (story for story in found.channels if story.onset is not None),
        key=lambda story: order_of.get(story.channel, len(order_of)),
    )
    unseen = [s for s in found.channels if s.onset is None and s.onset_note and s.ordered is not None]
    if not seen and not unseen:
        return []
    reference = found.reference_ns
    rows = []
    for story in seen:
        onset = story.onset
        assert onset is not None
        ends = (onset.interval.earliest_ns, onset.interval.latest_ns)
        rows.append(
            (
                story.channel,
                " and ".join(relative(t, reference) for t in ends),
                "rising" if onset.rising else "falling",
                f"{figure(onset.baseline)} ±{figure(onset.scatter, 2)} {story.unit_of_measure}",
                relative(onset.detected_ns, reference),
                ", ".join(onset.corrected_for) or "-",
            )
        )
    blocks: list[Block] = [Heading(text="Onset (first deviation from baseline)")]
    if rows:
        titles = ("channel", "onset between", "direction", "baseline", "detected", "corrected for")
        blocks.append(Table(titles=titles, rows=tuple(rows)))
    if unseen:
        words = together((story.channel, story.onset_note) for story in unseen)
        blocks.append(Bullets(items=tuple(words)))
    return blocks


def causes(found: PostMortem) -> list[Block]:
    """Return the attributions with their evidence, cycling and consequences."""
    blocks: list[Block] = []
    if found.findings:
        blocks.append(Heading(text="Cause and evidence"))
        for finding in sorted(found.findings, key=lambda f: (not f.main, -f.weight)):
            blocks += _finding(finding, found.reference_ns)
    if found.cycling:
        blocks.append(Heading(text="Cycling", level=3))
        blocks.append(Bullets(items=tuple(one.text for one in found.cycling)))
    if found.consequences:
        blocks.append(Heading(text="Consequences", level=3))
        blocks.append(Bullets(items=tuple(consequences(found))))
    return blocks


def _finding(finding: Attribution, reference_ns: int) -> list[Block]:
    items = []
    for one in finding.evidence[: 2 * MOST_EVIDENCE]:
        when = f" at {relative(one.t_ns, reference_ns)}" if one.t_ns is not None else ""
        items.append(f"evidence: {one.subject}{when}: {one.text}")
    items += [f"ruled out if: {words}" for words in finding.ruled_out_if]
    return [Heading(text=cause_words(finding), level=3), Bullets(items=tuple(items))]


def before(found: PostMortem) -> list[Block]:
    """Return the counted excursions before the final episode."""
    early = sorted(found.early, key=lambda e: e.first_outside.t_ns)
    if not early:
        return []
    measure = {story.channel: story.unit_of_measure for story in found.channels}
    rows = tuple(_early_row(one, measure.get(one.channel, ""), found) for one in early[:MOST_EARLY])
    titles = ("first outside", "channel", "limit", "worst", "lasted")
    blocks: list[Block] = [
        Heading(text=f"Earlier excursions, returned to normal ({len(early)})"),
        Table(titles=titles, rows=rows),
    ]
    return blocks + more(len(early), MOST_EARLY, "excursion")


def _early_row(one: CrossingExcursion, measure: str, found: PostMortem) -> tuple[str, ...]:
    end = one.returned or one.last_outside
    return (
        relative(one.first_outside.t_ns, found.reference_ns),
        one.channel,
        limit_words(one, measure),
        figure(one.worst.value, near=one.limit),
        duration((end.t_ns - one.first_outside.t_ns) / 1e9),
    )


def surroundings(found: PostMortem) -> list[Block]:
    """Return the state of the other units and the room, and the recorded events at that time."""
    blocks: list[Block] = []
    if found.neighbours:
        rows = tuple((one.subject, one.state, one.text) for one in found.neighbours)
        blocks.append(Heading(text="Other units and room at the same time"))
        blocks.append(Table(titles=("unit or channel", "state", "details"), rows=rows))
    events = [e for e in found.events if e.kind not in SHOWN_ELSEWHERE]
    if events:
        nearest = sorted(events, key=lambda e: abs(e.t_ns - found.reference_ns))[:MOST_EVENTS]
        rows_ = tuple(
            (relative(e.t_ns, found.reference_ns), e.kind.value, e.text or e.subject)
            for e in sorted(nearest, key=lambda e: (e.t_ns, e.seq))
        )
        blocks.append(Heading(text="Recorded events at that time"))
        blocks.append(Table(titles=("time", "kind", "event"), rows=rows_))
        blocks += more(len(events), MOST_EVENTS, "event")
    return blocks
