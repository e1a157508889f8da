"""Registry of the rules of the post-mortem: found by their files.

A rule is a file of ``rig.forensics.sensor_faults`` or ``rig.forensics.attribution`` that defines ``RULE``.
Its precedence is a number in the rule; the names of the files decide nothing.
"""

from __future__ import annotations

import functools
import importlib
import pkgutil
from types import ModuleType
from typing import Protocol, TypeVar

from rig.forensics import attribution, sensor_faults
from rig.forensics.attribution_rule import AttributionRule
from rig.forensics.fault_rule import ChannelRule, InstrumentRule


class Ranked(Protocol):
    """What every rule has."""

    @property
    def precedence(self) -> int:
        """Place among the rules of its kind; the lowest number is asked first."""
        ...


R = TypeVar("R", bound=Ranked)


@functools.cache
def channel_rules() -> tuple[ChannelRule, ...]:
    """Return the rules for faults of one channel, in the order in which they are asked."""
    return found(sensor_faults, ChannelRule)


@functools.cache
def instrument_rules() -> tuple[InstrumentRule, ...]:
    """Return the rules for faults of whole instruments, in the order in which they are asked."""
    return found(sensor_faults, InstrumentRule)


@functools.cache
def attribution_rules() -> tuple[AttributionRule, ...]:
    """Return the rules for the cause of excursions, in the order in which they are asked."""
    return found(attribution, AttributionRule)


def found(package: ModuleType, kind: type[R]) -> tuple[R, ...]:
    """Return the rules of one kind in the files of a package, by precedence.

    Raises ValueError where two have the same precedence, AttributeError where a file has no ``RULE``.
    """
    made: dict[int, tuple[str, R]] = {}
    for file in pkgutil.iter_modules(package.__path__):
        rule = importlib.import_module(f"{package.__name__}.{file.name}").RULE
        if not isinstance(rule, kind):
            continue
        if rule.precedence in made:
            other = made[rule.precedence][0]
            raise ValueError(
                f"{package.__name__}: the rules {other} and {file.name} both have precedence "
                f"{rule.precedence}; give one of them another number"
            )
        made[rule.precedence] = (file.name, rule)
    return tuple(rule for _, (_, rule) in sorted(made.items()))
