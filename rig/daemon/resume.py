"""Going on where a run stands: who sits where, which limits were in force, what the rig file changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from rig.core import positions
from rig.core.inforce import change_data, limit_changes, only_limits_differ
from rig.core.layouts import layout_from_json
from rig.core.model import EventKind, Layout
from rig.errors import DamageError, StoreError
from rig.store import rundir, standing
from rig.store.files import OS_DISK, Disk
from rig.store.recover import Finding
from rig.store.rundir import RunDir
from rig.store.standing import Standing


class Keeper:
    """Knows where the run stands and keeps it on disk; ``findings`` are to be recorded at the start.

    config: digits of the rig file of this session; None: the one that was in force is. ``serials``: who
    sits where now. The caller holds the run's lock.
    """

    def __init__(
        self, run: RunDir, layout: Layout, config: str | None, by: str, *, disk: Disk = OS_DISK
    ) -> None:
        self._run = run
        self._disk = disk
        stood, fault = standing.read(run, disk)
        self.config = stood.config if config is None else config
        self.serials, swaps = positions.resumed(layout.units, stood.serials, stood.written)
        self._written = {name: unit.serial for name, unit in layout.units.items()}
        self.program: Mapping[str, Any] = stood.program
        self._kept = stood
        findings = []
        if fault:
            text = f"where the run stood is not known, it goes on by the rig file: {fault}"
            findings.append(Finding(kind=EventKind.DAMAGE, subject="run", text=text))
        findings += [
            Finding(kind=EventKind.UNIT, subject=one.unit, text=one.text, data=one.data() | {"by": by})
            for one in swaps
        ]
        if stood.config not in ("", self.config):
            findings += _changed(run, layout, (stood.config, self.config), by, disk)
        self.findings = tuple(findings)

    def save(self) -> bool:
        """Keep where the run stands now; return whether the disk took it."""
        now = Standing(
            config=self.config, serials=dict(self.serials), written=self._written, program=dict(self.program)
        )
        if now == self._kept:
            return True
        try:
            standing.write(self._run, now, self._disk)
        except StoreError:
            return False  # the record itself has it; the next change tries again
        self._kept = replace(now)
        return True


def _changed(run: RunDir, layout: Layout, configs: tuple[str, str], by: str, disk: Disk) -> list[Finding]:
    """Return what another rig file than that of the session before changed; ``configs``: that one's, now's."""
    was, becomes = configs
    try:
        old = layout_from_json(rundir.frozen_layout(run, was, disk))
    except (DamageError, ValueError) as error:
        text = f"the rig file differs from that of the session before, which cannot be read: {error}"
        return [Finding(kind=EventKind.CONFIG_CHANGE, subject="run", text=text)]
    data = change_data(limit_changes(old, layout), layout, was, becomes) | {"by": by}
    others = only_limits_differ(old, layout)
    parts = [data["words"]] if data["words"] else []
    if others:
        parts.append(f"also different: {', '.join(others[:12])}{' ...' if len(others) > 12 else ''}")
    words = "; ".join(parts) or "nothing that a recording depends on"
    text = f"the rig file differs from that of the session before: {words}"
    data["others"] = others
    return [Finding(kind=EventKind.CONFIG_CHANGE, subject="run", text=text, data=data)]
