"""Truth of the simulated room, as plain data, and its comparison with a verdict.

The document's times come twice: CLOCK_BOOTTIME ns, which orders, and UTC ns, which labels. Comparing is
a pure function over plain data; it does not depend on the maker of the verdict.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from rig.simulator.crossing_ledger import Crossing
from rig.simulator.quantities import POWER
from rig.simulator.world import World

FORMAT = 1


def document(world: World, *, seed: int, boot_id: str, utc_minus_boot_ns: int, ended: bool) -> dict[str, Any]:
    """Return the truth so far as JSON values; ``truth.json`` of a room's folder holds it."""
    plan, scenario = world.plan, world.scenario
    crossings = sorted(world.crossings, key=lambda crossing: crossing.out_ns)

    def instant(at_ns: int) -> dict[str, int]:
        return {"boot_ns": at_ns, "utc_ns": at_ns + utc_minus_boot_ns}

    return {
        "format": FORMAT,
        "note": f"thermal time constants and programs are shortened {plan.pace:g} times; electricity is not",
        "scenario": scenario.name,
        "text": scenario.text,
        "seed": seed,
        "pace": plan.pace,
        "boot_id": boot_id,
        "start": instant(world.start_ns),
        "computed_until": instant(world.now_ns),
        "ended": ended,
        "units": list(plan.units),
        "victim": world.victim if scenario.role in {"unit", "sensor"} or scenario.dies else None,
        "dead": list(world.dead),
        "role": scenario.role,
        "expected_first": _expected_first(world),
        "channels": _channels(world),
        "crossings": [
            {
                "channel": crossing.channel,
                "side": crossing.side,
                "limit": crossing.limit,
                "out": instant(crossing.out_ns),
                "back": None if crossing.back_ns is None else instant(crossing.back_ns),
                "lasted_s": None if crossing.back_ns is None else (crossing.back_ns - crossing.out_ns) / 1e9,
                "out_before_start": crossing.before,
            }
            for crossing in crossings
        ],
        "closer_than_a_poll": closer_than(crossings, poll_s=plan.poll_s),
        "happenings": [
            {"at": instant(one.at_ns), "subject": one.subject, "text": one.text}
            for one in list(world.happenings)
        ],
    }


def _expected_first(world: World) -> str | None:
    first = world.scenario.first
    if first is None or world.scenario.role == "rig":
        return first
    return f"{world.victim}.{first}"


def _channels(world: World) -> dict[str, Any]:
    plan = world.plan
    found: dict[str, Any] = {}
    for probe in plan.probes:
        quantity = probe.quantity
        found[probe.channel] = {
            "unit": probe.unit,
            "instrument": probe.instrument,
            "unit_of_measure": quantity.word,
            "high": quantity.high,
            "low": quantity.low,
            "deadband": quantity.deadband,
            "on_delay_s": quantity.on_delay_s,
            "poll_s": plan.poll_s,
            "lag_s": probe.lag_s,
            "true_lag_s": probe.true_lag_s,
            "resolution": quantity.resolution,
            "noise": quantity.noise,
        }
    for unit in plan.units:
        found[f"{unit}.{POWER.name}"] = {
            "unit": unit,
            "instrument": None,
            "unit_of_measure": POWER.word,
            "high": POWER.high,
            "low": POWER.low,
            "deadband": POWER.deadband,
            "on_delay_s": POWER.on_delay_s,
            "poll_s": plan.poll_s,
        }
    return found


def closer_than(crossings: Iterable[Crossing], *, poll_s: float) -> list[dict[str, Any]]:
    """Return the pairs of true crossings closer together than one poll: their order is undetermined.

    Each pair in its true order, with how far apart it was.
    """
    ordered = sorted(
        (crossing for crossing in crossings if not crossing.before), key=lambda crossing: crossing.out_ns
    )
    return [
        {
            "first": [earlier.channel, earlier.side],
            "second": [later.channel, later.side],
            "apart_s": (later.out_ns - earlier.out_ns) / 1e9,
        }
        for earlier, later in combinations(ordered, 2)
        if later.out_ns - earlier.out_ns < poll_s * 1e9
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Miss:
    """A verdict whose interval does not hold the true moment.

    off_s: how far the nearest true crossing lies beyond its end (+) or before its beginning (-).
    """

    channel: str
    off_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TruthComparison:
    """How a verdict did against the truth.

    inside: channels whose interval holds a true crossing. outside: those whose does not. invented:
    channels that truly never left a limit. missed: channels that truly did, for longer than their
    on-delay and two polls, and got no interval. right, wrong: certain pairs in true and in false order.
    lucky: the right ones that were closer together than one poll. first: the channel that truly went
    first among those concerned.
    """

    inside: tuple[str, ...]
    outside: tuple[Miss, ...]
    invented: tuple[str, ...]
    missed: tuple[str, ...]
    right: tuple[tuple[str, str], ...]
    wrong: tuple[tuple[str, str], ...]
    lucky: tuple[tuple[str, str], ...]
    first: str | None

    @property
    def sound(self) -> bool:
        """Whether nothing stated is false: no interval beside the truth, no certain pair wrong."""
        return not (self.outside or self.invented or self.wrong)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moment:
    at_ns: int
    counts: bool


def compare(
    truth: Mapping[str, Any],
    verdicts: Mapping[str, tuple[int, int]],
    certain: Sequence[tuple[str, str]] = (),
    *,
    unit: str | None = None,
    until_ns: int | None = None,
    utc_minus_boot_ns: int | None = None,
) -> TruthComparison:
    """Return how verdicts compare with the truth.

    verdicts: channel to (earliest, latest) UTC ns of leaving its limit. certain: pairs (A, B) said to
    be A before B beyond doubt. unit: only its channels and the room's count as missed. until_ns: end of
    the recording; later crossings do not count. utc_minus_boot_ns: the recording's own offset, where the
    wall clock was not steady; otherwise the room's.
    """
    moments = _moments(truth, until_ns, utc_minus_boot_ns)
    nearest: dict[str, int] = {}
    outside: list[Miss] = []
    for channel, (earliest, latest) in verdicts.items():
        if channel not in moments:
            continue
        at_ns = min(
            (one.at_ns for one in moments[channel]), key=lambda at: max(earliest - at, at - latest, 0)
        )
        nearest[channel] = at_ns
        off_ns = min(at_ns - earliest, 0) + max(at_ns - latest, 0)
        if off_ns:
            outside.append(Miss(channel=channel, off_s=off_ns / 1e9))
    pairs = [(first, second) for first, second in certain if first in nearest and second in nearest]
    right = tuple(pair for pair in pairs if nearest[pair[0]] < nearest[pair[1]])
    poll_ns = 1e9 * min((entry["poll_s"] for entry in truth["channels"].values()), default=0.0)
    counted = _counted(truth, moments, unit)
    return TruthComparison(
        inside=tuple(sorted(set(nearest) - {miss.channel for miss in outside})),
        outside=tuple(outside),
        invented=tuple(sorted(set(verdicts) - set(moments))),
        missed=tuple(sorted(set(counted) - set(verdicts))),
        right=right,
        wrong=tuple(pair for pair in pairs if nearest[pair[0]] > nearest[pair[1]]),
        lucky=tuple((a, b) for a, b in right if nearest[b] - nearest[a] < poll_ns),
        first=min(counted, key=lambda channel: counted[channel], default=None),
    )


def _counted(
    truth: Mapping[str, Any], moments: Mapping[str, Sequence[_Moment]], unit: str | None
) -> dict[str, int]:
    """Return the first moment of each channel concerned whose excursion nobody can have overlooked."""
    found: dict[str, int] = {}
    for channel, times in moments.items():
        owner = truth["channels"][channel]["unit"]
        counting = [one.at_ns for one in times if one.counts]
        if counting and (unit is None or owner in {None, unit}):
            found[channel] = min(counting)
    return found


def _moments(
    truth: Mapping[str, Any], until_ns: int | None, utc_minus_boot_ns: int | None
) -> dict[str, list[_Moment]]:
    """Return the true crossings of each channel in UTC ns, without those before start and after the end."""
    moments: dict[str, list[_Moment]] = {}
    for crossing in truth["crossings"]:
        out = crossing["out"]
        at_ns = out["utc_ns"] if utc_minus_boot_ns is None else out["boot_ns"] + utc_minus_boot_ns
        if crossing["out_before_start"] or (until_ns is not None and at_ns > until_ns):
            continue
        channel = truth["channels"][crossing["channel"]]
        # The first and the last reading outside may each come a poll inside the true excursion.
        needed_s = channel["on_delay_s"] + 2.0 * channel["poll_s"]
        lasted_s = crossing["lasted_s"]
        if until_ns is not None:
            left_s = (until_ns - at_ns) / 1e9
            lasted_s = left_s if lasted_s is None else min(lasted_s, left_s)
        counts = lasted_s is None or lasted_s > needed_s
        moments.setdefault(crossing["channel"], []).append(_Moment(at_ns=at_ns, counts=counts))
    return moments
