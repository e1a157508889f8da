"""Worst reading of each channel in each phase, with its margin to the limit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.domain.limit_arrays import Excursion
from rig.domain.limit_history import LIMIT_CHANGING, LimitSpan, limit_spans
from rig.domain.model import Channel, Limit, Side, Status
from rig.domain.recording import Recording
from rig.domain.source_groups import concerns, source_groups
from rig.endurance.excursions import excursions, on_the_time_line
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, Phase, time_of
from rig.endurance.stretches import NOWHERE, Stretches, stretch

NO_PHASE = ""
"""Name under which the time outside of all phases (all of it, without a program) is accounted for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    """Reading of a channel nearest to a limit, or farthest beyond it, in one phase.

    unit, serial: whose channel it is; None for the room's own. margin: distance to the limit, in the
    channel's unit of measure, negative when beyond. used: share of the distance from the phase's median to
    the limit that the worst reading used up (1 at the limit), None where the median is on or beyond it.
    uncertainty: standard uncertainty of a reading as the rig file states it (0: not stated).
    looked_s: the time of the phase in the installation; known_s: of it, covered by GOOD readings.
    readings: how many GOOD ones there were; suspect: how many implausible ones were left out.
    excursions: those that began in this time; lasting: one that began before it lasted into it.
    """

    unit: str | None
    serial: str | None
    channel: str
    unit_of_measure: str
    phase: str
    side: Side
    limit: float
    value: float
    t_ns: int
    margin: float
    used: float | None
    median: float
    uncertainty: float
    looked_s: float
    known_s: float
    readings: int
    suspect: int
    excursions: tuple[Excursion, ...]
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Limited:
    """The time of a phase in which a channel had limits: looked_s of it, known_s of that with GOOD readings.

    unit, serial, phase: as of ``Worst``. edge_s: how far polling may misplace each end of it.
    """

    unit: str | None
    serial: str | None
    channel: str
    phase: str
    looked_s: float
    known_s: float
    edge_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What became of the limits of a run: the worst of each channel and phase, and how long each had any."""

    worst: list[Worst]
    limited: list[Limited]


def margins(recording: Recording, phases: Sequence[Phase] = ()) -> list[Worst]:
    """Return the worst reading of every limited channel in every phase, smallest share left first."""
    return looked_at(recording, phases).worst


def looked_at(recording: Recording, phases: Sequence[Phase] = ()) -> Limits:
    """Return what became of every limit in every phase, the smallest share of its margin left first.

    A unit's channels are taken during the installation of each serial number, the room's over the whole run,
    by the limits in force then (``rig.domain.limit_history``). Limits that were changed within a phase count
    for the time in which they were in force, each in a row of its own.
    """
    readings = HeldReadings(recording)
    events = [event for event in recording.events() if event.kind in LIMIT_CHANGING]
    whole = Installation(unit="", serial="", start_ns=readings.span_ns[0], end_ns=readings.span_ns[1])
    times = {unit: _times(readings, phases, unit) for unit in (None, *recording.layout.units)}
    installations = readings.installations()
    found = Limits(worst=[], limited=[])
    for channel in recording.layout.channels.values():
        spans = limit_spans(channel.name, recording.layout, events, recording.layouts, phases)
        if not any(span.limits for span in spans):
            continue
        out = _excursions(readings, channel.name, spans)
        its_times = times[channel.unit] if channel.unit else _times_of(readings, times, channel.name)
        for installation in (
            [one for one in installations if one.unit == channel.unit] if channel.unit else [whole]
        ):
            stayed = stretch(installation.start_ns, installation.end_ns)
            for phase, time in its_times:
                looked = _Looked(
                    phase=phase.name, serial=installation.serial, time=time.both(stayed), out=out
                )
                _look(readings, channel, _over_time(readings, spans), looked, found)
    found.worst.sort(key=_rank)
    return found


def _over_time(
    readings: HeldReadings, spans: Sequence[LimitSpan]
) -> list[tuple[tuple[Limit, ...], Stretches]]:
    """Return the limits of a channel, and the time in which each stood."""
    first_ns, last_ns = readings.span_ns
    times: dict[tuple[Limit, ...], Stretches] = {}
    for span in spans:
        start_ns = first_ns if span.start_ns is None else min(max(span.start_ns, first_ns), last_ns)
        end_ns = last_ns if span.end_ns is None else min(max(span.end_ns, start_ns), last_ns)
        when = times.get(span.limits, NOWHERE)
        times[span.limits] = when.either(stretch(start_ns, end_ns)) if end_ns > start_ns else when
    return [(limits, when) for limits, when in times.items() if limits]


def _excursions(readings: HeldReadings, channel: str, spans: Sequence[LimitSpan]) -> list[Excursion]:
    """Return the excursions of a channel on the time line of the account."""
    series = readings.recording.series(channel)
    return [on_the_time_line(one, series, readings.shifts) for one in excursions(series, spans)]


def _times_of(
    readings: HeldReadings, times: Mapping[str | None, list[tuple[Phase, Stretches]]], channel: str
) -> list[tuple[Phase, Stretches]]:
    """Return the time of each phase for a channel of the room: of the units of its source, else of any."""
    layout = readings.recording.layout
    fed = {unit for unit in layout.units if concerns(layout, (unit,), channel)}
    one_group = fed and any(fed <= set(group.units) for group in source_groups(layout))
    return times[min(fed)] if one_group else times[None]


def _times(
    readings: HeldReadings, phases: Sequence[Phase], unit: str | None
) -> list[tuple[Phase, Stretches]]:
    forces = readings.forces(unit)
    times = [(phase, time_of(phase.name, forces)) for phase in phases]
    covered = NOWHERE
    for _, time in times:
        covered = covered.either(time)
    return [*times, (Phase(name=NO_PHASE), stretch(*readings.span_ns).without(covered))]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """One phase of one stay; out: all excursions of the channel, of whatever time."""

    phase: str
    serial: str
    time: Stretches
    out: Sequence[Excursion]


def _look(
    readings: HeldReadings,
    channel: Channel,
    over_time: Sequence[tuple[tuple[Limit, ...], Stretches]],
    looked: _Looked,
    found: Limits,
) -> None:
    """Add what became of the limits of a channel in one phase of one stay."""
    limited = NOWHERE
    for limits, when in over_time:
        time = looked.time.both(when)
        limited = limited.either(time)
        found.worst.extend(_worst(readings, channel, limits, replace(looked, time=time)))
    if len(limited):
        held = readings(channel.name)
        known = held.known.both(limited)
        found.limited.append(
            Limited(
                unit=channel.unit,
                serial=looked.serial or None,
                channel=channel.name,
                phase=looked.phase,
                looked_s=limited.total_s,
                known_s=known.total_s,
                edge_s=held.edge_s,
            )
        )


def _worst(readings: HeldReadings, channel: Channel, limits: Sequence[Limit], looked: _Looked) -> list[Worst]:
    time = looked.time
    if not len(time):
        return []
    held = readings(channel.name)
    inside = held.inside(time)
    if not inside.any():
        return []
    t_ns, value = held.t_ns[inside], held.value[inside]
    suspect, known_s = held.count(Status.SUSPECT, time), held.known.both(time).total_s
    median = float(np.median(value))
    found = []
    for limit in limits:
        at = int(np.argmax(value) if limit.side is Side.HIGH else np.argmin(value))
        margin, room = _distance(limit, float(value[at])), _distance(limit, median)
        begun, lasting = _during(looked.out, time, limit, readings.span_ns[1])
        found.append(
            Worst(
                unit=channel.unit,
                serial=looked.serial or None,
                channel=channel.name,
                unit_of_measure=channel.unit_of_measure,
                phase=looked.phase,
                side=limit.side,
                limit=limit.value,
                value=float(value[at]),
                t_ns=int(t_ns[at]),
                margin=margin,
                used=1 - margin / room if room > 0 else None,
                median=median,
                uncertainty=readings.standard_at(channel.name, float(value[at]), int(t_ns[at])),
                looked_s=time.total_s,
                known_s=known_s,
                readings=len(value),
                suspect=suspect,
                excursions=begun,
                lasting=lasting,
            )
        )
    return found


def _during(
    out: Sequence[Excursion], time: Stretches, limit: Limit, last_ns: int
) -> tuple[tuple[Excursion, ...], bool]:
    """Return the excursions that began in a time, and whether one that began before lasted into it.

    last_ns: the end of the recording; one that begins with its very last reading belongs to what was in force
    until then.
    """
    mine = [one for one in out if one.side is limit.side]
    starts = np.array([min(one.start_ns, last_ns - 1) for one in mine], np.int64)
    begun = tuple(one for one, held in zip(mine, time.holds(starts), strict=True) if held)
    first_ns = int(time.start_ns[0])
    lasting = any(one.start_ns < first_ns and (one.end_ns is None or one.end_ns > first_ns) for one in mine)
    return begun, lasting


def _distance(limit: Limit, value: float) -> float:
    return limit.value - value if limit.side is Side.HIGH else value - limit.value


def _rank(worst: Worst) -> tuple[float, str, str]:
    used = math.inf if worst.used is None else worst.used
    return -used, worst.channel, worst.phase
