"""Message of a batch of facts: a short subject, and a text with what, where, since when and what to check."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any

from rig.alerts.delivery_state import Batch
from rig.alerts.facts import Fact, harmless
from rig.domain.formatting import counted, duration, moment, stamp

SUBJECT_CHARACTERS = 120
LATE_S = 120.0
"""An alert sent later than this after the event states its delay."""
_SECOND = 1_000_000_000
_LEADS = {"worse": "now worse: ", "still": "still: ", "test": ""}


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
    stands beside it. At most ``most_lines`` facts are written out, in order; the rest is counted.
    """
    facts = batch.facts
    shown, rest = facts[:most_lines], facts[most_lines:]
    blocks = [_block(fact, now_ns, zone) for fact in shown]
    if len(facts) > 1:
        blocks.insert(0, [f"{counted(len(facts), 'alert')}, in the order of detection:"])
    if rest:
        groups = Counter(fact.group for fact in rest)
        words = ", ".join(f"{group} {count}" for group, count in groups.most_common(20))
        blocks.append([f"and {counted(len(rest), 'more alert')}: {words}"])
    blocks.append(_footer(batch, rig=rig, run=run, place=place, now_ns=now_ns, zone=zone))
    return Message(
        key=batch.key,
        subject=_subject(facts, rig),
        text="\n\n".join("\n".join(block) for block in blocks) + "\n",
        rig=harmless(rig),
        run=harmless(run),
        facts=tuple(_plain_fact(fact) for fact in shown),
    )


def _subject(facts: tuple[Fact, ...], rig: str) -> str:
    lead = next((fact for fact in facts if fact.what in ("new", "worse")), facts[0])
    words = f"{rig}: {_LEADS.get(lead.what, '')}{lead.headline}"
    more = f" (and {len(facts) - 1} more)" if len(facts) > 1 else ""
    words = harmless(words)
    room = SUBJECT_CHARACTERS - len(more)
    return (words if len(words) <= room else f"{words[: room - 1]}…") + more


def _block(fact: Fact, now_ns: int, zone: tzinfo | None) -> list[str]:
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
    if fact.look:
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
        lines.append(f"{counted(batch.held, 'alert')} held back: hourly limit of messages reached")
    if batch.last:
        lines.append("last message of this hour; further alerts are held back for one digest")
    if batch.dropped:
        lines.append(
            f"{counted(batch.dropped, 'alert')} between the first and the last dropped: too many waiting"
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
        "group": fact.group,
        "headline": fact.headline,
        "detail": list(fact.detail),
        "look": fact.look,
        "utc": moment(fact.t_ns, UTC).isoformat(),
        "since_utc": moment(fact.since_ns, UTC).isoformat(),
    }
