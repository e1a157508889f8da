"""Whether a channel's readings are to be believed at all: sensors and instruments before units.

Each ailment names the moment it began and the readings that show it. Nothing here knows what a channel is
called; units of measure, statuses, the instrument it is read by and like channels are all there is.
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
"""Readings in a row from which on silence or a sentinel is a state and not an accident."""
STUCK_CHANCE = 1e-9
LEFT_BEHIND = 8.0
"""How many display steps (or scatters) like channels must have moved while a value stood still."""
JUMP_NOISES = 12.0
BLOCKS = 16
JUMP_KELVIN = 12.0
"""A temperature that moves more than this within one poll, and more than ever before, was not heated."""


class FaultType(enum.StrEnum):
    """What is wrong with the readings of a channel or instrument."""

    OPEN = "open"
    FULL_SCALE = "full-scale"
    STUCK = "stuck"
    FALLEN = "fallen-off"
    IMPOSSIBLE = "impossible-rate"
    SILENT = "silent"
    JOLT = "jolt"
    """Several channels of one instrument jumped in one scan."""


TOGETHER = frozenset({FaultType.IMPOSSIBLE, FaultType.FULL_SCALE, FaultType.OPEN, FaultType.STUCK})
INSTRUMENTAL = frozenset({FaultType.SILENT, FaultType.JOLT})


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """One ailment: of a channel (or, for silence and jolts, of an instrument), from a moment on."""

    ailment: FaultType
    subject: str
    channels: tuple[str, ...]
    from_ns: int
    until_ns: int
    evidence: tuple[AttributionEvidence, ...]


def ailments(scene: AnalysisData, names: Iterable[str]) -> list[SensorFault]:
    """Return everything that is wrong with the readings of these channels, oldest first."""
    single: list[SensorFault] = []
    for name in names:
        track = scene.track(name)
        if not len(track) or track.channel.source is None:
            continue
        for look in (_open, _stuck, _impossible):
            ill = look(track)
            if ill is not None:
                single.append(ill)
                break
        else:
            ill = _fallen(scene, track) or _left_behind(scene, track)
            if ill is not None:
                single.append(ill)
    return sorted([*_jolts(scene, single), *_silences(scene)], key=lambda ill: (ill.from_ns, ill.subject))


def _last_run(bad: Bools) -> tuple[int, int]:
    """Return begin and length of the longest run of true values; (0, 0) when there is none."""
    edges = np.diff(np.concatenate([[0], bad.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(begins):
        return 0, 0
    k = int(np.argmax(ends - begins))
    return int(begins[k]), int(ends[k] - begins[k])


def _open(track: ChannelTrack) -> SensorFault | None:
    """Return the stretch in which the instrument itself said that there is no sensor, or no sane value."""
    if sum(digest.sick for digest in track.digests) < LASTING:
        return None
    status = track.statuses()
    sick = np.isin(status, (Status.OVER, Status.UNDER, Status.NO_VALUE, Status.SUSPECT))
    unknown = np.isin(status, (Status.NO_REPLY, Status.BAD_REPLY, Status.LOST, Status.REFUSED))
    begin, length = _last_run(sick | (unknown & _between(sick)))
    said = int(np.count_nonzero(sick[begin : begin + length]))
    if said < LASTING or begin == 0:
        return None
    word = Status(int(status[begin])).name.replace("_", " ").lower()
    text = (
        f"{said} readings with status '{word}' from here on; the last good one was {_last_good(track, begin)}"
    )
    return _ill(FaultType.OPEN, track, begin, begin + length - 1, text)


def _between(sick: Bools) -> Bools:
    """Return where a sick reading lies both before and after."""
    where = np.flatnonzero(sick)
    inside = np.zeros(len(sick), dtype=np.bool_)
    if len(where):
        inside[where[0] : where[-1]] = True
    return inside


def _last_good(track: ChannelTrack, begin: int) -> str:
    good = track.usable_before(begin, 1)
    return f"{good[0]:.6g} {track.channel.unit_of_measure}" if len(good) else "never"


def _stuck(track: ChannelTrack) -> SensorFault | None:
    """Return the stretch in which a value that used to move was repeated too often to be chance.

    It must go on at the level it had (a dead channel jumps first), away from zero, and last to the end.
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
    text = f"{length} times exactly {held:.6g} {measure}; before, {chance:.0%} were repeats"
    return _ill(FaultType.STUCK, track, changed, track.last_usable(), text)


def _left_behind(scene: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the stretch to the end in which a value stood still while the like channels it follows moved.

    For readings so calm that repeats alone prove nothing.
    """
    others = [scene.track(name) for name in alike(scene.layout, track.channel)]
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
        f"{length} times exactly {held:.6g} {track.channel.unit_of_measure}, "
        f"while like channels moved by {moved:.4g} or more"
    )
    return _ill(FaultType.STUCK, track, changed, track.last_usable(), text)


def _grain(track: ChannelTrack) -> float:
    """Return the finest change a channel can be trusted to show: its display step or its scatter."""
    noise = of(track.usable_before(len(track), 2000), track.model.step())
    return max(noise.sigma, noise.step, display_step(track.usable_from(0, 2000)))


def _swing(track: ChannelTrack, from_ns: int) -> float:
    """Return how far a channel moved after a moment, blocks of readings averaged; 0 when it was not read."""
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
    """Return the moment a temperature moved faster than heat can, and did not come back with heat's pace."""
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
        f"usual steps are below {max(usual, noise.step):.3g}"
    )
    kind = FaultType.FULL_SCALE if flat and np.ptp(before) > 0 else FaultType.IMPOSSIBLE
    return _ill(kind, track, at, track.last_usable(), text)


def _gap_ns(track: ChannelTrack, position: int) -> int:
    """Return how long before a usable reading the usable one before it was taken."""
    near, offset = track.near(position, 1, slice(0, position + 1))
    before = np.flatnonzero(near.usable[: position - offset])[-1]
    return int(near.t_ns[position - offset] - near.t_ns[before])


def _fallen(scene: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the moment a temperature began to fall to the room's while its unit went on as before."""
    channel = track.channel
    rooms = [
        c.name
        for c in scene.layout.channels.values()
        if c.unit is None and c.kind is ChannelKind.STIMULUS and is_temperature(c) and c.name != channel.name
    ]
    if channel.unit is None or not is_temperature(channel) or not rooms:
        return None
    start, end = scene.span_ns
    count = min(600, len(track) // 4)
    if count < 60:
        return None
    start, width, count = grid(start, end, count)
    own = scene.means(channel.name, start, width, count)
    room = middle_of(np.array([scene.means(r, start, width, count) for r in rooms]))
    begin = _left_for_good(own - room)
    if begin is None:
        return None
    witnesses = _unchanged(scene, channel, begin, (start, width, count))
    if witnesses is None:
        return None
    text = (
        f"fell from {level_of(own[:begin]):.4g} to {level_of(own[-5:]):.4g} {channel.unit_of_measure}, "
        f"the room's {level_of(room[-5:]):.4g}, while {witnesses} went on as before"
    )
    position = track.place(start + max(begin - 2, 0) * width)
    return _ill(FaultType.FALLEN, track, min(position, len(track) - 1), len(track) - 1, text)


def _left_for_good(above: Floats) -> int | None:
    """Return the bin from which a rise above the room shrank to next to nothing for good."""
    late = above[-5:]
    if not np.isfinite(late).any():
        return None
    usual = float(np.nanmax([level_of(above[: len(above) // 3]), level_of(above)]))
    if usual < 8.0 or level_of(late) > 0.2 * usual:
        return None
    high = np.flatnonzero(np.nan_to_num(above, nan=0.0) > 0.9 * usual)
    return int(high[-1]) + 1 if len(high) and high[-1] < len(above) - 3 else None


def _unchanged(scene: AnalysisData, channel: Channel, begin: int, bins: tuple[int, int, int]) -> str | None:
    """Return the unit's other channels that show it kept working; None when it did not."""
    going: list[str] = []
    gone: list[str] = []
    for other in scene.layout.channels.values():
        if other.unit != channel.unit or other.name == channel.name or other.source is None:
            continue
        row = scene.means(other.name, *bins)
        before, after = row[max(begin - 60, 0) : max(begin - 1, 1)], row[begin + 2 :]
        level, now = level_of(before), level_of(after[-max(len(after) // 2, 3) :])
        if not np.isfinite(level + now):
            continue
        (going if abs(now - level) <= 0.3 * abs(level) else gone).append(other.name)
    if len(going) < 2 or len(gone) > len(going) / 3:
        return None
    return ", ".join(sorted(going)[:4])


def _ill(ailment: FaultType, track: ChannelTrack, begin: int, end: int, text: str) -> SensorFault:
    name = track.channel.name
    t_ns = int(track.at(begin).t_ns[0])
    return SensorFault(
        ailment=ailment,
        subject=name,
        channels=(name,),
        from_ns=t_ns,
        until_ns=int(track.at(end).t_ns[0]),
        evidence=(AttributionEvidence(subject=name, t_ns=t_ns, text=text),),
    )


def _jolts(scene: AnalysisData, single: list[SensorFault]) -> list[SensorFault]:
    """Return the ailments with those joined that struck several channels of one instrument in one scan."""
    rest: list[SensorFault] = []
    groups: dict[str, list[list[SensorFault]]] = {}
    for ill in sorted(single, key=lambda i: i.from_ns):
        instrument = instrument_of(scene.layout.channels[ill.subject])
        if ill.ailment not in TOGETHER or not instrument:
            rest.append(ill)
            continue
        made = groups.setdefault(instrument, [])
        if made and ill.from_ns - made[-1][0].from_ns <= _scans_ns(scene, ill.subject):
            made[-1].append(ill)
        else:
            made.append([ill])
    for instrument, found in ((name, group) for name, made in groups.items() for group in made):
        from_ns = found[0].from_ns
        units = {scene.layout.channels[i.subject].unit for i in found}
        if len(found) < 3 or (len(units) < 2 and len(found) < _read_by(scene, instrument)):
            rest += found
            continue
        rest.append(
            SensorFault(
                ailment=FaultType.JOLT,
                subject=instrument,
                channels=tuple(sorted(i.subject for i in found)),
                from_ns=from_ns,
                until_ns=max(i.until_ns for i in found),
                evidence=tuple(e for i in found for e in i.evidence),
            )
        )
    return rest


def _scans_ns(scene: AnalysisData, name: str) -> int:
    """Return the time of one and a half scans: a jump within a scan shows in two of them."""
    return int(1.5e9 * scene.track(name).period_s())


def _read_by(scene: AnalysisData, instrument: str) -> int:
    return sum(instrument_of(c) == instrument for c in scene.layout.channels.values())


def _silences(scene: AnalysisData) -> list[SensorFault]:
    """Return the instruments that stopped answering for more than a few polls, to the end."""
    found = []
    for instrument in scene.layout.instruments:
        mine = [c.name for c in scene.layout.channels.values() if instrument_of(c) == instrument]
        runs = [_silent_from(scene.track(name), scene.span_ns[1]) for name in mine]
        if not mine or any(run is None for run in runs):
            continue
        began = max(run for run in runs if run is not None)
        text = f"no complete reply from here to the end of the recording, on all {len(mine)} channels"
        found.append(
            SensorFault(
                ailment=FaultType.SILENT,
                subject=instrument,
                channels=tuple(mine),
                from_ns=began,
                until_ns=scene.span_ns[1],
                evidence=(AttributionEvidence(subject=instrument, t_ns=began, text=text),),
            )
        )
    return found


def _silent_from(track: ChannelTrack, end_ns: int) -> int | None:
    """Return the moment from which a channel got no reply to the end; None if it was heard."""
    if not len(track):
        return None
    last, heard_ns = track.last_heard()
    period = 1e9 * track.period_s() if len(track) > 1 else 1e9
    asked = len(track) - 1 - last
    missing = (end_ns - heard_ns) / max(period, 1.0) if last >= 0 else float(asked)
    if max(asked, int(missing) - 3) < 3 * LASTING:
        return None
    return int(track.at(min(last + 1, len(track) - 1)).t_ns[0])
