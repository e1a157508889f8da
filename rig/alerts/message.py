"""Message of a batch of facts: a short subject, and a text with what, where, since when and what to check."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any

from rig.alerts.delivery_state import Batch
from rig.alerts.facts import Fact, FirstOut, harmless
from rig.alerts.severity import Severity
from rig.alerts.unit_alarms import FAILED_WORD
from rig.domain.cautions import FAILED_UNIT
from rig.domain.formatting import clock_time, counted, duration, moment, stamp
from rig.domain.jsonmap import plain
from rig.domain.phase_texts import VARIAC_CAUTION

SUBJECT_CHARACTERS = 120
LATE_S = 120.0
"""An alert sent later than this after the event states its delay."""
_SECOND = 1_000_000_000
_LEADS = {"worse": "now worse: ", "still": "still: ", "test": ""}
_CAUTIONS = {
    FAILED_UNIT: {Severity.FAILED, Severity.TRIP, Severity.UNPOWERED, Severity.LIMIT},
    VARIAC_CAUTION: {Severity.SUPPLY, Severity.ACTION},
}
"""Cautions of a message, by the severities that send somebody to a unit or to the mains source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """Message for one notifier; the body of a webhook and of an MQTT message has these names.

    ``key``: the same for every try of the same message. facts: JSON values.
    """

    key: str
    subject: str
    text: str
    rig: str
    run: str
    facts: tuple[dict[str, Any], ...] = ()


def compose(
    batch: Batch,
    *,
    rig: str,
    run: str,
    place: str,
    now_ns: int,
    most_lines: int,
    zone: tzinfo | None = None,
) -> Message:
    """Return the message for a batch.

    place: where the recording is. now_ns: UTC; zone: of the times (None: this machine's); UTC always
    stands beside it. What is severe stands first; the others follow in the order of detection. At most
    ``most_lines`` facts are written out; the rest is counted.
    """
    facts = batch.facts
    worst = [fact for fact in _by_severity(facts) if _leads(fact, facts)]
    rest = [fact for fact in facts if fact not in worst]
    shown = [*worst, *rest][:most_lines]
    lead = _lead(facts)
    blocks = [_block(fact, now_ns, zone, check=not (fact is lead and lead.passes)) for fact in shown]
    if rest and len(facts) > 1 and len(worst) < most_lines:
        words = counted(len(rest), "more alarm" if worst else "alarm")
        blocks.insert(len(worst), [f"{words}, in the order of detection:"])
    left_out = [fact for fact in facts if fact not in shown]
    if left_out:
        groups = Counter(fact.group for fact in left_out)
        names = ", ".join(f"{group} {count}" for group, count in groups.most_common(20))
        blocks.append([f"and {counted(len(left_out), 'more alarm')}: {names}"])
    blocks += _after(facts, lead)
    blocks.append(_footer(batch, rig=rig, run=run, place=place, now_ns=now_ns, zone=zone))
    return Message(
        key=batch.key,
        subject=_subject(facts, rig, zone),
        text="\n\n".join("\n".join(block) for block in blocks) + "\n",
        rig=harmless(rig),
        run=harmless(run),
        facts=tuple(_plain_fact(fact) for fact in shown),
    )


def _by_severity(facts: Sequence[Fact]) -> list[Fact]:
    """Return facts, the worst first; of one severity in the order of detection."""
    return sorted(facts, key=lambda fact: fact.how_severe.rank)


def _is_retracted(fact: Fact, facts: Sequence[Fact]) -> bool:
    """Whether a failure was retracted by a later fact of the same message."""
    return fact.how_severe is Severity.FAILED and any(
        one.how_severe is Severity.RETRACTED and one.group == fact.group and one.number > fact.number
        for one in facts
    )


def _leads(fact: Fact, facts: Sequence[Fact]) -> bool:
    """Whether a fact stands above the others of its message."""
    return fact.passes and not _is_retracted(fact, facts)


def _lead(facts: Sequence[Fact]) -> Fact:
    """Return the fact that a message is about: the worst, and of those something new."""
    standing = [fact for fact in facts if not _is_retracted(fact, facts)]
    return min(standing, key=lambda fact: (not (fact.is_news or fact.passes), fact.how_severe.rank))


def _subject(facts: Sequence[Fact], rig: str, zone: tzinfo | None) -> str:
    lead = _lead(facts)
    more = f" (and {len(facts) - 1} more)" if len(facts) > 1 else ""
    words = f"{_LEADS.get(lead.what, '')}{lead.headline}"
    if lead.how_severe is Severity.FAILED:
        failed = [fact for fact in facts if fact.how_severe is Severity.FAILED and _leads(fact, facts)]
        words, more = _failed_words(failed or [lead], zone), ""
    elif lead.how_severe is Severity.TRIP:
        words = f"TRIP: {words}{_goes_on_words(lead.goes_on)}"
    words = harmless(f"{rig}: {words}")
    room = SUBJECT_CHARACTERS - len(more)
    return (words if len(words) <= room else f"{words[: room - 1]}…") + more


def _failed_words(failed: Sequence[Fact], zone: tzinfo | None) -> str:
    """Return which units failed, how many go on, and what left its limits first where one unit failed."""
    newest = {fact.group: fact for fact in failed}
    last = max(failed, key=lambda fact: fact.number)
    if len(newest) == 1:
        words = f"{last.headline}{_goes_on_words(last.goes_on)}"
        return f"{words}. {_first_out_words(last.first_out, zone)}" if last.first_out else words
    goes_on = None
    if last.goes_on is not None:
        goes_on = tuple(unit for unit in last.goes_on if unit not in newest)
    certain = all(fact.headline.endswith(FAILED_WORD) for fact in newest.values())
    how = "" if certain else " (likely)"
    return f"{', '.join(newest)} {FAILED_WORD}{how}{_goes_on_words(goes_on)}"


def _goes_on_words(units: tuple[str, ...] | None) -> str:
    if units is None:
        return ""
    if not units:
        return ", no other unit goes on"
    return f", {counted(len(units), 'unit')} {'goes' if len(units) == 1 else 'go'} on"


def _first_out_words(first: FirstOut, zone: tzinfo | None) -> str:
    names, time = ", ".join(first.channels), clock_time(first.t_ns, zone)
    if len(first.channels) == 1:
        return f"First out: {names} {time}"
    return f"First out: {names} within {first.within_s:.2g} s, order undetermined"


def _after(facts: Sequence[Fact], lead: Fact) -> list[list[str]]:
    """Return what stands below the alarms: what goes on, what to check first, and the cautions."""
    blocks = []
    if lead.goes_on is not None:
        blocks.append([f"units that go on: {', '.join(lead.goes_on) or 'none'}"])
    last = [f"check first: {lead.look}"] if lead.passes and lead.look else []
    severities = {fact.how_severe for fact in facts if fact.is_news}
    for caution, concerned in _CAUTIONS.items():
        if severities & concerned:
            last.append(caution)
    return [*blocks, last] if last else blocks


def _block(fact: Fact, now_ns: int, zone: tzinfo | None, *, check: bool) -> list[str]:
    """Return the lines of one fact. check: whether they say where to check; it may stand at the end."""
    lines = [f"{_LEADS.get(fact.what, '')}{fact.headline}"]
    if fact.what == "over":
        lines.append(f"  from {_both(fact.since_ns, zone)}")
        lines.append(f"  until {_both(fact.t_ns, zone)}")
    elif fact.what == "test":
        lines.append(f"  sent {_both(fact.t_ns, zone)}")
    else:
        lines.append(f"  since {_both(fact.since_ns, zone)}")
        if fact.what == "worse":
            lines.append(f"  worse since {_both(fact.t_ns, zone)}")
    lines += [f"  {line}" for line in fact.detail]
    if fact.first_out is not None:
        first = fact.first_out
        lines.append(f"  {_first_out_words(first, zone)}")
        lines.append(f"  first reading outside {_both(first.t_ns, zone)}")
    if fact.look and check:
        lines.append(f"  check: {fact.look}")
    late_s = (now_ns - max(fact.t_ns, fact.queued_ns if fact.what == "over" else 0)) / _SECOND
    if late_s > LATE_S:
        lines.append(f"  delayed by {duration(late_s)}")
    return lines


def _footer(batch: Batch, *, rig: str, run: str, place: str, now_ns: int, zone: tzinfo | None) -> list[str]:
    lines = [
        harmless(f"rig {rig}, run {run}"),
        harmless(f"recording: {place}"),
        f"sent {_both(now_ns, zone)}",
    ]
    if batch.held:
        lines.append(f"{counted(batch.held, 'alarm')} held back: hourly limit of messages reached")
    if batch.last:
        lines.append("last message of this hour; further alarms are held back for one digest")
    if batch.flush_ns and len(batch.facts) > 1:
        lines.append("all that waited, sent at the stop")
    if batch.dropped:
        lines.append(
            f"{counted(batch.dropped, 'alarm')} between the first and the last dropped: too many waiting"
        )
    lines.append(f"message ID {batch.key} (duplicates carry the same ID)")
    return lines


def _both(t_ns: int, zone: tzinfo | None) -> str:
    utc = stamp(t_ns, UTC)
    local = stamp(t_ns, zone)
    if moment(t_ns, zone).utcoffset() == moment(t_ns, UTC).utcoffset():
        return utc
    return f"{local} ({utc})"


def _plain_fact(fact: Fact) -> dict[str, Any]:
    return {
        "number": fact.number,
        "what": fact.what,
        "category": fact.category,
        "severity": str(fact.how_severe),
        "group": fact.group,
        "headline": fact.headline,
        "detail": list(fact.detail),
        "look": fact.look,
        "utc": moment(fact.t_ns, UTC).isoformat(),
        "since_utc": moment(fact.since_ns, UTC).isoformat(),
        "goes_on": None if fact.goes_on is None else list(fact.goes_on),
        "first_out": None if fact.first_out is None else plain(fact.first_out),
    }
