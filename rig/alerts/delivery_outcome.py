"""Outcome of one try to deliver a message."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryOutcome:
    """Outcome of a try.

    delivered: the receiver said that it has the message. refused: it certainly has not; if neither, it
    may have it or not. note: what came, in words, without any secret.
    """

    delivered: bool
    refused: bool = False
    note: str = ""


def delivered(note: str = "") -> DeliveryOutcome:
    """Return the outcome of a message that was accepted."""
    return DeliveryOutcome(delivered=True, note=note)


def refused(note: str) -> DeliveryOutcome:
    """Return the outcome of a message that certainly did not arrive."""
    return DeliveryOutcome(delivered=False, refused=True, note=note)


def unknown(note: str) -> DeliveryOutcome:
    """Return the outcome of a message that may have arrived."""
    return DeliveryOutcome(delivered=False, note=note)
