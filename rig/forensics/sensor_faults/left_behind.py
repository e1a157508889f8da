"""Rule: a value stood still to the end while the same channel of every other unit moved."""

from __future__ import annotations

import numpy as np

from rig.forensics.analysis_data import AnalysisData, alike
from rig.forensics.fault_rule import LASTING, ChannelRule, SensorFault, fault_of
from rig.forensics.grids import grid
from rig.forensics.noise import display_step, of
from rig.forensics.sensor_faults.stuck import STUCK
from rig.forensics.track import SHORT, ChannelTrack

LEFT_BEHIND = 8.0
"""Display steps (or scatters) that the other units' channels must have moved while a value stood still."""
BLOCKS = 16


def _left_behind(data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the stretch to the end in which a value stood still while the other units' channels moved.

    For readings so steady that repeats alone prove nothing.
    """
    others = [data.track(name) for name in alike(data.layout, track.channel)]
    changed = track.last_change()
    if not others or track.usable < 8 * LASTING or changed < 0 or len(track) - changed < 2 * LASTING:
        return None
    length = track.count(changed, len(track))
    if track.usable - length < 4 * LASTING or length < 2 * LASTING:
        return None
    from_ns = int(track.at(changed).t_ns[0])
    moved = min(_swing(other, from_ns) for other in others)
    least = LEFT_BEHIND * max(_grain(one) for one in (track, *others))
    values = track.usable_before(changed + 1, SHORT + 1)
    held, past = float(values[-1]), values[:-1]
    if least <= 0 or moved < least or abs(held) < 0.05 * abs(float(np.median(past))):
        return None
    text = (
        f"{length} readings of exactly {held:.6g} {track.channel.unit_of_measure}, "
        f"while the same channel on the other units changed by {moved:.4g} or more"
    )
    return fault_of(STUCK, track, changed, track.last_usable(), text)


def _grain(track: ChannelTrack) -> float:
    """Return the finest change a channel can be trusted to show: its display step or its scatter."""
    noise = of(track.usable_before(len(track), 2000), track.model.step())
    return max(noise.sigma, noise.step, display_step(track.usable_from(0, 2000)))


def _swing(track: ChannelTrack, from_ns: int) -> float:
    """Return the range of a channel after a moment, blocks of readings averaged; 0 when it was not read."""
    place = track.place(from_ns)
    count = track.count(place, len(track))
    if count < 2 * LASTING:
        return 0.0
    if count > SHORT:
        means, _ = track.means(*grid(from_ns, track.end_ns + 1, BLOCKS))
        return float(np.ptp(means[np.isfinite(means)]))
    values = track.usable_from(place, count)
    size = max(count // BLOCKS, 1)
    return float(np.ptp(values[: count // size * size].reshape(-1, size).mean(axis=1)))


RULE = ChannelRule(precedence=50, look=_left_behind)
