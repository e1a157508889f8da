"""The list of provocations: what is done to the logger, how, and what must hold afterwards.

Every module of this package adds its own by the decorator; each runs by itself in a folder of its own, on
real transports, files, clocks and processes, raises AssertionError when the logger did not do its part,
and returns in words what it saw.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

Provoke = Callable[[Path], str]
MODULES = (
    "serial_lines", "text_replies", "sockets", "modbus_lines",
    "reopening", "disks", "stored_bytes", "clocks", "processes", "kills",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Provocation:
    """One kind of fault. kind: instrument, storage, time or process; how: what is really done."""

    kind: str
    fault: str
    how: str
    run: Provoke


class Unavailable(Exception):  # noqa: N818 - not an error: this machine cannot do it
    """This machine lacks what the provocation needs; the text says what."""


_ALL: list[Provocation] = []


def provocation(kind: str, fault: str, how: str) -> Callable[[Provoke], Provoke]:
    """Return a decorator that adds a function to the catalogue."""

    def add(run: Provoke) -> Provoke:
        _ALL.append(Provocation(kind=kind, fault=fault, how=how, run=run))
        return run

    return add


def all_provocations() -> list[Provocation]:
    """Return the whole catalogue, sorted by kind."""
    for name in MODULES:
        importlib.import_module(f"tests.faults.{name}")
    kinds = ("instrument", "storage", "time", "process")
    return sorted(_ALL, key=lambda one: kinds.index(one.kind))
