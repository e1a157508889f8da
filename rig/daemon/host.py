"""Checks of the computer for what costs readings later: adapters put to sleep, runs on a memory card."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from rig.rigfile.sections import Bus

SYS = Path("/sys")


def notes(buses: Mapping[str, Bus], runs: Path, sys: Path = SYS) -> tuple[str, ...]:
    """Return what a person should change before a long run, in words; nothing where it cannot be known.

    runs: a folder that exists. sys: where the kernel tells of its devices.
    """
    said = [_asleep(name, bus.serial, sys) for name, bus in buses.items() if bus.serial]
    return tuple(words for words in (*said, _on_a_card(runs, sys)) if words)


def _asleep(bus: str, port: str, sys: Path) -> str:
    """Return that the adapter of a serial line may be put to sleep, '' if it is not on USB or may not."""
    device = sys / "class" / "tty" / Path(os.path.realpath(port)).name / "device"
    for folder in Path(os.path.realpath(device)).parents:
        if (folder / "idVendor").exists():
            control = folder / "power" / "control"
            if _read(control) != "auto":
                return ""
            return (
                f"{bus}: the system may put the USB adapter of {port} to sleep, and what comes meanwhile is "
                f"lost: write 'on' into {control}, or have a udev rule do it"
            )
    return ""


def _on_a_card(runs: Path, sys: Path) -> str:
    """Return that the recordings go to a memory card, '' if they do not."""
    try:
        number = runs.stat().st_dev
    except OSError:
        return ""
    block = os.path.realpath(sys / "dev" / "block" / f"{os.major(number)}:{os.minor(number)}")
    if "/mmcblk" not in block:
        return ""
    return (
        f"{runs} lies on a memory card ({Path(block).name}): cards wear out and lose whole blocks when the "
        "power goes; record to a disk, or upload often"
    )


def _read(path: Path) -> str:
    try:
        return path.read_text("ascii").strip()
    except (OSError, ValueError):
        return ""
