"""Excursions of one channel, each with the interval in which the true quantity crossed its limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from rig.domain.model import Limit, Side
from rig.forensics.answer import CrossingExcursion, Interval, Mark, Method, WideningReason
from rig.forensics.channel_readings import ChannelReadings, Floats
from rig.forensics.guaranteed_bracket import GuaranteedBracket, guaranteed_bracket
from rig.forensics.local import REACH, Local, around
from rig.forensics.noise import Noise, of
from rig.forensics.order import CUTS
from rig.forensics.track import ChannelTrack
from rig.forensics.trend import Curve, fit
from rig.forensics.walk import OutStretch

DRAWS = 1024
SURE_SIGMAS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Stretches of the plain walk that noise about the limit has split; ``sure``: significantly out."""

    pieces: tuple[OutStretch, ...]
    sure: bool


def excursions(
    found: ChannelTrack | ChannelReadings, limit: Limit, confidence: float
) -> list[CrossingExcursion]:
    """Return all excursions of a channel out of one limit, oldest first."""
    track = found if isinstance(found, ChannelTrack) else ChannelTrack.at_hand(found)
    out = track.stretches(limit)
    if not out:
        return []
    groups = joined(track, limit, out)
    starts = _starts(groups)
    return [_excursion(track, limit, g, begin, confidence) for g, begin in zip(groups, starts, strict=True)]


def _starts(groups: Sequence[Group]) -> list[int]:
    """Return the first position usable for each group: after the last sure group returned."""
    starts = [0]
    for group in groups[:-1]:
        starts.append(group.pieces[-1].returned if group.sure else starts[-1])
    return starts


def mark(track: ChannelTrack, position: int) -> Mark:
    """Return one reading as a mark."""
    one = track.at(position)
    return Mark(index=position, t_ns=int(one.t_ns[0]), h_ns=int(one.h_ns[0]), value=float(one.value[0]))


def joined(track: ChannelTrack, limit: Limit, found: Sequence[OutStretch]) -> list[Group]:
    """Return the stretches, joined where no significant return lies between them."""
    noise = _noise_before(track, found[0].first_outside)

    def beyond(value: Floats) -> Floats:
        return value - limit.value if limit.side is Side.HIGH else limit.value - value

    def back(value: Floats) -> Floats:
        return -beyond(value) - limit.deadband

    groups: list[list[OutStretch]] = [[found[0]]]
    for before, after in pairwise(found):
        if _shown(track, slice(before.returned, after.first_outside), back, noise, 0.0):
            groups.append([after])
        else:
            groups[-1].append(after)
    return [
        Group(
            pieces=tuple(g),
            sure=_shown(
                track,
                slice(g[0].first_outside, g[-1].last_outside + 1),
                beyond,
                noise,
                track.channel.accuracy,
            ),
        )
        for g in groups
    ]


def _shown(
    track: ChannelTrack, span: slice, turned: Callable[[Floats], Floats], noise: Noise, accuracy: float
) -> bool:
    """Return whether the values in a span are significantly beyond (positive after ``turned``)."""
    for digest in track.whole_pieces(span):
        ends = turned(np.array([digest.low, digest.high]))
        if digest.usable and float(ends.max()) > noise.margin + accuracy:
            return True
    found = track.cut(span.start, span.stop)
    return _shows(turned(found.value[found.usable]), noise, accuracy)


def _shows(beyond: Floats, noise: Noise, accuracy: float) -> bool:
    """Return whether a run of values is above zero by more than noise, singly or on average."""
    if not len(beyond):
        return False
    if float(beyond.max()) > noise.margin + accuracy:
        return True
    for size in (4, 16, 64, 256, 1024):
        if size > len(beyond):
            break
        total = np.concatenate([[0.0], np.cumsum(beyond)])
        mean = float(np.max(total[size:] - total[:-size])) / size
        if mean > SURE_SIGMAS * noise.sigma / np.sqrt(size) + noise.step / 2 + accuracy:
            return True
    return False


def _noise_before(track: ChannelTrack, first_outside: int) -> Noise:
    before = track.usable_before(first_outside, 240)
    if len(before) < 12:
        before = track.usable_from(0, 120)
    return of(before, track.channel.resolution, track.usable_from(first_outside, 240))


def _excursion(
    track: ChannelTrack, limit: Limit, group: Group, begin: int, confidence: float
) -> CrossingExcursion:
    first, last = group.pieces[0], group.pieces[-1]
    whole = OutStretch(
        last_inside=first.last_inside,
        first_outside=first.first_outside,
        last_outside=last.last_outside,
        returned=last.returned,
        worst=_worst(track, limit, group),
    )
    plain = bracket_of(track, whole.last_inside, whole.first_outside)
    interval, sure = plain, group.sure
    if group.sure:
        interval, sure = _interval(track, limit, whole, (begin, plain), confidence)
    first_outside, last_outside = mark(track, whole.first_outside), mark(track, whole.last_outside)
    return CrossingExcursion(
        channel=track.channel.name,
        side=limit.side,
        limit=limit.value,
        last_inside=mark(track, first.last_inside) if first.last_inside >= 0 else None,
        first_outside=first_outside,
        last_outside=last_outside,
        returned=mark(track, last.returned) if last.returned >= 0 else None,
        worst=mark(track, whole.worst),
        counted=(last_outside.t_ns - first_outside.t_ns) / 1e9 >= limit.on_delay_s,
        sure=sure,
        pieces=len(group.pieces),
        lost=first.first_outside - first.last_inside - 1 if first.last_inside >= 0 else 0,
        interval=interval,
    )


def _worst(track: ChannelTrack, limit: Limit, group: Group) -> int:
    places = [piece.worst for piece in group.pieces]
    values = [float(track.at(place).value[0]) for place in places]
    return places[int(np.argmax(values) if limit.side is Side.HIGH else np.argmin(values))]


def _interval(
    track: ChannelTrack, limit: Limit, whole: OutStretch, known: tuple[int, Interval], confidence: float
) -> tuple[Interval, bool]:
    """Return the interval of one crossing, and whether the channel was significantly out.

    known: first position that may be used, and the plain bracket.
    """
    begin, plain = known
    if whole.last_inside < 0 or any(r.code == "order-of-stamps" for r in plain.reasons):
        return plain, True
    end = whole.returned if whole.returned >= 0 else len(track)
    within = slice(min(begin, whole.last_inside), end)
    readings, offset = track.near(whole.first_outside, REACH, within)
    local = around(readings, limit, whole.last_inside - offset, whole.first_outside - offset)
    sure = guaranteed_bracket(local)
    curve = fit(local, sure)
    if curve is not None:
        return _from_curve(local, sure, curve, plain, confidence), sure.sure
    return _from_bracket(local, sure, plain), sure.sure


def _from_bracket(local: Local, sure: GuaranteedBracket, plain: Interval) -> Interval:
    """Return the guaranteed bracket as an interval."""
    early = local.base_ns + round(sure.earliest_s * 1e9)
    late = local.base_ns + round(sure.latest_s * 1e9)
    if plain.earliest_ns is None or plain.latest_ns is None:
        return plain
    if early == plain.earliest_ns and late == plain.latest_ns:
        return plain
    extra = (late - early - plain.latest_ns + plain.earliest_ns) / 1e9
    reasons = (*plain.reasons, *_doubt_reasons(local, extra))
    cuts = np.linspace(0.0, 1.0, CUTS)
    return Interval(
        earliest_ns=early,
        latest_ns=late,
        best_ns=(early + late) // 2,
        method=Method.BEYOND_DOUBT,
        reasons=reasons,
        quantiles_ns=tuple(early + int(q * (late - early)) for q in cuts),
    )


def _doubt_reasons(local: Local, extra_s: float) -> tuple[WideningReason, ...]:
    """Return the reason why readings near the limit do not show their side."""
    noise, channel = local.noise, local.channel
    if channel.lag_s > 0:
        lag = f"{channel.lag_s:.3g} s (±{channel.lag_tolerance_s:.3g} s)"
        text = f"sensor lag {lag}, noise {noise.sigma:.3g}"
        return (WideningReason(code="lag", text=text, widened_s=extra_s),)
    parts = {"noise": noise.sigma * SURE_SIGMAS, "resolution": noise.step / 2, "accuracy": channel.accuracy}
    code = max(parts, key=lambda k: parts[k])
    words = {
        "noise": f"noise of {noise.sigma:.3g} {channel.unit_of_measure} about the limit",
        "resolution": f"display steps of {noise.step:g} {channel.unit_of_measure}",
        "accuracy": f"accuracy of ±{channel.accuracy:g} {channel.unit_of_measure}",
    }
    return (WideningReason(code=code, text=words[code], widened_s=extra_s),)


def _from_curve(
    local: Local, sure: GuaranteedBracket, curve: Curve, plain: Interval, confidence: float
) -> Interval:
    """Return the interval of a fitted curve: its error, stamps, accuracy and lag tolerance drawn together."""
    draws = _draws(local, sure, curve)
    tail = 0.5 * (1.0 - confidence)
    early, late = np.quantile(draws, [tail, 1 - tail])
    cuts = np.quantile(draws, np.linspace(0.0, 1.0, CUTS))
    as_ns = [local.base_ns + round(float(c) * 1e9) for c in cuts]
    width = float(late - early)
    before = plain.width_s
    text = f"curve of degree {curve.degree} fitted to {curve.readings} readings"
    rate = max(float(np.interp(curve.crossing_s, curve.grid, curve.slope)), 1e-12)
    parts = [
        WideningReason(code="trend", text=text, widened_s=min(width - before, 0.0)),
        WideningReason(
            code="noise",
            text=f"noise of {local.noise.sigma:.3g} on the curve",
            widened_s=4 * curve.error / rate,
        ),
        WideningReason(
            code="stamp", text="value taken between request and reply", widened_s=2 * local.stamp_s
        ),
    ]
    channel = local.channel
    if channel.accuracy:
        text = f"accuracy of ±{channel.accuracy:g} {channel.unit_of_measure}"
        parts.append(WideningReason(code="accuracy", text=text, widened_s=2 * channel.accuracy / rate))
    if channel.lag_s:
        text = f"sensor lag {channel.lag_s:.3g} s (±{channel.lag_tolerance_s:.3g} s) subtracted"
        parts.append(WideningReason(code="lag", text=text, widened_s=2 * channel.lag_tolerance_s))
    return Interval(
        earliest_ns=local.base_ns + round(float(early) * 1e9),
        latest_ns=local.base_ns + round(float(late) * 1e9),
        best_ns=local.base_ns + round(float(np.median(draws)) * 1e9),
        method=Method.TREND,
        reasons=tuple(parts),
        quantiles_ns=tuple(as_ns),
    )


def _draws(local: Local, sure: GuaranteedBracket, curve: Curve) -> Floats:
    """Return evenly spread draws of the crossing (seconds from the base), as GUM Supplement 1 propagates."""
    even = [_even(base) for base in (2, 3, 5, 7)]
    channel = local.channel
    level = curve.error * _normal() + channel.accuracy * (2 * even[1] - 1)
    tau = channel.lag_s + channel.lag_tolerance_s * (2 * even[2] - 1)
    behind = curve.value[None, :] + tau[:, None] * curve.slope[None, :] - level[:, None]
    above = behind > 0
    k = np.clip(np.argmax(above, axis=1), 1, behind.shape[1] - 1)
    rows = np.arange(DRAWS)
    low, high = behind[rows, k - 1], behind[rows, k]
    share = np.clip(-low / np.where(high == low, 1.0, high - low), 0.0, 1.0)
    moment = curve.grid[k - 1] + share * (curve.grid[k] - curve.grid[k - 1])
    moment = np.where(above.any(axis=1), moment, curve.grid[-1])
    moment = np.where(above[:, 0], curve.grid[0], moment)
    moment = moment + local.stamp_s * (2 * even[3] - 1)
    return np.asarray(np.clip(moment, sure.earliest_s, sure.latest_s))


@cache
def _normal() -> Floats:
    """Return DRAWS evenly spread draws of a standard normal quantity."""
    drawn = NormalDist().inv_cdf
    return np.array([drawn(share) for share in _even(2).tolist()])


@cache
def _even(base: int) -> Floats:
    """Return DRAWS evenly spread numbers in (0, 1): the van der Corput sequence of a base."""
    index = np.arange(1, DRAWS + 1)
    total, share = np.zeros(DRAWS), 1.0 / base
    while index.any():
        total += share * (index % base)
        index //= base
        share /= base
    return total


def bracket_of(track: ChannelTrack, last_inside: int, first_outside: int) -> Interval:
    """Return the interval between two readings of a track (-1: there is none before)."""
    begin = last_inside if last_inside >= 0 else first_outside
    readings = track.cut(begin, first_outside + 1)
    return bracket(readings, last_inside - begin if last_inside >= 0 else -1, first_outside - begin)


def bracket(readings: ChannelReadings, last_inside: int, first_outside: int) -> Interval:
    """Return the interval between two readings, both stamps taken at their widest."""
    t, h = readings.t_ns, readings.h_ns
    window_ns = int(readings.channel.averaging_s * 1e9)
    late = int(t[first_outside] + h[first_outside])
    if last_inside < 0:
        text = "out at the first reading"
        reasons: tuple[WideningReason, ...] = (
            WideningReason(code="censored", text=text, widened_s=float("inf")),
        )
        return Interval(
            earliest_ns=None, latest_ns=late, best_ns=None, method=Method.CENSORED, reasons=reasons
        )
    early = int(t[last_inside] - h[last_inside]) - window_ns
    reasons = _bracket_reasons(readings, last_inside, first_outside)
    if early > late:
        swapped = (int(t[first_outside] - h[first_outside]) - window_ns, int(t[last_inside] + h[last_inside]))
        text = "timestamps run backwards here; the interval covers both readings"
        reasons += (
            WideningReason(code="order-of-stamps", text=text, widened_s=(swapped[1] - swapped[0]) / 1e9),
        )
        early, late = swapped
    cuts = np.linspace(0.0, 1.0, CUTS)
    return Interval(
        earliest_ns=early,
        latest_ns=late,
        best_ns=early + (late - early) // 2,
        method=Method.BRACKET,
        reasons=reasons,
        quantiles_ns=tuple(early + int(q * (late - early)) for q in cuts),
    )


def _bracket_reasons(readings: ChannelReadings, a: int, b: int) -> tuple[WideningReason, ...]:
    """Return the contributions to the width of the bracket."""
    t, h = readings.t_ns, readings.h_ns
    apart_s = max(float(t[b] - t[a]) / 1e9, 0.0)
    stamp_s = float(h[a] + h[b]) / 1e9
    lost = int(np.count_nonzero(~readings.usable[a + 1 : b]))
    reasons = []
    if lost:
        text = f"{lost} readings without a good value between last inside and first outside"
        reasons.append(WideningReason(code="lost", text=text, widened_s=apart_s * lost / (lost + 1)))
    text = f"samples {apart_s / (lost + 1):.3g} s apart"
    reasons.append(WideningReason(code="sampling", text=text, widened_s=apart_s / (lost + 1)))
    if stamp_s:
        reasons.append(
            WideningReason(code="stamp", text="value taken between request and reply", widened_s=stamp_s)
        )
    if readings.channel.averaging_s:
        text = f"instrument averages over {readings.channel.averaging_s:g} s"
        reasons.append(WideningReason(code="averaging", text=text, widened_s=readings.channel.averaging_s))
    return tuple(reasons)
