"""Orders: what a person asks of a run that is being recorded, as plain values.

A command puts an order into the run's inbox; the process that holds the run carries it out and records it.
Times are UTC ns of the sender's wall clock: labels, never order.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.errors import shown

FORMAT = 1
LONGEST_TEXT = 10_000
_ID = re.compile(r"[A-Za-z0-9-]{8,80}")


class OrderKind(enum.StrEnum):
    """What can be asked for."""

    NOTE = "note"
    """Record an observation or action: data ``text``, perhaps ``unit``, ``at_ns``, ``died``."""
    SWAP = "swap"
    """Change the serial number in a position: data ``unit``, ``serial`` ('' for none), ``text``, perhaps
    ``at_ns``."""
    RELOAD = "reload"
    """Apply the limits of another rig file: data ``config`` (its digits in the run), ``text``."""
    PHASE = "phase"
    """Move in the test program: data ``to`` (a phase's name, ``next``, ``hold`` or ``go``), ``text``, perhaps
    ``unit``: only the group of that unit."""
    INCIDENT = "incident"
    """Open an incident by hand, or enter something about one: data ``text``; incident_entries.py."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One thing asked for. ``id`` names it for ever; ``by``: user@host; ``asked_ns``: when."""

    id: str
    kind: OrderKind
    by: str
    asked_ns: int
    data: Mapping[str, Any] = field(default_factory=dict)

    def text_of(self, key: str) -> str:
        """Return a text of the order's data, '' where there is none."""
        value = self.data.get(key)
        return value if isinstance(value, str) else ""


def to_json(order: Order) -> dict[str, Any]:
    """Return the order as JSON values."""
    return {
        "soakrig": "order",
        "format": FORMAT,
        "id": order.id,
        "deed": str(order.kind),
        "by": order.by,
        "asked_ns": order.asked_ns,
        "data": dict(order.data),
    }


def from_json(values: Any) -> Order:
    """Return the order that ``to_json`` wrote. Raises ValueError in words for anything else."""
    if not isinstance(values, dict) or values.get("soakrig") != "order":
        raise ValueError(f"not an order: {shown(str(values))}")
    if values.get("format") != FORMAT:
        raise ValueError(f"order format {shown(str(values.get('format')))}; this soakrig knows {FORMAT}")
    known = [one.value for one in OrderKind]
    kind, data = values.get("deed"), values.get("data", {})
    if kind not in known:
        raise ValueError(f"unknown kind {shown(str(kind))}; known are {', '.join(known)}")
    name, by, asked_ns = values.get("id"), values.get("by"), values.get("asked_ns")
    if not isinstance(name, str) or _ID.fullmatch(name) is None:
        raise ValueError(f"id {shown(str(name))}; expected letters, digits and hyphens")
    if not isinstance(by, str) or isinstance(asked_ns, bool) or not isinstance(asked_ns, int):
        raise ValueError("sender or time is missing")  # noqa: TRY004 - the bytes are wrong, not the caller
    if not isinstance(data, dict):
        raise ValueError(f"data {shown(str(data))} are no mapping")  # noqa: TRY004 - as above
    for key, value in data.items():
        if isinstance(value, str) and len(value) > LONGEST_TEXT:
            raise ValueError(f"{key} has {len(value)} characters; at most {LONGEST_TEXT} are accepted")
    return Order(id=name, kind=OrderKind(kind), by=by[:200], asked_ns=asked_ns, data=data)
