"""Identity of a run, carried by every result over many runs."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RunIdentity:
    """Identity of a run. where: path or address; state: such as ``finished``; skipped: files not read."""

    run: str
    name: str
    rig: str
    where: str
    state: str
    created_ns: int
    skipped: tuple[str, ...] = ()
