"""Excursions of one channel, each with the interval in which the true quantity crossed its limit."""

from __future__ import annotations

import numpy as np

from rig.core.model import Limit, Side
from rig.forensics.answer import Excursion, Interval, Mark, Method, Reason
from rig.forensics.evidence import Readings
from rig.forensics.order import CUTS
from rig.forensics.walk import Stretch, lasted_s, stretches


def excursions(readings: Readings, limit: Limit, confidence: float) -> list[Excursion]:
    """Return all excursions of a channel out of one limit, oldest first."""
    found = stretches(readings.value, readings.usable, limit)
    return [_excursion(readings, limit, stretch, confidence) for stretch in found]


def mark(readings: Readings, index: int) -> Mark:
    """Return one reading as a mark."""
    return Mark(
        index=index,
        t_ns=int(readings.t_ns[index]),
        h_ns=int(readings.h_ns[index]),
        value=float(readings.value[index]),
    )


def _excursion(readings: Readings, limit: Limit, stretch: Stretch, confidence: float) -> Excursion:
    lost = 0
    if stretch.last_inside >= 0:
        lost = int(np.count_nonzero(~readings.usable[stretch.last_inside + 1 : stretch.first_outside]))
    return Excursion(
        channel=readings.channel.name,
        side=limit.side,
        limit=limit.value,
        last_inside=mark(readings, stretch.last_inside) if stretch.last_inside >= 0 else None,
        first_outside=mark(readings, stretch.first_outside),
        last_outside=mark(readings, stretch.last_outside),
        returned=mark(readings, stretch.returned) if stretch.returned >= 0 else None,
        worst=mark(readings, stretch.worst),
        counted=lasted_s(readings.t_ns, stretch) >= limit.on_delay_s,
        sure=True,
        pieces=1,
        lost=lost,
        interval=bracket(readings, stretch.last_inside, stretch.first_outside),
    )


def bracket(readings: Readings, last_inside: int, first_outside: int) -> Interval:
    """Return the interval between two readings, both stamps taken at their widest."""
    t, h = readings.t_ns, readings.h_ns
    window_ns = int(readings.channel.averaging_s * 1e9)
    late = int(t[first_outside] + h[first_outside])
    if last_inside < 0:
        text = "out already at the first reading"
        reasons: tuple[Reason, ...] = (Reason(code="censored", text=text, widened_s=float("inf")),)
        return Interval(
            earliest_ns=None, latest_ns=late, best_ns=None, method=Method.CENSORED, reasons=reasons
        )
    early = int(t[last_inside] - h[last_inside]) - window_ns
    reasons = _bracket_reasons(readings, last_inside, first_outside)
    if early > late:
        swapped = (int(t[first_outside] - h[first_outside]) - window_ns, int(t[last_inside] + h[last_inside]))
        text = "the stamps run backwards here; the interval covers both readings"
        reasons += (Reason(code="order-of-stamps", text=text, widened_s=(swapped[1] - swapped[0]) / 1e9),)
        early, late = swapped
    cuts = np.linspace(0.0, 1.0, CUTS)
    quantiles = tuple(early + int(q * (late - early)) for q in cuts)
    return Interval(
        earliest_ns=early,
        latest_ns=late,
        best_ns=early + (late - early) // 2,
        method=Method.BRACKET,
        reasons=reasons,
        quantiles_ns=quantiles,
    )


def _bracket_reasons(readings: Readings, a: int, b: int) -> tuple[Reason, ...]:
    """Return what makes the bracket as wide as it is."""
    t, h = readings.t_ns, readings.h_ns
    apart_s = max(float(t[b] - t[a]) / 1e9, 0.0)
    stamp_s = float(h[a] + h[b]) / 1e9
    lost = int(np.count_nonzero(~readings.usable[a + 1 : b]))
    reasons = []
    if lost:
        text = f"{lost} readings without a good value between the last inside and the first outside"
        reasons.append(Reason(code="lost", text=text, widened_s=apart_s * lost / (lost + 1)))
    reasons.append(
        Reason(
            code="sampling",
            text=f"readings {apart_s / (lost + 1):.4g} s apart",
            widened_s=apart_s / (lost + 1),
        )
    )
    if stamp_s:
        reasons.append(
            Reason(code="stamp", text="each value taken between request and reply", widened_s=stamp_s)
        )
    if readings.channel.averaging_s:
        text = f"the instrument averages over {readings.channel.averaging_s:g} s"
        reasons.append(Reason(code="averaging", text=text, widened_s=readings.channel.averaging_s))
    return tuple(reasons)


def farther_out(limit: Limit, value: float) -> float:
    """Return how far a value lies beyond a limit (negative inside), in the channel's unit of measure."""
    return value - limit.value if limit.side is Side.HIGH else limit.value - value
