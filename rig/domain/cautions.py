"""Cautions that stand in more than one place, word for word the same."""

from __future__ import annotations

from typing import Final

FAILED_UNIT: Final = (
    "A failed unit may hold charged reservoir capacitors and hot parts, and may put its supply rail on the "
    "load. Isolate it from the mains (a variac does not isolate) and discharge the capacitors before you "
    "touch it. Local codes apply and competent persons decide; this software is no safety device."
)
"""Where somebody is sent to a unit that failed, tripped or may not be off."""
