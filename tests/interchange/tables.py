"""Small tables and limits files for the tests, written by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.domain.model import EventKind, Series, Status
from rig.interchange import limits_file
from rig.interchange.importing import import_files
from rig.interchange.limits_file import Meaning
from rig.rigfile.yaml_reader import parse
from rig.store.reader import RunReader

LIMITS = """\
rig: borrowed
units:
  A1:
    serial: "0017"
    load: 8 ohm resistor
    channels:
      heatsink: {from: tc1, unit: degC, high: 95 degC, deadband: 2 K}
      output: {from: volts, unit: V, low: 20 V, deadband: 1 V}
channels:
  mains: {unit: V, low: 207 V, high: 253 V, deadband: 1 V}
"""
HEADER = "time,tc1,volts,mains\n"


def meaning(text: str = LIMITS) -> Meaning:
    """Return what a limits file says."""
    return limits_file.parse(parse(text, "limits.yaml"), text)


def row(second: int, *cells: object, day: str = "2031-02-03") -> str:
    """Return one line of a comma-separated table, ``second`` seconds after noon."""
    clock = f"{12 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}"
    return ",".join([f"{day}T{clock}Z", *map(str, cells)]) + "\n"


class Desk:
    """A folder to import in: files are written, imported, and what was said is kept."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.said: list[str] = []
        self.path = folder

    def write(self, content: str | bytes, name: str = "week.csv") -> Path:
        """Write a file."""
        path = self.folder / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def run(
        self, *contents: str | bytes | Path, limits_text: str = LIMITS, name: str = "the-run"
    ) -> RunReader:
        """Import tables (texts, bytes, or files that are there) and open the run."""
        files = [
            one if isinstance(one, Path) else self.write(one, f"table{k}.csv")
            for k, one in enumerate(contents)
        ]
        told = self.write(limits_text, "limits.yaml")
        made = import_files(files, told, runs=self.folder / "runs", name=name, say=self.said.append)
        self.path = made.path
        return RunReader.open(made.path)

    def heard(self, part: str) -> bool:
        """Return whether something with this part was said."""
        return any(part in line for line in self.said)


def statuses(series: Series) -> list[str]:
    """Return the names of a series' statuses."""
    return [Status(code).name for code in series.status.tolist()]


def values(series: Series) -> list[float | None]:
    """Return a series' values, None for NaN."""
    return [None if np.isnan(one) else one for one in series.value.tolist()]


def texts(run: RunReader, *kinds: EventKind) -> list[str]:
    """Return the texts of a run's events of these kinds."""
    return [event.text for event in run.events() if event.kind in kinds]
