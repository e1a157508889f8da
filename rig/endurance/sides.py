"""Pairs of units to compare, of two recordings or of one."""

from __future__ import annotations

from collections.abc import Sequence

from rig.endurance.account_options import account_options
from rig.endurance.comparison import Party
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from rig.endurance.run_account import chosen
from rig.errors import UsageError


def sides(
    first: tuple[str, HeldReadings], second: tuple[str, HeldReadings], unit_a: str | None, unit_b: str | None
) -> list[tuple[Party, Party]]:
    """Return the pairs to compare; ``first`` and ``second`` are recordings with the names of their runs.

    unit_a, unit_b: a place or a serial number. Without any, every place that both recordings have is
    compared with itself. Raises UsageError where that makes no pair, or a unit would be compared with itself.
    """
    same = first[1].recording is second[1].recording
    if unit_a is None and unit_b is None:
        pairs = _alike(first[1], second[1])
    else:
        pairs = [
            (_last(first[1], unit_a or unit_b, "A"), _last(second[1], unit_b or unit_a, "B")),
        ]
    if same and any(one == two for one, two in pairs):
        raise UsageError("A and B are the same run: give the units, such as --unit-a A1 --unit-b A2")
    return [(_party(first, one, same), _party(second, two, same)) for one, two in pairs]


def _alike(first: HeldReadings, second: HeldReadings) -> list[tuple[Installation, Installation]]:
    here = {one.unit: one for one in first.installations()}
    there = {one.unit: one for one in second.installations()}
    pairs = [(installation, there[unit]) for unit, installation in here.items() if unit in there]
    if not pairs:
        raise UsageError(
            f"no place is in both runs ({', '.join(here) or 'none'} and {', '.join(there) or 'none'}); give "
            "the units with --unit-a and --unit-b"
        )
    return pairs


def _last(readings: HeldReadings, unit: str | None, side: str) -> Installation:
    installations: Sequence[Installation] = chosen(readings, unit)
    if not installations:
        raise UsageError(f"no unit installed in run {side}")
    return installations[-1]


def _party(run: tuple[str, HeldReadings], installation: Installation, same: bool) -> Party:
    name, readings = run
    options = account_options(readings.recording.layout)
    who = f"{installation.unit} (serial number {installation.serial})"
    return Party(
        name=who if same else f"{who} of {name}",
        readings=readings,
        installation=installation,
        phases=options.phases,
        ambient=options.ambient,
    )
