"""Sensor and instrument faults, found in the readings alone.

Each fault states the moment it began and the readings that show it. Channel names play no part; units of
measure, statuses, the instrument and the same channel of other units are all that is used.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rig.domain.model import Channel, ChannelKind, Status
from rig.forensics.analysis_data import (
    AnalysisData,
    alike,
    instrument_of,
    is_temperature,
    level_of,
    middle_of,
)
from rig.forensics.answer import AttributionEvidence
from rig.forensics.channel_readings import Bools, Floats
from rig.forensics.grids import grid
from rig.forensics.noise import display_step, of
from rig.forensics.track import SHORT, ChannelTrack

LASTING = 5
"""Consecutive readings from which silence or a sentinel counts as a state."""
STUCK_CHANCE = 1e-9
LEFT_BEHIND = 8.0
"""Display steps (or scatters) that the other units' channels must have moved while a value stood still."""
JUMP_NOISES = 12.0
BLOCKS = 16
JUMP_KELVIN = 12.0
"""A larger temperature step within one poll, larger than any before, is not heating."""


class FaultType(enum.StrEnum):
    """Type of a sensor or instrument fault."""

    OPEN = "open"
    FULL_SCALE = "full-scale"
    STUCK = "stuck"
    DETACHED = "detached"
    IMPOSSIBLE = "impossible-rate"
    SILENT = "silent"
    COMMON_STEP = "common-step"
    """Step on several channels of one instrument in one scan."""


TOGETHER = frozenset({FaultType.IMPOSSIBLE, FaultType.FULL_SCALE, FaultType.OPEN, FaultType.STUCK})
INSTRUMENT_FAULTS = frozenset({FaultType.SILENT, FaultType.COMMON_STEP})


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """Fault of a sensor (or, for silence and common steps, of an instrument), from a moment on."""

    fault_type: FaultType
    subject: str
    channels: tuple[str, ...]
    from_ns: int
    until_ns: int
    evidence: tuple[AttributionEvidence, ...]


def sensor_faults(data: AnalysisData, names: Iterable[str]) -> list[SensorFault]:
    """Return the sensor and instrument faults of these channels, oldest first."""
    single: list[SensorFault] = []
    for name in names:
        track = data.track(name)
        if not len(track) or track.channel.source is None:
            continue
        for look in (_open, _stuck, _impossible):
            fault = look(track)
            if fault is not None:
                single.append(fault)
                break
        else:
            fault = _detached(data, track) or _left_behind(data, track)
            if fault is not None:
                single.append(fault)
    return sorted(
        [*_common_steps(data, single), *_silences(data)], key=lambda fault: (fault.from_ns, fault.subject)
    )


def _last_run(bad: Bools) -> tuple[int, int]:
    """Return begin and length of the longest run of true values; (0, 0) when there is none."""
    edges = np.diff(np.concatenate([[0], bad.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(begins):
        return 0, 0
    k = int(np.argmax(ends - begins))
    return int(begins[k]), int(ends[k] - begins[k])


def _open(track: ChannelTrack) -> SensorFault | None:
    """Return the stretch in which the instrument itself reported no sensor, or no valid value."""
    if sum(digest.sick for digest in track.digests) < LASTING:
        return None
    status = track.statuses()
    faulty = np.isin(status, (Status.OVER, Status.UNDER, Status.NO_VALUE, Status.SUSPECT))
    unknown = np.isin(status, (Status.NO_REPLY, Status.BAD_REPLY, Status.LOST, Status.REFUSED))
    begin, length = _last_run(faulty | (unknown & _between(faulty)))
    said = int(np.count_nonzero(faulty[begin : begin + length]))
    if said < LASTING or begin == 0:
        return None
    word = Status(int(status[begin])).name.replace("_", " ").lower()
    text = f"{said} readings with status '{word}' from here on; last good reading {_last_good(track, begin)}"
    return _fault(FaultType.OPEN, track, begin, begin + length - 1, text)


def _between(faulty: Bools) -> Bools:
    """Return where a faulty reading lies both before and after."""
    where = np.flatnonzero(faulty)
    inside = np.zeros(len(faulty), dtype=np.bool_)
    if len(where):
        inside[where[0] : where[-1]] = True
    return inside


def _last_good(track: ChannelTrack, begin: int) -> str:
    good = track.usable_before(begin, 1)
    return f"{good[0]:.6g} {track.channel.unit_of_measure}" if len(good) else "none"


def _stuck(track: ChannelTrack) -> SensorFault | None:
    """Return the stretch in which a value that used to vary was repeated too often to be chance.

    It must continue at its level (a dead channel steps first), away from zero, and last to the end.
    """
    changed = track.last_change()
    if track.usable < 4 * LASTING or changed < 0 or len(track) - changed < 2 * LASTING:
        return None
    length = track.count(changed, len(track))
    if track.usable - length < 2 * LASTING or length < 2 * LASTING:
        return None
    values = track.usable_before(changed + 1, SHORT + 1)
    held, past = float(values[-1]), values[:-1]
    before = np.diff(values[-2001:]) == 0
    chance = (np.count_nonzero(before) + 1) / (len(before) + 2)
    longest = _last_run(before)[1]
    if chance ** (length - 1) > STUCK_CHANCE or length < 8 * (longest + 1):
        return None
    level = past[-40:]
    noise = of(level, track.model.step())
    usual = float(np.median(level))
    if abs(held - usual) > 6 * noise.sigma + noise.step or abs(held) < 0.05 * abs(float(np.median(past))):
        return None
    measure = track.channel.unit_of_measure
    text = f"{length} readings of exactly {held:.6g} {measure}; repeats before: {chance:.0%}"
    return _fault(FaultType.STUCK, track, changed, track.last_usable(), text)


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
    return _fault(FaultType.STUCK, track, changed, track.last_usable(), text)


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


def _impossible(track: ChannelTrack) -> SensorFault | None:
    """Return the moment of a temperature step that heating cannot explain and that did not decay."""
    if not is_temperature(track.channel) or track.usable < 4 * LASTING:
        return None
    step, at = track.widest_step()
    if step < JUMP_KELVIN:
        return None
    earlier, later = track.usable_before(at, SHORT), track.usable_from(at, SHORT)
    values, k = np.concatenate([earlier, later]), len(earlier) - 1
    usual = float(np.quantile(np.delete(np.abs(np.diff(values)), k), 0.999))
    noise = of(values[max(k - 240, 0) : k + 1], track.model.step())
    gap = _gap_ns(track, at) / max(1e9 * track.period_s(), 1.0)
    if step < max(JUMP_KELVIN, 6 * usual, JUMP_NOISES * noise.sigma) or gap > 2 * LASTING:
        return None
    after = values[k + 1 : k + 1 + 4 * LASTING]
    before = values[max(k - LASTING, 0) : k + 1]
    settled = abs(float(np.median(after)) - float(values[k + 1])) < 0.25 * step
    if len(after) < LASTING or not settled or len(before) < 3:
        return None
    flat = np.ptp(after) <= noise.step
    text = (
        f"from {values[k]:.5g} to {values[k + 1]:.5g} {track.channel.unit_of_measure} within one poll; "
        f"usual steps below {max(usual, noise.step):.3g}"
    )
    kind = FaultType.FULL_SCALE if flat and np.ptp(before) > 0 else FaultType.IMPOSSIBLE
    return _fault(kind, track, at, track.last_usable(), text)


def _gap_ns(track: ChannelTrack, position: int) -> int:
    """Return the time from the previous usable reading to a usable one."""
    near, offset = track.near(position, 1, slice(0, position + 1))
    before = np.flatnonzero(near.usable[: position - offset])[-1]
    return int(near.t_ns[position - offset] - near.t_ns[before])


def _detached(data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the moment a temperature began to fall to the room's while its unit kept running."""
    channel = track.channel
    rooms = [
        c.name
        for c in data.layout.channels.values()
        if c.unit is None and c.kind is ChannelKind.STIMULUS and is_temperature(c) and c.name != channel.name
    ]
    if channel.unit is None or not is_temperature(channel) or not rooms:
        return None
    start, end = data.span_ns
    count = min(600, len(track) // 4)
    if count < 60:
        return None
    start, width, count = grid(start, end, count)
    own = data.means(channel.name, start, width, count)
    room = middle_of(np.array([data.means(r, start, width, count) for r in rooms]))
    begin = _left_for_good(own - room)
    if begin is None:
        return None
    witnesses = _unchanged(data, channel, begin, (start, width, count))
    if witnesses is None:
        return None
    text = (
        f"fell from {level_of(own[:begin]):.4g} to {level_of(own[-5:]):.4g} {channel.unit_of_measure}, "
        f"room {level_of(room[-5:]):.4g}, while {witnesses} stayed the same"
    )
    position = track.place(start + max(begin - 2, 0) * width)
    return _fault(FaultType.DETACHED, track, min(position, len(track) - 1), len(track) - 1, text)


def _left_for_good(above: Floats) -> int | None:
    """Return the bin from which a rise above the room shrank to nearly zero for good."""
    late = above[-5:]
    if not np.isfinite(late).any():
        return None
    usual = float(np.nanmax([level_of(above[: len(above) // 3]), level_of(above)]))
    if usual < 8.0 or level_of(late) > 0.2 * usual:
        return None
    high = np.flatnonzero(np.nan_to_num(above, nan=0.0) > 0.9 * usual)
    return int(high[-1]) + 1 if len(high) and high[-1] < len(above) - 3 else None


def _unchanged(data: AnalysisData, channel: Channel, begin: int, bins: tuple[int, int, int]) -> str | None:
    """Return the unit's other channels that show it kept working; None when it did not."""
    going: list[str] = []
    gone: list[str] = []
    for other in data.layout.channels.values():
        if other.unit != channel.unit or other.name == channel.name or other.source is None:
            continue
        row = data.means(other.name, *bins)
        before, after = row[max(begin - 60, 0) : max(begin - 1, 1)], row[begin + 2 :]
        level, now = level_of(before), level_of(after[-max(len(after) // 2, 3) :])
        if not np.isfinite(level + now):
            continue
        (going if abs(now - level) <= 0.3 * abs(level) else gone).append(other.name)
    if len(going) < 2 or len(gone) > len(going) / 3:
        return None
    return ", ".join(sorted(going)[:4])


def _fault(fault_type: FaultType, track: ChannelTrack, begin: int, end: int, text: str) -> SensorFault:
    name = track.channel.name
    t_ns = int(track.at(begin).t_ns[0])
    return SensorFault(
        fault_type=fault_type,
        subject=name,
        channels=(name,),
        from_ns=t_ns,
        until_ns=int(track.at(end).t_ns[0]),
        evidence=(AttributionEvidence(subject=name, t_ns=t_ns, text=text),),
    )


def _common_steps(data: AnalysisData, single: list[SensorFault]) -> list[SensorFault]:
    """Return the faults with those joined that began on several channels of one instrument in one scan."""
    rest: list[SensorFault] = []
    groups: dict[str, list[list[SensorFault]]] = {}
    for fault in sorted(single, key=lambda i: i.from_ns):
        instrument = instrument_of(data.layout.channels[fault.subject])
        if fault.fault_type not in TOGETHER or not instrument:
            rest.append(fault)
            continue
        made = groups.setdefault(instrument, [])
        if made and fault.from_ns - made[-1][0].from_ns <= _scans_ns(data, fault.subject):
            made[-1].append(fault)
        else:
            made.append([fault])
    for instrument, found in ((name, group) for name, made in groups.items() for group in made):
        from_ns = found[0].from_ns
        units = {data.layout.channels[i.subject].unit for i in found}
        if len(found) < 3 or (len(units) < 2 and len(found) < _read_by(data, instrument)):
            rest += found
            continue
        rest.append(
            SensorFault(
                fault_type=FaultType.COMMON_STEP,
                subject=instrument,
                channels=tuple(sorted(i.subject for i in found)),
                from_ns=from_ns,
                until_ns=max(i.until_ns for i in found),
                evidence=tuple(e for i in found for e in i.evidence),
            )
        )
    return rest


def _scans_ns(data: AnalysisData, name: str) -> int:
    """Return the time of one and a half scans: a step within a scan shows in two of them."""
    return int(1.5e9 * data.track(name).period_s())


def _read_by(data: AnalysisData, instrument: str) -> int:
    return sum(instrument_of(c) == instrument for c in data.layout.channels.values())


def _silences(data: AnalysisData) -> list[SensorFault]:
    """Return the instruments that stopped answering for more than a few polls, to the end."""
    found = []
    for instrument in data.layout.instruments:
        mine = [c.name for c in data.layout.channels.values() if instrument_of(c) == instrument]
        runs = [_silent_from(data.track(name), data.span_ns[1]) for name in mine]
        if not mine or any(run is None for run in runs):
            continue
        began = max(run for run in runs if run is not None)
        text = f"no complete reply on all {len(mine)} channels from here to the end of the recording"
        found.append(
            SensorFault(
                fault_type=FaultType.SILENT,
                subject=instrument,
                channels=tuple(mine),
                from_ns=began,
                until_ns=data.span_ns[1],
                evidence=(AttributionEvidence(subject=instrument, t_ns=began, text=text),),
            )
        )
    return found


def _silent_from(track: ChannelTrack, end_ns: int) -> int | None:
    """Return the moment from which a channel got no reply to the end; None if it got one."""
    if not len(track):
        return None
    last, heard_ns = track.last_heard()
    period = 1e9 * track.period_s() if len(track) > 1 else 1e9
    polls = len(track) - 1 - last
    missing = (end_ns - heard_ns) / max(period, 1.0) if last >= 0 else float(polls)
    if max(polls, int(missing) - 3) < 3 * LASTING:
        return None
    return int(track.at(min(last + 1, len(track) - 1)).t_ns[0])
