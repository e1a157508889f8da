"""A layout as JSON values and back: what a recording keeps, so that nobody parses its rig file again.

Keys that a reader does not know are left alone and keys that are missing take the model's defaults, so
a newer recording opens in older software as far as the two agree.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, TypeVar

from rig.domain import accounting, program
from rig.domain.model import (
    Calibration,
    Channel,
    ChannelKind,
    ChannelSource,
    InstrumentFacts,
    Layout,
    Limit,
    Side,
    Unit,
)

T = TypeVar("T")


def to_json(layout: Layout) -> dict[str, Any]:
    """Return the layout as JSON values: objects by name, enumerations as words, days as ISO 8601."""
    return {
        "rig": layout.rig,
        "planned_s": layout.planned_s,
        "units": {name: _plain(unit) for name, unit in layout.units.items()},
        "channels": {name: _plain(channel) for name, channel in layout.channels.items()},
        "instruments": {name: _plain(one) for name, one in layout.instruments.items()},
        "accounting": accounting.to_json(layout.accounting) if layout.accounting else None,
        "program": program.to_json(layout.program) if layout.program else None,
    }


def layout_from_json(values: Mapping[str, Any]) -> Layout:
    """Return the layout that ``to_json`` wrote. Raises ValueError if these are not a layout's values."""
    try:
        return Layout(
            rig=values["rig"],
            planned_s=values.get("planned_s", 0.0),
            units={name: _made(Unit, one) for name, one in values["units"].items()},
            channels={name: _channel(one) for name, one in values["channels"].items()},
            instruments={name: _made(InstrumentFacts, one) for name, one in values["instruments"].items()},
            accounting=accounting.from_json(values["accounting"]) if values.get("accounting") else None,
            program=program.from_json(values["program"]) if values.get("program") else None,
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not the values of a layout: {error!r}") from error


def limits_to_json(limits: Iterable[Limit]) -> list[dict[str, Any]]:
    """Return the limits of one channel as JSON values."""
    return [_plain(one) for one in limits]


def limits_from_json(values: Iterable[Mapping[str, Any]]) -> tuple[Limit, ...]:
    """Return the limits that ``limits_to_json`` wrote. Raises KeyError, TypeError or ValueError."""
    return tuple(_made(Limit, one, side=Side(one["side"])) for one in values)


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {one.name: _plain(getattr(value, one.name)) for one in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if isinstance(value, date):
        return value.isoformat()
    return value


def _made(cls: type[T], values: Mapping[str, Any], **changed: Any) -> T:
    known = {one.name for one in dataclasses.fields(cls)}  # type: ignore[arg-type]
    given = {
        name: tuple(one) if isinstance(one, list) else one for name, one in values.items() if name in known
    }
    return cls(**{**given, **changed})


def _channel(values: Mapping[str, Any]) -> Channel:
    changed: dict[str, Any] = {"kind": ChannelKind(values["kind"])}
    if values.get("source") is not None:
        changed["source"] = _made(ChannelSource, values["source"])
    changed["limits"] = limits_from_json(values.get("limits", ()))
    calibration = values.get("calibration", {})
    due = calibration.get("due")
    changed["calibration"] = _made(Calibration, calibration, due=date.fromisoformat(due) if due else None)
    return _made(Channel, values, **changed)
