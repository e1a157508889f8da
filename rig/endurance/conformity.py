"""Decisions at a limit under measurement uncertainty.

JCGM 106:2012 for probabilities of conformity and guard bands, ILAC-G8:09/2019 4.2 for the four answers of
a decision with a guard band.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

from rig.domain.model import Limit, Side
from rig.errors import UsageError


class LimitDecision(enum.StrEnum):
    """Decision on a measured value at a limit with a guard band of width w inside it."""

    PASS = "pass"  # noqa: S105 - the word of the standard, no secret
    """Inside the limit by w at least."""
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105 - likewise
    """Inside the limit, by less than w."""
    CONDITIONAL_FAIL = "conditional fail"
    """Outside the limit, by no more than w."""
    FAIL = "fail"
    """Outside the limit by more than w; without a guard band, outside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """Probabilities of where the true value lies, for a normal distribution about the measured one."""

    inside: float
    below: float
    above: float


def conformity(
    value: float, uncertainty: float, *, low: float = -math.inf, high: float = math.inf
) -> Conformity:
    """Return the probabilities that the true value lies inside, below and above (JCGM 106:2012, 7.3, 7.4).

    uncertainty: standard uncertainty (k = 1), >= 0. Raises UsageError if it is negative or not a number.
    """
    if not uncertainty >= 0:
        raise UsageError(f"standard uncertainty {uncertainty!r}: expected a number from 0")
    below, above = _beyond(low - value, uncertainty), _beyond(value - high, uncertainty)
    return Conformity(inside=1.0 - below - above, below=below, above=above)


def decide(value: float, limit: Limit, guard: float = 0.0) -> LimitDecision:
    """Return the decision on a value at a limit with a guard band (ILAC-G8:09/2019, 4.2.3).

    guard: its width w >= 0, in the channel's unit; U = 2u gives at most 2.3 % false acceptance (one limit,
    normal distribution), 0 is simple acceptance. A value on the limit is inside.
    """
    beyond = value - limit.value if limit.side is Side.HIGH else limit.value - value
    if beyond > 0:
        return LimitDecision.CONDITIONAL_FAIL if beyond <= guard and guard > 0 else LimitDecision.FAIL
    return LimitDecision.PASS if -beyond >= guard else LimitDecision.CONDITIONAL_PASS


def _beyond(distance: float, uncertainty: float) -> float:
    """Return the probability that a normal error exceeds -distance, i.e. that the truth lies beyond."""
    if math.isinf(distance):
        return 0.0 if distance < 0 else 1.0
    if uncertainty == 0:
        return 1.0 if distance > 0 else 0.0
    return 0.5 * math.erfc(-distance / (uncertainty * math.sqrt(2)))
