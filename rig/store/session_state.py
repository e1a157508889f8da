"""Session state of a run: serial numbers by position, program state, limits in force.

A convenience for the next session, which must not need to read the whole recording: all of it follows
from recorded events, which are what an analysis reads. Written whole, by the process that holds the run.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.domain.jsonmap import made, plain
from rig.errors import shown
from rig.store.files import OS_DISK, Disk, publish
from rig.store.rundir import RunDir

NAME = "standing.json"
FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionState:
    """State from which the next session resumes.

    config: digits of the rig file in force. serials: by unit, who sits there ('' for nobody) by the
    record; written: by unit, the serial number that the rig file gave then. program: the state of the test
    program as ``rig.domain.program`` writes it, {} for none. states: by unit, what is known of its operating
    state (older software wrote none).
    """

    config: str = ""
    serials: Mapping[str, str] = field(default_factory=dict)
    written: Mapping[str, str] = field(default_factory=dict)
    program: Mapping[str, Any] = field(default_factory=dict)
    states: Mapping[str, Any] = field(default_factory=dict)


def write(run: RunDir, state: SessionState, disk: Disk = OS_DISK) -> None:
    """Keep where the run stands. Raises StoreError."""
    content = {"soakrig": "standing", "format": FORMAT, **plain(state)}
    publish(disk, run.path / NAME, json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n")


def read(run: RunDir, disk: Disk = OS_DISK) -> tuple[SessionState, str]:
    """Return where the run stood, and what is wrong with the file ('' if nothing; a new run has none)."""
    path = run.path / NAME
    try:
        raw = disk.read(path)
    except FileNotFoundError:
        return SessionState(), ""
    except OSError as error:
        return SessionState(), f"{path} could not be read: {error.strerror or error}"
    try:
        values = json.loads(raw)
        if values["soakrig"] != "standing" or values["format"] != FORMAT:
            return SessionState(), f"{path} is of another format: {shown(raw)}"
        # always written: a default would claim a program that never began, or nobody in a place
        state = {name: values[name] for name in ("config", "serials", "written", "program")}
        return made(SessionState, state | {"states": values.get("states", {})}), ""
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        return SessionState(), f"{path} is damaged ({error!r}): {shown(raw)}"
