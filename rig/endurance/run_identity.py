"""A run by name: what answers of many runs say of the run that they are about."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RunIdentity:
    """A run by name. where: path or address; state: what it is doing; skipped: what could not be read."""

    run: str
    name: str
    rig: str
    where: str
    state: str
    created_ns: int
    skipped: tuple[str, ...] = ()
