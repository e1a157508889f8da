"""From the fields of a reply to channels: conversion, calibration, plausibility."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.domain.model import Channel, Status

Curve = Callable[[float, float | None], tuple[float, Status]]
"""(value, cold junction in degC or None) -> (converted value, status)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """How one channel is made from the fields of a reply (indexes into its values)."""

    field: int
    cold_junction: int | None
    curve: Curve | None
    gain: float
    offset: float
    low: float
    high: float


def route(channel: Channel, fields: Sequence[str], curves: Callable[[str], Curve]) -> Route:
    """Return the route from a reply with these ``fields`` to ``channel``, which must have a source."""
    source = channel.source
    assert source is not None
    low, high = channel.plausible or (-math.inf, math.inf)
    cold = fields.index(source.cold_junction) if source.cold_junction else None
    return Route(
        field=fields.index(source.field),
        cold_junction=cold,
        curve=curves(source.convert) if source.convert else None,
        gain=channel.calibration.gain,
        offset=channel.calibration.offset,
        low=low,
        high=high,
    )


def measure(
    routes: Sequence[Route], values: Sequence[float], statuses: Sequence[Status]
) -> tuple[tuple[float, ...], bytes]:
    """Return the channels' values and statuses, in the order of ``routes``."""
    numbers: list[float] = []
    codes = bytearray()
    for one in routes:
        value, status = _one(one, values, statuses)
        numbers.append(value)
        codes.append(status)
    return tuple(numbers), bytes(codes)


def failed(routes: Sequence[Route], status: Status) -> tuple[tuple[float, ...], bytes]:
    """Return the readings of an exchange that gave nothing: NaN with the reason."""
    return (math.nan,) * len(routes), bytes([status]) * len(routes)


def _one(one: Route, values: Sequence[float], statuses: Sequence[Status]) -> tuple[float, Status]:
    value, status = values[one.field], statuses[one.field]
    if not status.has_number:
        return math.nan, status
    if one.curve is not None:
        junction = None
        if one.cold_junction is not None:
            junction = values[one.cold_junction]
            if not statuses[one.cold_junction].has_number:
                return math.nan, Status.NO_VALUE
        value, status = one.curve(value, junction)
        if not status.has_number:
            return math.nan, status
    value = value * one.gain + one.offset
    if not math.isfinite(value):
        return math.nan, Status.NO_VALUE
    if not one.low <= value <= one.high:
        return value, Status.SUSPECT
    return value, status
