"""Worst reading of each channel in each phase, with its margin to the limit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.domain.limit_history import own_spans
from rig.domain.model import Channel, Limit, Side, Status
from rig.domain.recording import Recording
from rig.endurance.conformity import of_channel
from rig.endurance.coverage import Held
from rig.endurance.excursions import CountedExcursion, excursions
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, Phase, time_of
from rig.endurance.stretches import NOWHERE, Bools, Stretches, stretch

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
    excursions: counted ones (on-delay, deadband), each period of the phase separately.
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
    excursions: tuple[CountedExcursion, ...]


def margins(recording: Recording, phases: Sequence[Phase] = ()) -> list[Worst]:
    """Return the worst reading of every limited channel in every phase, smallest share left first.

    A unit's channels are taken during the installation of each serial number, the room's over the whole run.
    A phase's own limits replace the channel's while it is in force; limits changed in mid-run count for the
    time in which they were effective, each in a row of its own.
    """
    readings = HeldReadings(recording)
    room = Installation(unit="", serial="", start_ns=readings.span_ns[0], end_ns=readings.span_ns[1])
    times = _times(readings, phases)
    found: list[Worst] = []
    for channel in recording.layout.channels.values():
        places = (
            [one for one in readings.installations() if one.unit == channel.unit] if channel.unit else [room]
        )
        for installation in places:
            period = stretch(installation.start_ns, installation.end_ns)
            for phase, time in times:
                for own, when in _own_limits(readings, channel):
                    limits = phase.limits_of(channel.name, channel.unit, own)
                    looked = _Looked(
                        phase=phase.name, serial=installation.serial, time=time.both(period).both(when)
                    )
                    found.extend(_worst(readings, channel, limits, looked))
    return sorted(found, key=_rank)


def _own_limits(readings: HeldReadings, channel: Channel) -> list[tuple[tuple[Limit, ...], Stretches]]:
    """Return the limits of a channel by the rig file, and the time in which these were effective."""
    recording, (first_ns, last_ns) = readings.recording, readings.span_ns
    spans = own_spans(channel.name, recording.layout, recording.events(), recording.layouts)
    times: dict[tuple[Limit, ...], Stretches] = {}
    for span in spans:
        start_ns = first_ns if span.start_ns is None else min(max(span.start_ns, first_ns), last_ns)
        end_ns = last_ns if span.end_ns is None else min(max(span.end_ns, start_ns), last_ns)
        when = times.get(span.limits, NOWHERE)
        times[span.limits] = when.either(stretch(start_ns, end_ns)) if end_ns > start_ns else when
    return list(times.items())


def _times(readings: HeldReadings, phases: Sequence[Phase]) -> list[tuple[Phase, Stretches]]:
    forces = readings.forces()
    times = [(phase, time_of(phase.name, forces)) for phase in phases]
    covered = NOWHERE
    for _, time in times:
        covered = covered.either(time)
    return [*times, (Phase(name=NO_PHASE), stretch(*readings.span_ns).without(covered))]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    phase: str
    serial: str
    time: Stretches


def _worst(readings: HeldReadings, channel: Channel, limits: Sequence[Limit], looked: _Looked) -> list[Worst]:
    time = looked.time
    if not limits or not len(time):
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
                uncertainty=of_channel(channel),
                looked_s=time.total_s,
                known_s=known_s,
                readings=len(value),
                suspect=suspect,
                excursions=_excursions(held, inside, time, limit),
            )
        )
    return found


def _excursions(held: Held, inside: Bools, time: Stretches, limit: Limit) -> tuple[CountedExcursion, ...]:
    """Return the excursions within each stretch of a set of time."""
    t_ns, value = held.t_ns[inside], held.value[inside]
    edges = [*np.searchsorted(held.middle_ns[inside], time.start_ns).tolist(), len(t_ns)]
    return tuple(
        one
        for first, last in itertools.pairwise(edges)
        for one in excursions(held.channel, t_ns[first:last], value[first:last], limit)
    )


def _distance(limit: Limit, value: float) -> float:
    return limit.value - value if limit.side is Side.HIGH else value - limit.value


def _rank(worst: Worst) -> tuple[float, str, str]:
    used = math.inf if worst.used is None else worst.used
    return -used, worst.channel, worst.phase
