"""Onset: first deviation of a channel from its baseline, before any limit.

The baseline is the channel's earlier course in the recording, corrected for its stimuli: by the same channel
of other units under the same stimuli, or by the stimulus channels themselves (directly and through slow
filters, as heat follows power). The remainder should be constant; the onset is where it leaves that level
for good without a change of a stimulus. "None detected" is a valid result.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from rig.domain.model import ChannelKind
from rig.domain.units import difference_unit
from rig.forensics.analysis_data import AnalysisData, alike, level_of, middle_of, stimuli
from rig.forensics.answer import CrossingExcursion, Interval, Method, Onset, WideningReason
from rig.forensics.change_detection import bend, cusum, last_rest
from rig.forensics.channel_readings import Floats
from rig.forensics.grids import GRID, grid
from rig.forensics.noise import MAD_TO_SIGMA
from rig.forensics.order import CUTS

LEAST_BINS = 60
REFERENCE_SHARE = 0.4
MEMORIES = (3.0, 12.0, 50.0, 200.0)
"""Time constants, in bins, of the slow filters a stimulus may act through."""
SLACK = 1.5
DECIDED = 14.0
"""CUSUM threshold in standard deviations of one bin mean; raised by what the baseline itself reaches."""
LEAST_DEPARTURE = 5.0
ALIKE = 1.5
"""Factor on the scatter, since neighbouring bins are not quite independent."""
RIDGE = 0.1
SHAPE = 0.5
"""Share of the interval of a sharp bend that is added on either side: true departures begin gently. Judged by
simulated deaths; about one in eight still lies outside, where a slow wander ran into the departure."""
PEER_TOLERANCE = 0.05
"""Difference allowed between the responses of like units to the same stimuli (common practice, no source)."""
STIMULUS_TOLERANCE = 0.25
"""Error allowed for a response learnt from small changes of a stimulus when it is applied to larger ones."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Departure:
    """Bin means less the baseline: from ``start_ns`` on, in scatters."""

    start_ns: int
    width_ns: int
    row: Floats
    baseline: float
    scatter: float
    reference: int
    corrected_for: tuple[str, ...]


def onset(
    data: AnalysisData, name: str, until_ns: int, crossing: CrossingExcursion | None, confidence: float
) -> tuple[Onset | None, str]:
    """Return the onset of one channel before a moment, or None and the reason.

    until_ns: where to stop looking (the crossing, or the failure for a channel that stayed inside).
    """
    if data.layout.channels[name].kind is ChannelKind.STIMULUS:
        return None, "stimulus: no baseline"
    coarse = departure(data, name, data.span_ns[0], until_ns)
    if coarse is None:
        return None, "baseline too short"
    found = locate(coarse, crossing)
    if found is None:
        slope = LEAST_DEPARTURE * coarse.scatter / max((until_ns - coarse.start_ns) / 3600e9, 1e-9)
        unit = difference_unit(data.layout.channels[name].unit_of_measure)
        return None, f"none detected; drift below {slope:.2g} {unit}/h is not detectable"
    first, rising = found
    fine = refine(data, name, coarse, first, until_ns)
    return _onset(name, fine, coarse, rising, confidence), ""


def departure(data: AnalysisData, name: str, start_ns: int, until_ns: int) -> Departure | None:
    """Return the channel's bin means less its baseline; None where the baseline is too short."""
    track = data.track(name)
    before = track.usable_between(start_ns, until_ns)
    count = min(GRID, before // 2)
    if count < LEAST_BINS:
        return None
    start_ns, width, count = grid(start_ns, until_ns, count)
    own = data.means(name, start_ns, width, count)
    reference = int(count * REFERENCE_SHARE)
    known = np.isfinite(own)
    if np.count_nonzero(known[:reference]) < LEAST_BINS // 3 or not known[-max(count // 20, 3) :].any():
        return None
    expected = _expected(data, name, own, Grid(start_ns, width, count, reference))
    rest = own - expected.row
    level = rest[:reference][np.isfinite(rest[:reference])]
    if len(level) < LEAST_BINS // 3:
        return None
    centre = float(np.median(level))
    scatter = _scatter(level - centre, track.bounds(track.place(start_ns)).step, before / count)
    return Departure(
        start_ns=start_ns,
        width_ns=width,
        row=(rest - centre) / np.hypot(scatter, expected.tolerance),
        baseline=float(np.median(own[:reference][known[:reference]])),
        scatter=scatter,
        reference=reference,
        corrected_for=expected.corrected_for,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Bins of equal width; the first ``reference`` of them are the baseline."""

    start_ns: int
    width_ns: int
    count: int
    reference: int


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """Expected course of a channel under its stimuli, and the error allowed for it."""

    row: Floats
    tolerance: Floats
    corrected_for: tuple[str, ...]


def _expected(data: AnalysisData, name: str, own: Floats, grid: Grid) -> Expected:
    """Return the expected course: from the same channel of other units if any, else from the stimuli."""
    channel = data.layout.channels[name]
    others = alike(data.layout, channel)
    if others:
        peers = np.array([data.means(other, grid.start_ns, grid.width_ns, grid.count) for other in others])
        middle = _middle(peers, grid.reference)
        late = middle[-max(grid.count // 20, 3) :]
        if np.isfinite(middle[: grid.reference]).mean() > 0.5 and np.isfinite(late).any():
            row = _weighted(own, [_filled(middle)], grid.reference, prior=1.0)
            return Expected(row, PEER_TOLERANCE * np.abs(row), tuple(others))
    rows, corrected_for = _stimulus_rows(data, name, grid)
    if not rows:
        return Expected(np.zeros(grid.count), np.zeros(grid.count), ())
    row = _weighted(own, rows, grid.reference, prior=0.0)
    return Expected(row, STIMULUS_TOLERANCE * np.abs(row), corrected_for)


def _middle(peers: Floats, reference: int) -> Floats:
    """Return the median of the other units' channels, each less its own level in the reference part."""
    levels = np.array([[level_of(row[:reference])] for row in peers])
    return middle_of(peers - levels)


def _stimulus_rows(data: AnalysisData, name: str, grid: Grid) -> tuple[list[Floats], tuple[str, ...]]:
    """Return the stimuli of a channel, directly and through slow filters."""
    channel = data.layout.channels[name]
    rows: list[Floats] = []
    corrected_for: list[str] = []
    acting = dict.fromkeys([*stimuli(data.layout, channel.unit), *channel.follows])
    for stimulus in acting:
        if stimulus == name or stimulus not in data.layout.channels:
            continue
        row = _filled(data.means(stimulus, grid.start_ns, grid.width_ns, grid.count))
        if np.isfinite(row).all() and np.ptp(row) > 0:
            rows += [row, *(_remembered(row, memory) for memory in MEMORIES)]
            corrected_for.append(stimulus)
    return rows, tuple(corrected_for)


def _weighted(own: Floats, rows: list[Floats], reference: int, prior: float) -> Floats:
    """Return the rows' joint fit to a channel, its weights learnt on the reference part alone.

    Ridge: weights that the reference part does not determine stay at the prior.
    """
    part = np.isfinite(own)
    part[reference:] = False
    matrix = np.array(rows).T
    matrix = matrix - matrix[part].mean(axis=0)
    target = own[part] - np.median(own[part])
    rest = target - prior * matrix[part].sum(axis=1)
    weights = _ridge(matrix[part], rest)
    left = rest - matrix[part] @ weights
    left = np.abs(left - np.median(left))
    near = left <= 6 * MAD_TO_SIGMA * np.median(left) + 1e-12
    weights = prior + _ridge(matrix[part][near], rest[near])
    return np.asarray(matrix @ weights)


def _scatter(level: Floats, resolution: float, per_bin: float) -> float:
    """Return the scatter of bin means, slow wander included, and never below the display step's."""
    fast = MAD_TO_SIGMA * float(np.median(np.abs(level)))
    blocks = level[: len(level) // 8 * 8].reshape(-1, 8).mean(axis=1)
    slow = MAD_TO_SIGMA * float(np.median(np.abs(blocks))) if len(blocks) >= 8 else 0.0
    least = resolution / np.sqrt(12.0 * max(per_bin, 1.0))
    return float(max(fast, slow, least, 1e-12))


def _ridge(design: Floats, rest: Floats) -> Floats:
    """Return the weights of the columns that fit the remainder, drawn towards 0 where undetermined."""
    noise = float(np.median(np.diff(rest) ** 2)) if len(rest) > 2 else 0.0
    size = np.mean(design**2, axis=0) + 1e-30
    penalty = np.diag(RIDGE * (noise + 0.02 * size) * len(rest) / design.shape[1] + 1e-12)
    return np.asarray(np.linalg.solve(design.T @ design + penalty, design.T @ rest))


def _filled(row: Floats) -> Floats:
    """Return a row with gaps filled by straight lines."""
    known = np.flatnonzero(np.isfinite(row))
    if not len(known):
        return row
    return np.interp(np.arange(len(row)), known, row[known])


def _remembered(row: Floats, memory: float) -> Floats:
    """Return a row through a first-order filter of so many bins."""
    keep = float(np.exp(-1.0 / memory))
    return np.fromiter(
        accumulate(row.tolist(), lambda state, new: (1 - keep) * new + keep * state), np.float64
    )


def locate(found: Departure, crossing: CrossingExcursion | None) -> tuple[int, bool] | None:
    """Return the bin where the deviation that lasts to the end began, and whether it rises."""
    row = np.where(np.isfinite(found.row), found.row, 0.0)
    clipped = np.clip(row, -6.0, 6.0)
    sums = cusum(clipped, 0.0, SLACK)
    sides = [True, False] if crossing is None else [crossing.side.value == "high"]
    best: tuple[float, int, bool] | None = None
    for rising in sides:
        side = sums[0] if rising else sums[1]
        usual = float(side[: found.reference].max(initial=0.0))
        end = row[-3:].mean() if rising else -row[-3:].mean()
        if side[-1] > max(DECIDED, 2.5 * usual) and end > LEAST_DEPARTURE:
            first = last_rest(side)
            if first > 5 and (best is None or side[-1] > best[0]):
                best = (float(side[-1]), first, rising)
    return None if best is None else (best[1], best[2])


def refine(data: AnalysisData, name: str, coarse: Departure, first: int, until_ns: int) -> Departure:
    """Return the stretch around the onset on a finer grid, where the readings allow one."""
    late = coarse.row.size - first
    start = coarse.start_ns + max(first - max(3 * late, 20), 0) * coarse.width_ns
    if start - coarse.start_ns < (until_ns - coarse.start_ns) // 2:
        return coarse
    finer = departure(data, name, start, until_ns)
    if finer is None or locate(finer, None) is None:
        return coarse
    return finer


def _onset(name: str, fine: Departure, coarse: Departure, rising: bool, confidence: float) -> Onset | None:
    """Return the onset from the bend of the (finer) row."""
    row = np.asarray(fine.row if rising else -fine.row, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(row))
    side = cusum(np.clip(row[known], -6, 6), 0.0, SLACK)[0]
    decided = int(np.argmax(side > DECIDED)) if (side > DECIDED).any() else len(known) - 1
    after_rest = np.flatnonzero(side[: decided + 1] <= 0)
    begun = int(after_rest[-1]) if len(after_rest) else 0
    length = max(decided - begun, 4)
    cut = known[max(begun - 6 * length, 0) : min(decided + 2 * length, len(known))]
    seconds = np.asarray((cut + 0.5) * fine.width_ns / 1e9, dtype=np.float64)
    found = bend(seconds, row[cut], ALIKE * _spread(row, fine.reference), confidence)
    times = [fine.start_ns + round(x * 1e9) for x in (found.earliest, found.at, found.latest)]
    half = fine.width_ns // 2
    early, best, late = times[0] - half, times[1], times[2] + half
    extra = round(SHAPE * (late - early))
    early, late = early - extra, late + extra
    reasons = (
        WideningReason(
            code="sampling", text=f"means of {fine.width_ns / 1e9:.3g} s", widened_s=fine.width_ns / 1e9
        ),
        WideningReason(
            code="noise", text="scatter about the baseline", widened_s=found.latest - found.earliest
        ),
        WideningReason(code="shape", text="gradual onset", widened_s=2 * extra / 1e9),
    )
    cuts = np.interp(np.linspace(0, 1, CUTS), [0, 0.5, 1], np.array([early, best, late], dtype=float))
    return Onset(
        channel=name,
        interval=Interval(
            earliest_ns=early,
            latest_ns=late,
            best_ns=best,
            method=Method.TREND,
            reasons=reasons,
            quantiles_ns=tuple(int(c) for c in cuts),
        ),
        rising=rising,
        baseline=coarse.baseline,
        scatter=fine.scatter,
        detected_ns=fine.start_ns + int(known[decided] * fine.width_ns),
        reached=float(row[known[-1]]),
        corrected_for=coarse.corrected_for,
    )


def _spread(row: Floats, reference: int) -> float:
    """Return the scatter to judge bends by: of the reference part, but not below 1 (in scatters)."""
    level = row[:reference][np.isfinite(row[:reference])]
    return max(float(np.std(level)), 1.0) if len(level) else 1.0
