"""``soakrig new``: a rig file to begin with. Written once, checked, never over another file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import drivers
from rig.errors import ConfigError, SoakrigError, UsageError
from rig.rigfile import config, yaml_reader
from rig.rigfile.config import RigConfig
from rig.setup import draft, interview, unit_interview
from rig.setup.draft import RigDraft
from rig.setup.found_ports import Port, who
from rig.setup.interview import Ask, InterviewTools, Say


def create(path: Path, *, ask: Ask, say: Say, ports: Sequence[Port], lan: Sequence[str] = ()) -> Path:
    """Return the path of a new rig file, after asking what is to stand in it.

    ports: serial ports to offer. lan: addresses to take without asking. Raises UsageError if something is
    there already or cannot be written.
    """
    if path.exists() or path.is_symlink():
        raise UsageError(f"{path} is there already; it is left alone. Name a new file")
    options = {name: drivers.load(name).Options for name in drivers.available()}
    tools = InterviewTools(ask=ask, say=say, drivers=options, who=who)
    name = interview.rig_name(tools)
    plan = RigDraft(rig=name, file=str(path), connections=interview.connections(tools, ports, lan))
    bare = _read(plan)
    fields = {
        name: [field for block in one.blocks for field in block.fields]
        for name, one in bare.instruments.items()
    }
    channels, units = interview.channels(tools, fields)
    plan = replace(
        plan,
        channels=channels,
        signals=unit_interview.signals(tools, channels, units),
        serials=unit_interview.serials(tools, units),
        revisions=unit_interview.revisions(tools, units),
    )
    _read(plan)
    _write(path, draft.text(plan))
    return path


def _read(plan: RigDraft) -> RigConfig:
    """Return the rig that the draft describes. A fault in it is ours: everything was checked when asked."""
    written = draft.text(plan)
    node = yaml_reader.parse(written, plan.file)
    try:
        return config.read(node, drivers.spec, ports=yaml_reader.system_ports(), text=written)
    except ConfigError as error:
        raise SoakrigError(
            f"what was answered does not make a rig file: {error}; nothing was written"
        ) from error


def _write(path: Path, content: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(content)
    except FileExistsError:
        raise UsageError(f"{path} is there already; it is left alone. Name a new file") from None
    except OSError as error:
        raise UsageError(f"could not write {path}: {error.strerror or error}; name another place") from error
