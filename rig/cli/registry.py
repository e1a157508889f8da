"""Registry of commands: found by their files, listed without loading one of them.

A command is a file of ``rig.cli.commands``. Its first line holds its group and its summary, and is read as
text: ``soakrig --help`` loads no command, and the words stand in one place. The file of a name that Python
keeps for itself ends in ``_`` (``import_.py``).
"""

from __future__ import annotations

import os

GROUPS = ("Set up", "Record", "Look", "Explain", "Keep", "Try")
"""Groups in the order in which they are shown."""
PACKAGE = "rig.cli.commands"
_FOLDER = os.path.join(os.path.dirname(__file__), "commands")  # noqa: PTH118, PTH120 - pathlib costs start-up time


def listed() -> dict[str, dict[str, str]]:
    """Return group -> command -> summary, in the order shown."""
    found: dict[str, dict[str, str]] = {group: {} for group in GROUPS}
    for file in sorted(os.listdir(_FOLDER)):  # noqa: PTH208 - as above
        if file.endswith(".py") and file != "__init__.py":
            group, _, summary = _first_line(file).partition(": ")
            found[group][file.removesuffix(".py").rstrip("_")] = summary
    return found


def module_of(command: str) -> str:
    """Return the name of the module of a command."""
    kept = os.path.exists(os.path.join(_FOLDER, f"{command}_.py"))  # noqa: PTH110, PTH118 - as above
    return f"{PACKAGE}.{command}{'_' if kept else ''}"


def _first_line(file: str) -> str:
    with open(os.path.join(_FOLDER, file), encoding="utf-8") as opened:  # noqa: PTH118, PTH123 - as above
        return opened.readline().strip().strip('"').removesuffix(".")
