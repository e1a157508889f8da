"""Shape of a driver's examples, which the contract test feeds to its parsers.

A driver ``NAME`` has a module ``examples_NAME`` here with ``EXAMPLES``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import drivers
from drivers import Driver, Exchange
from rig.domain.model import Status
from rig.errors import ConfigFault
from rig.rigfile.schema import Node, build

GOOD = Status.GOOD


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """One exchange of a driver and a true reply to it.

    pick: the exchange out of the driver; reply: bytes from the request; values, statuses, text: what the
    reply says; refused: the reply is the instrument's refusal. checked: a checksum covers the reply,
    so no flipped bit may change a value.
    """

    name: str
    options: Mapping[str, Any]
    pick: Callable[[Driver], Exchange]
    reply: Callable[[bytes], bytes]
    values: Sequence[float] = ()
    statuses: Sequence[Status] = ()
    text: str = ""
    refused: bool = False
    checked: bool = False


def node(value: Any) -> Node:
    """Return a value as it would stand in a rig file: every scalar as text."""
    if isinstance(value, Mapping):
        return Node({name: node(one) for name, one in value.items()}, 1, "rig.yaml")
    if isinstance(value, list | tuple):
        return Node([node(one) for one in value], 1, "rig.yaml")
    return Node(str(value), 1, "rig.yaml")


def made(name: str, options: Mapping[str, Any]) -> Driver:
    """Return a driver made from what would stand in a rig file. Raises ValueError with the faults."""
    module = drivers.load(name)
    faults: list[ConfigFault] = []
    built = build(module.Options, node(options), faults, "instruments.x")
    if built is None:
        raise ValueError("; ".join(str(fault) for fault in faults))
    driver: Driver = module.Driver(built)
    return driver


def first(driver: Driver) -> Exchange:
    """Return the first poll."""
    return driver.polls[0]


def identity(driver: Driver) -> Exchange:
    """Return the first exchange after opening."""
    return driver.opening[0]


def last_opening(driver: Driver) -> Exchange:
    """Return the last exchange after opening."""
    return driver.opening[-1]


def report(driver: Driver) -> Exchange:
    """Return the query of the error queue."""
    assert driver.report is not None
    return driver.report


def fixed(reply: bytes) -> Callable[[bytes], bytes]:
    """Return a reply that does not depend on the request."""
    return lambda _: reply
