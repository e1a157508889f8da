"""Excursions of one channel, each with the interval in which the true quantity crossed its limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import groupby, pairwise
from statistics import NormalDist

import numpy as np

from rig.domain.limit_arrays import NOBODY, BoundInForce, Excursion, always, bound_at
from rig.domain.limits import Bound
from rig.domain.model import Limit, Side
from rig.domain.uncertainty import ReadingBounds
from rig.forensics.answer import CrossingExcursion, Interval, Mark, Method, WideningReason
from rig.forensics.channel_readings import ChannelReadings, Floats
from rig.forensics.guaranteed_bracket import GuaranteedBracket, guaranteed_bracket
from rig.forensics.local import REACH, Local, around
from rig.forensics.noise import Noise, of
from rig.forensics.order import CUTS
from rig.forensics.track import ChannelTrack
from rig.forensics.trend import Curve, fit

DRAWS = 1024
SURE_SIGMAS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Excursions in a row that noise about the limit has torn apart; ``sure``: truly out."""

    pieces: tuple[Excursion, ...]
    bound: Bound
    sure: bool


def excursions(
    found: ChannelTrack | ChannelReadings, limit: Limit, confidence: float
) -> list[CrossingExcursion]:
    """Return all excursions of a channel out of one limit that was always in force, oldest first."""
    track = found if isinstance(found, ChannelTrack) else ChannelTrack.at_hand(found)
    return by_force(track, always(limit), confidence)


def by_force(
    track: ChannelTrack, forces: Sequence[BoundInForce], confidence: float
) -> list[CrossingExcursion]:
    """Return all excursions of a channel by what was in force on one side of it, oldest first."""
    out = track.excursions(forces)
    crossed = [one for one in out if not one.moved]
    groups = [
        group
        for bound, run in groupby(crossed, lambda one: bound_at(forces, one.start_ns))
        if bound is not None
        for group in joined(track, bound, list(run))
    ]
    made = [
        one
        for group, begin in zip(groups, _starts(groups), strict=True)
        for one in _told(track, group, max(begin, _in_force_from(track, forces, group)), confidence)
    ]
    made += [_moved(track, one) for one in out if one.moved]
    return sorted(made, key=lambda one: one.first_outside.index)


def _in_force_from(track: ChannelTrack, forces: Sequence[BoundInForce], group: Group) -> int:
    """Return from which position on the bound of a group was in force: readings before it explain nothing.

    What lay beyond it then, while a unit was still off, say, was no crossing.
    """
    t_ns = group.pieces[0].start_ns
    begun = [one.start_ns for one in forces if one.start_ns is not None and one.start_ns <= t_ns]
    return track.place(begun[-1]) if begun else 0


def _starts(groups: Sequence[Group]) -> list[int]:
    """Return from which position on each group may be explained: after the last sure group came back."""
    starts, free = [], 0
    for group in groups:
        starts.append(free)
        last = group.pieces[-1]
        if group.sure:
            free = last.returned if last.returned >= 0 else last.last_outside + 1
    return starts


def mark(track: ChannelTrack, position: int) -> Mark:
    """Return one reading as a mark."""
    k = track.where(position)
    found, at = track.piece(k), position - track.start_of(k)
    return Mark(
        index=position, t_ns=int(found.t_ns[at]), h_ns=int(found.h_ns[at]), value=float(found.value[at])
    )


def joined(track: ChannelTrack, bound: Bound, found: Sequence[Excursion]) -> list[Group]:
    """Return the excursions joined where nothing between them shows beyond doubt that it came back."""
    bounds = _bounds(track, bound.limit, found[0])
    noise = _noise_before(track, found[0].first_outside, bounds.step)

    def beyond(value: Floats) -> Floats:
        return value - bound.value if bound.side is Side.HIGH else bound.value - value

    def back(value: Floats) -> Floats:
        return -beyond(value) - bound.deadband

    groups: list[list[Excursion]] = [[found[0]]]
    for before, after in pairwise(found):
        between = slice(max(before.returned, before.last_outside + 1), after.first_outside)
        if before.returned < 0 or _shown(track, between, back, noise, 0.0):
            groups.append([after])
        else:
            groups[-1].append(after)
    return [
        Group(
            pieces=tuple(g),
            bound=bound,
            sure=_shown(
                track,
                slice(g[0].first_outside, g[-1].last_outside + 1),
                beyond,
                noise,
                bounds.margin,
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


def _bounds(track: ChannelTrack, limit: Limit, stretch: Excursion) -> ReadingBounds:
    """Return what bounds the readings where a stretch began: as it was still inside, at the limit."""
    inside = stretch.last_inside if stretch.last_inside >= 0 else stretch.first_outside
    return track.bounds(inside, limit.value)


def _noise_before(track: ChannelTrack, first_outside: int, step: float) -> Noise:
    before = track.usable_before(first_outside, 240)
    if len(before) < 12:
        before = track.usable_from(0, 120)
    return of(before, step, track.usable_from(first_outside, 240))


def _told(track: ChannelTrack, group: Group, begin: int, confidence: float) -> list[CrossingExcursion]:
    """Return the excursions of a group; the first carries the crossing of the whole stay."""
    first, last = group.pieces[0], group.pieces[-1]
    plain = bracket_of(track, first.last_inside, first.first_outside)
    interval, sure = plain, group.sure
    if group.sure:
        end = last.returned
        if end < 0:
            end = len(track) if last.end_ns is None else track.place(last.end_ns)
        known = _Known(begin=begin, end=max(end, first.first_outside + 1), plain=plain)
        interval, sure = _interval(track, group.bound.limit, first, known, confidence)
    rest = [bracket_of(track, one.last_inside, one.first_outside) for one in group.pieces[1:]]
    return [
        _excursion(track, one, mine, sure=sure, part=(k, len(group.pieces)))
        for k, (one, mine) in enumerate(zip(group.pieces, [interval, *rest], strict=True), 1)
    ]


def _moved(track: ChannelTrack, one: Excursion) -> CrossingExcursion:
    """Return an excursion that crossed nothing: it began as its limit was moved past the readings."""
    plain = bracket_of(track, NOBODY, one.first_outside)
    return replace(_excursion(track, one, plain, sure=False), last_inside=None, lost=0, moved=True)


def _excursion(
    track: ChannelTrack, one: Excursion, interval: Interval, *, sure: bool, part: tuple[int, int] = (1, 1)
) -> CrossingExcursion:
    """Return an excursion with its readings. part: which one of how many that noise has torn apart."""
    last_outside = mark(track, one.last_outside)
    returned = mark(track, one.returned) if one.returned >= 0 else None
    if returned is None and one.end_ns is not None:
        returned = replace(last_outside, t_ns=one.end_ns, h_ns=0)
    assert one.counted_ns is not None
    return CrossingExcursion(
        channel=track.channel.name,
        side=one.side,
        limit=one.limit,
        last_inside=mark(track, one.last_inside) if one.last_inside >= 0 else None,
        first_outside=mark(track, one.first_outside),
        last_outside=last_outside,
        returned=returned,
        worst=mark(track, one.worst_at),
        counted_ns=one.counted_ns,
        sure=sure,
        pieces=part[1],
        part=part[0],
        lost=one.first_outside - one.last_inside - 1 if one.last_inside >= 0 else 0,
        interval=interval,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """From which position to which a crossing may be explained, and its plain bracket."""

    begin: int
    end: int
    plain: Interval


def _interval(
    track: ChannelTrack, limit: Limit, whole: Excursion, known: _Known, confidence: float
) -> tuple[Interval, bool]:
    """Return the interval of one crossing, and whether the channel was out beyond doubt."""
    plain = known.plain
    if whole.last_inside < 0 or any(r.code == "order-of-stamps" for r in plain.reasons):
        return plain, True
    within = slice(min(known.begin, whole.last_inside), known.end)
    readings, offset = track.near(whole.first_outside, REACH, within)
    bounds = _bounds(track, limit, whole)
    local = around(readings, limit, whole.last_inside - offset, whole.first_outside - offset, bounds)
    sure = guaranteed_bracket(local)
    curve = fit(local, sure) if np.isfinite(bounds.margin) else None
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
    """Return what keeps readings near the limit from showing their side."""
    noise, bounds, unit = local.noise, local.bounds, local.channel.unit_of_measure
    if bounds.lag_s > 0:
        lag = _lag_words(bounds)
        text = f"the sensor lags by {lag}, noise {noise.sigma:.3g}"
        return (WideningReason(code="lag", text=text, widened_s=extra_s),)
    own = np.sqrt(max(noise.sigma**2 - noise.step**2 / 12, 0.0))  # a display's rounding is part of its sigma
    parts = {"noise": own * SURE_SIGMAS, "resolution": noise.step / 2, "accuracy": bounds.half_width}
    code = max(parts, key=lambda k: parts[k])
    words = {
        "noise": f"noise of {noise.sigma:.3g} {unit} about the limit",
        "resolution": f"display steps of {noise.step:g} {unit}",
        "accuracy": _accuracy_words(local),
    }
    return (WideningReason(code=code, text=words[code], widened_s=extra_s),)


def _accuracy_words(local: Local) -> str:
    return f"accuracy of +-{local.bounds.half_width:.4g} {local.channel.unit_of_measure}"


def _lag_words(bounds: ReadingBounds) -> str:
    return f"{bounds.lag_s:.4g} s (+-{bounds.lag_tolerance_s:.4g} s)"


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
    bounds = local.bounds
    if bounds.half_width:
        text = _accuracy_words(local)
        parts.append(WideningReason(code="accuracy", text=text, widened_s=2 * bounds.half_width / rate))
    if bounds.lag_s:
        text = f"moved earlier by the sensor's lag of {_lag_words(bounds)}"
        parts.append(WideningReason(code="lag", text=text, widened_s=2 * bounds.lag_tolerance_s))
    if bounds.lag_level:
        text = f"inputs that lag differently: +-{bounds.lag_level:.3g} {local.channel.unit_of_measure}"
        parts.append(WideningReason(code="lag", text=text, widened_s=2 * bounds.lag_level / rate))
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
    even = [_even(base) for base in (2, 3, 5, 7, 11)]
    bounds = local.bounds
    level = curve.error * _normal() + bounds.half_width * (2 * even[1] - 1)
    # Mixed lags leave the same error all along a ramp: both ends of it must lie inside, not most of it.
    level = level + bounds.lag_level * np.where(even[4] < 0.5, -1.0, 1.0)
    tau = bounds.lag_s + bounds.lag_tolerance_s * (2 * even[2] - 1)
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
    window_s = track.model.bounds().averaging_s
    inside = last_inside - begin if last_inside >= 0 else -1
    return bracket(readings, inside, first_outside - begin, window_s)


def bracket(readings: ChannelReadings, last_inside: int, first_outside: int, window_s: float) -> Interval:
    """Return the interval between two readings, both stamps taken at their widest.

    window_s: the longest that a reading is averaged over.
    """
    t, h = readings.t_ns, readings.h_ns
    window_ns = int(window_s * 1e9)
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
    reasons = _bracket_reasons(readings, last_inside, first_outside, window_s)
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


def _bracket_reasons(
    readings: ChannelReadings, a: int, b: int, window_s: float
) -> tuple[WideningReason, ...]:
    """Return what makes the bracket as wide as it is."""
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
    if window_s:
        text = f"the instrument averages over {window_s:g} s"
        reasons.append(WideningReason(code="averaging", text=text, widened_s=window_s))
    return tuple(reasons)
