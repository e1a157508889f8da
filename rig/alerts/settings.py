"""What the alerts of a run are to do: the frozen rig file's section, the layout, names and places."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rig.domain.formula import Formula, FormulaError
from rig.domain.model import Layout
from rig.errors import ConfigError, ConfigFault, DamageError, UsageError
from rig.rigfile import yaml_reader
from rig.rigfile.alerts_section import Alerts
from rig.rigfile.config import layout_from_json
from rig.rigfile.schema import Node, build
from rig.store import rundir
from rig.store.files import OS_DISK, Disk
from rig.store.rundir import RunDir


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All that alerts need to know beside the events.

    run: name, run_id: identity, place: folder, config: which frozen rig file this is. layout is None
    where the recording's is damaged. inputs: per derived channel, the channels its formula uses.
    """

    alerts: Alerts
    rig: str
    run: str
    run_id: str
    place: str
    config: str = ""
    layout: Layout | None = None
    inputs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def alerts_of(path: Path) -> Alerts:
    """Return the section ``alerts`` of a rig file. Raises ConfigError, and UsageError if there is none."""
    node = yaml_reader.load(path)
    written = node.value.get("alerts") if isinstance(node.value, dict) else None
    if not isinstance(written, Node):
        raise UsageError(f"{path} has no section alerts; write one to send alerts")
    faults: list[ConfigFault] = []
    alerts = build(Alerts, written, faults, "alerts")
    if alerts is None:
        raise ConfigError(faults)
    if not alerts.notifiers and alerts.heartbeat is None:
        raise UsageError(f"{path}: alerts names no notifier (ways) and no heartbeat; write at least one")
    return alerts


def of_run(run: RunDir, rig_file: Path | None = None, disk: Disk = OS_DISK) -> Settings:
    """Return the settings for a run: those of its newest session, or of ``rig_file`` if given.

    A recording made on another machine names that machine's notifiers and programs; UsageError then, unless
    ``rig_file`` is given. Raises ConfigError, UsageError.
    """
    sessions = rundir.read_sessions(run, disk)
    if not sessions:
        raise UsageError(f"{run.path} has no session yet; start the recording first")
    newest = sessions[max(sessions)].facts
    here = platform.node()
    if rig_file is None and newest.host != here:
        raise UsageError(
            f"{run.path} was recorded on {newest.host!r}, this is {here!r}: its alerts are not sent from "
            "here "
            "unless you name the rig file with --rig"
        )
    frozen = run.folder("config") / f"{newest.config}.yaml"
    layout: Layout | None
    try:
        layout = layout_from_json(rundir.frozen_layout(run, newest.config, disk))
    except (DamageError, KeyError, TypeError, ValueError):
        layout = None  # alerts are sent with less detail
    return Settings(
        alerts=alerts_of(rig_file or frozen), rig=run.rig, run=run.name, run_id=run.id, place=str(run.path),
        config=newest.config, layout=layout, inputs=_inputs(layout),
    )  # fmt: skip


def _inputs(layout: Layout | None) -> dict[str, tuple[str, ...]]:
    found = {}
    for channel in layout.channels.values() if layout else ():
        if channel.formula is not None:
            try:
                found[channel.name] = tuple(Formula(channel.formula).names)
            except FormulaError:
                continue
    return found
