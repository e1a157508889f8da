"""Account of a run as text and as JSON: exposure of each unit, from readback."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Iterable, Sequence
from typing import Any

from rig.domain.formatting import counted, duration, figure, in_hours, stamp
from rig.domain.operating_state import Certainty
from rig.endurance.account_json import to_json
from rig.endurance.bands import BandHours
from rig.endurance.cycles import CycleTable
from rig.endurance.exposure import PhaseExposure, TargetExposure, UnitExposure
from rig.endurance.margins import Worst
from rig.endurance.run_account import RunAccount
from rig.endurance.verdict import Death
from rig.render.text_layout import table, titled, wrapped

HOUR_S = 3600.0
MOST_MARGINS = 12
FEW_MARGINS = 5
"""Number of limits printed per unit where there are several units."""
_LEAST_SHARE = 1e-9


def as_json(found: RunAccount, **more: Any) -> str:
    """Return the account as JSON text; ``more`` is added at the top level."""
    return json.dumps({**to_json("account", found), **more}, indent=2, ensure_ascii=False)


def text(found: RunAccount, width: int = 100) -> str:
    """Return the account as plain text: a table of all units, then each unit."""
    began, ended = (stamp(t_ns) for t_ns in found.span_ns)
    lines = wrapped(f"ACCOUNT of rig {found.rig}, from readback", width)
    lines += wrapped(f"{began} to {ended}, {counted(found.sessions, 'session')}", width)
    if not found.stated:
        words = (
            "the rig file has no section account: no energy, output, trips, bands or parts; limits and "
            "hours only"
        )
        lines += wrapped(words, width, "note: ", "      ")
    if not found.exposures:
        return "\n".join([*lines, "", "no unit installed in this rig"])
    lines += titled("Units", width)
    lines += table([_HEAD, *(_row(found, one) for one in found.exposures)], width, frozenset(range(2, 9)))
    for words in found.dispositions:
        lines += wrapped(words, width, "- ", "  ")
    for one in found.exposures:
        lines += _unit(found, one, width)
    room = [one for one in found.margins if one.unit is None]
    if room:
        lines += titled("Limits of the room", width) + _margins(room, width)
    lines += titled("Counting of hours", width)
    lines += wrapped(found.exposures[0].gap_rule, width)
    for note in found.exposures[0].notes:
        lines += wrapped(note, width, "- ", "  ")
    return "\n".join(line.rstrip() for line in lines)


_HEAD = ("unit", "serial", "installed", "observed", "unobserved", "output", "energy", "trips", "state")


def _row(found: RunAccount, one: UnitExposure) -> tuple[str, ...]:
    return (
        one.unit,
        one.serial,
        hours(one.installed_s),
        hours(one.observed_s),
        hours(one.unobserved_s),
        hours(one.output.on_s) if one.output else "-",
        energy(one.energy.watt_hours) if one.energy else "-",
        str(len(one.trips)) if one.output and one.drive else "-",
        _state(found, one),
    )


def _state(found: RunAccount, one: UnitExposure) -> str:
    died = next((death for death in found.deaths if death.serial == one.serial), None)
    if died is not None:
        return "failed" if died.certainty is Certainty.CERTAIN else "failed?"
    if one.serial in found.non_relevant:
        return "non-relevant failure"
    return "out of limits" if any(who.serial == one.serial for who in found.suspects) else "alive"


def hours(seconds: float) -> str:
    """Return an exposure time: in hours, or in minutes and seconds where it is short."""
    return duration(seconds) if seconds < HOUR_S else f"{seconds / HOUR_S:,.1f} h"


def energy(watt_hours: float) -> str:
    """Return an energy in Wh, kWh or MWh."""
    for factor, name in ((1.0, "Wh"), (1e3, "kWh"), (1e6, "MWh")):
        if abs(watt_hours) < 999.5 * factor or name == "MWh":
            return f"{watt_hours / factor:.3g} {name}"
    raise AssertionError("the last unit fits everything")


def _unit(found: RunAccount, one: UnitExposure, width: int) -> list[str]:
    lines = titled(f"{one.unit}, serial number {one.serial}", width)
    lines += _facts(found, one, width)
    if one.phases:
        lines += ["", *_phases(one.phases, width)]
    if one.bands:
        lines += [""]
        for band in one.bands:
            lines += _bands(band, width)
    for channel, cycles in one.cycles.items():
        lines += _cycles(channel, cycles, width)
    mine = [worst for worst in found.margins if worst.unit == one.unit and worst.serial == one.serial]
    if mine:
        caption = "smallest margins (used: share of the distance from the median to the limit):"
        lines += ["", *wrapped(caption, width)]
        lines += _margins(mine, width, MOST_MARGINS if len(found.exposures) == 1 else FEW_MARGINS)
    lines += _heat(found, one, width)
    return lines


def _facts(found: RunAccount, one: UnitExposure, width: int) -> list[str]:
    place = (
        f"{stamp(one.start_ns)} to {stamp(one.end_ns)}: {hours(one.installed_s)}, of which "
        f"{hours(one.observed_s)} observed and {hours(one.unobserved_s)} unobserved"
    )
    facts = [("installed", place)]
    if one.energy:
        about = f" ±{energy(one.energy.half_width_joule / HOUR_S)}" if one.energy.half_width_joule else ""
        facts.append(("energy", f"{energy(one.energy.watt_hours)}{about}, from {one.energy.channel}"))
    if one.output:
        unknown = f", {hours(one.output.unobserved_s)} unobserved" if one.output.unobserved_s > 0 else ""
        facts.append(
            ("output", f"on for {hours(one.output.on_s)}, off for {hours(one.output.off_s)}{unknown}")
        )
    if one.drive:
        hidden = f"; {counted(one.drive.gaps, 'gap')} may hide more" if one.drive.gaps else ""
        facts.append(
            ("drive", f"{counted(one.drive.count, 'cycle')}, on for {hours(one.drive.on_s)}{hidden}")
        )
    for at, trip in enumerate(one.trips, start=1):
        how = "" if trip.came_back else ", output did not return"
        gap = "; includes unobserved time" if trip.over_gap else ""
        facts.append((f"trip {at}", f"{stamp(trip.start_ns)}, {duration(trip.lasted_s)}{how}{gap}"))
    facts += [
        (_failed(death), f"{stamp(death.t_ns)}: {death.text}")
        for death in found.deaths
        if death.serial == one.serial
    ]
    facts += [
        ("suspected", f"still out at end, since {stamp(who.t_ns)}: {', '.join(who.channels)}")
        for who in found.suspects
        if who.serial == one.serial and not any(d.serial == who.serial for d in found.deaths)
    ]
    return [line for name, words in facts for line in wrapped(words, width, f"{name:<10}", " " * 10)]


def _failed(death: Death) -> str:
    """Return the word of a failure: with a question mark until a person noted it, or closed it as one."""
    return "FAILED" if death.certainty is Certainty.CERTAIN else "FAILED?"


def _phases(phases: Sequence[PhaseExposure], width: int) -> list[str]:
    rows: list[tuple[str, ...]] = [
        ("phase", "planned", "within", "±", "out", "unobserved", "in force", "times", "cycles")
    ]
    rows += [
        (
            one.phase,
            hours(one.planned_s) if one.planned_s is not None else "-",
            hours(one.within_s),
            duration(one.within_half_width_s) if one.within_half_width_s else "-",
            hours(one.out_s),
            hours(one.unobserved_s),
            hours(one.in_force_s),
            str(one.times),
            _of(one.drive_cycles, one.planned_count),
        )
        for one in phases
    ]
    lines = table(rows, width, frozenset(range(1, 9)))
    for one in phases:
        for target in one.targets:
            lines += wrapped(_target(one, target), width, "  ", "    ")
    return lines


def _of(done: int | None, planned: int | None) -> str:
    if done is None and planned is None:
        return "-"
    return f"{'?' if done is None else done}" + (f" of {planned}" if planned is not None else "")


def _target(phase: PhaseExposure, one: TargetExposure) -> str:
    seen = "no readings"
    if one.lowest is not None and one.highest is not None:
        seen = f"read {figure(one.lowest)} to {figure(one.highest)}"
    return (
        f"{phase.phase}: {one.channel} {figure(one.value)} ±{figure(one.tolerance)}: within for "
        f"{hours(one.within_s)}, out for {hours(one.out_s)}, {hours(one.unobserved_s)} unobserved; {seen}"
    )


def band_names(edges: Sequence[float]) -> list[str]:
    """Return the names of the bands between edges: ``< 60``, ``60 to 80``, ``>= 80``."""
    names = [f"< {edges[0]:g}"]
    names += [f"{a:g} to {b:g}" for a, b in itertools.pairwise(edges)]
    return [*names, f">= {edges[-1]:g}"]


def _bands(band: BandHours, width: int) -> list[str]:
    parts = [
        f"{name}: {hours(time_s)}" for name, time_s in zip(band_names(band.edges), band.time_s, strict=True)
    ]
    unknown = f"; {hours(band.unobserved_s)} unobserved" if band.unobserved_s > 0 else ""
    return wrapped(f"{', '.join(parts)}{unknown}", width, f"{band.channel} at ", "    ")


def _cycles(channel: str, cycles: CycleTable, width: int) -> list[str]:
    words = f"{figure(cycles.total)} swing{'' if cycles.total == 1 else 's'} (rainflow, ASTM E1049)"
    if len(cycles.range):
        biggest = float(cycles.range.max())
        halves = [0.25 * biggest, 0.5 * biggest, 0.75 * biggest, biggest]
        counts = cycles.histogram([0.0, *halves])
        spread = ", ".join(
            f"{figure(count)} up to {figure(edge, 3)}" for count, edge in zip(counts, halves, strict=True)
        )
        words += f": {spread}"
    if cycles.least_range and cycles.dropped:
        words += f"; {figure(cycles.dropped)} below {cycles.least_range:g} not counted"
    return wrapped(words, width, f"{channel}: ", "    ")


def _margins(worst: Iterable[Worst], width: int, most: int = MOST_MARGINS) -> list[str]:
    listed = list(worst)
    rows: list[tuple[str, ...]] = [
        ("channel", "phase", "worst", "limit", "margin", "used", "time", "excursions")
    ]
    for one in listed[:most]:
        unit = one.unit_of_measure
        rows.append(
            (
                one.channel,
                one.phase or "-",
                f"{figure(one.value, near=one.limit)} {unit}",
                f"{one.side} {figure(one.limit)}",
                figure(one.margin, 3),
                share(one.used),
                stamp(one.t_ns).removesuffix(" UTC"),
                str(len(one.excursions)) if one.excursions else "none",
            )
        )
    rest = len(listed) - most
    more = [f"  {counted(rest, 'further limit')} with larger margins in --json"] if rest > 0 else []
    return table(rows, width, frozenset({2, 4, 5})) + more


def share(value: float | None) -> str:
    """Return a share in percent, ``-`` where there is none."""
    if value is None or not math.isfinite(value):
        return "-"
    return f"{value + _LEAST_SHARE:.0%}"


def _heat(found: RunAccount, one: UnitExposure, width: int) -> list[str]:
    lines: list[str] = []
    for load in found.parts:
        if (load.unit, load.serial) != (one.unit, one.serial):
            continue
        rule = "met" if load.rule_kept else "NOT MET"
        over = f"; ABOVE its rating for {duration(load.over_s)}" if load.over_s else ""
        words = (
            f"{figure(load.power_w, 3)} W at {figure(load.temp_c, 3)} degC is {share(load.share)} of the "
            f"{figure(load.allowed_w, 3)} W allowed at that temperature{over}; rule of the trade (rating "
            f"{load.factor:g} times the peak of {figure(load.peak_w, 3)} W): {rule}"
        )
        lines += wrapped(words, width, f"part {load.part}: ", "    ")
    for way in found.resistances:
        if (way.unit, way.serial) == (one.unit, one.serial):
            words = (
                f"{figure(way.k_per_w, 3)} ±{figure(way.standard_uncertainty, 2)} K/W "
                f"({figure(way.rise_k, 3)} K at {figure(way.power_w, 3)} W, {way.windows} of {way.of_all} "
                "windows steady)"
            )
            lines += wrapped(words, width, f"stage {way.stage}: ", "    ")
    for turn in found.windings:
        if (turn.unit, turn.serial) == (one.unit, one.serial):
            rise = f", {figure(turn.rise_k, 3)} K over ambient" if turn.rise_k is not None else ""
            words = (
                f"{figure(turn.temp_c, 4)} ±{figure(turn.uncertainty_k, 2)} degC at the most, from "
                f"{figure(turn.ohm)} ohm{rise}"
            )
            lines += wrapped(words, width, f"winding {turn.winding}: ", "    ")
    lines += _use(found, one, width)
    return ["", *lines] if lines else []


def _use(found: RunAccount, one: UnitExposure, width: int) -> list[str]:
    lines: list[str] = []
    for use in found.use:
        if (use.unit, use.serial) != (one.unit, one.serial):
            continue
        ends = f" ({in_hours(use.least_h)} to {in_hours(use.most_h)} h)" if use.least_h != use.most_h else ""
        words = (
            f"{in_hours(use.hours)} h at {figure(use.low_c, 3)} to {figure(use.high_c, 3)} degC "
            f"({use.channel}) are worth {in_hours(use.use_h)} h{ends} at {use.use_c:g} degC (Arrhenius)"
        )
        lines += wrapped(words, width, "hours of use: ", "    ")
        for assumed in use.assumptions:
            lines += wrapped(assumed, width, "  assumes: ", "    ")
        lines += wrapped(use.does_not_cover, width, "  does not say: ", "    ")
    return lines
