"""Reliability growth of repairable systems as causes of failure are removed.

Power-law model (Duane plot, Crow): N(t) = a t^b expected failures after t unit-hours; b < 1 is growth.
Formulas: NIST/SEMATECH e-Handbook 8.4.5.2; MIL-HDBK-189 (1981), appendix C.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from rig.domain.formatting import counted, in_hours
from rig.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Fitted power law at the end of a test of given length.

    a, b: N(t) = a t^b, t in h; slope: 1 - b, larger than 0 where failures become rarer.
    mtbf_h: instantaneous, at the end of the test; bounds_h: two-sided, at ``confidence``.
    chance: probability of a trend at least as strong, either way, at a constant rate.
    """

    failures: int
    end_h: float
    a: float
    b: float
    slope: float
    mtbf_h: float
    confidence: float
    bounds_h: tuple[float, float]
    chance: float
    statement: str
    does_not_cover: str


def growth(
    failure_h: Sequence[float], end_h: float, confidence: float = 0.8, *, unbiased: bool = True
) -> Growth:
    """Return the power law through failures at accumulated unit-hours, for a test ended at ``end_h``.

    failure_h: each > 0 and < end_h. unbiased: b = (r-1)/sum ln(T/t), as NIST recommends; otherwise plain
    maximum likelihood, r/sum ln(T/t). Bounds: the approximation of NIST 8.4.5.2, for the unbiased form.
    Raises UsageError with fewer than three failures or ages out of range.
    """
    r = len(failure_h)
    if r < 3 or not all(0 < t < end_h for t in failure_h):
        raise UsageError(
            f"growth from {counted(r, 'failure')} in a test that ended at {end_h:.4g} h: expected three "
            "failures at least, each at more than 0 h and before the end"
        )
    logs = math.fsum(math.log(end_h / t) for t in failure_h)
    b = ((r - 1) if unbiased else r) / logs
    mtbf_h = end_h / (r * b)
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    base = mtbf_h * r * (r - 1)
    low = base / (r + z * z / 4 + math.sqrt(r * z * z / 2 + z**4 / 16)) ** 2
    rest = r - z * math.sqrt(r / 2)
    chance = _chance(2 * logs, 2 * r)
    word = "rarer" if b < 1 else "more frequent"
    return Growth(
        failures=r,
        end_h=end_h,
        a=r / end_h**b,
        b=b,
        slope=1 - b,
        mtbf_h=mtbf_h,
        confidence=confidence,
        bounds_h=(low, base / rest**2 if rest > 0 else math.inf),
        chance=chance,
        statement=(
            f"{r} failures in {in_hours(end_h)} unit-hours became {word}; MTBF at the end {in_hours(mtbf_h)} "
            "h"
        ),
        does_not_cover=(
            f"whether the trend is real: at a constant rate one as strong has a probability of {chance:.0%}; "
            "an untested redesign: the curve continues only if causes are found and removed as before"
        ),
    )


def _chance(statistic: float, freedom: int) -> float:
    """Return the two-sided probability of a chi-square value (MIL-HDBK-189 trend test)."""
    from scipy.special import chdtr, chdtrc

    return min(1.0, 2 * min(float(chdtrc(freedom, statistic)), float(chdtr(freedom, statistic))))
