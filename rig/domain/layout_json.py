"""A layout as JSON values and back: what a recording keeps, so that nobody parses its rig file again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rig.domain import accounting, program
from rig.domain.jsonmap import made, plain
from rig.domain.model import Channel, InstrumentFacts, Layout, Limit, Unit


def to_json(layout: Layout) -> dict[str, Any]:
    """Return the layout as JSON values: objects by name, enumerations as words, days as ISO 8601."""
    return {
        **plain(layout),
        "program": program.to_json(layout.program) if layout.program else None,
    }


def layout_from_json(values: Mapping[str, Any]) -> Layout:
    """Return the layout that ``to_json`` wrote. Raises ValueError if these are not a layout's values."""
    try:
        return Layout(
            rig=made(str, values["rig"]),
            planned_s=made(float, values.get("planned_s", 0.0)),
            units=made(dict[str, Unit], values["units"]),
            channels=made(dict[str, Channel], values["channels"]),
            instruments=made(dict[str, InstrumentFacts], values["instruments"]),
            accounting=accounting.from_json(values["accounting"]) if values.get("accounting") else None,
            program=program.from_json(values["program"]) if values.get("program") else None,
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise ValueError(f"not the values of a layout: {error!r}") from error


def limits_to_json(limits: Iterable[Limit]) -> list[dict[str, Any]]:
    """Return the limits of one channel as JSON values."""
    return [plain(one) for one in limits]


def limits_from_json(values: Iterable[Mapping[str, Any]]) -> tuple[Limit, ...]:
    """Return the limits that ``limits_to_json`` wrote. Raises ValueError."""
    return made(tuple[Limit, ...], values)
