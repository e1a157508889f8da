"""soakrig: data logger and failure forensics for an endurance room.

In a notebook: ``import rig; run = rig.open("runs")``; then ``help(run)``.
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"


def open(path: Any = "runs", zone: Any = "UTC") -> Any:  # noqa: A001 - the word a notebook expects
    """Return a run to look at as pandas frames and dataclasses: a ``rig.notebook.Run``.

    path: a run directory, or a folder of runs, then its newest. zone: of all times, such as
    ``Europe/Vienna``. Raises UsageError, FormatError or DamageError.
    """
    # by name, so that importing rig costs nothing and nothing below the notebook comes to depend on it
    import importlib

    return importlib.import_module("rig.notebook").open_run(path, zone)
