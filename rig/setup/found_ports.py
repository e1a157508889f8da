"""What could be connected: serial ports by lasting names, and what an instrument calls itself.

Looking for ports reads directories only. ``who`` opens a connection and asks; nothing here does so by
itself, because some instruments restart when their port is opened and others take any byte for a command.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.bus.exchange import Link
from drivers.bus.lines import IdentityQuery
from drivers.bus.opening import open_transport
from rig.rigfile.sections import Bus

FOLDERS = (Path("/dev/serial/by-id"), Path("/dev/serial/by-path"))
PATIENCE_S = 2.0
MODBUS_PORT = 502
"""Registered for Modbus over TCP (IANA service names and port numbers)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """A serial port: its lasting name, and the device that leads to now."""

    path: str
    device: str


def serial_ports(folders: Sequence[Path] = FOLDERS) -> list[Port]:
    """Return the serial ports that have a lasting name, each once, by the first folder that names it.

    Nothing is opened. Two adapters of one make may share a name by id, of which only one is there; the
    other has its name by path.
    """
    found: dict[str, Port] = {}
    for folder in folders:
        try:
            links = sorted(folder.iterdir())
        except OSError:
            continue
        for link in links:
            device = str(link.resolve())
            found.setdefault(device, Port(path=str(link), device=device))
    return list(found.values())


def who(bus: Bus) -> str:
    """Return what answers ``*IDN?`` (IEEE 488.2, 10.14) on a bus. Opens it; raises BusError."""
    link = Link(open_transport(bus), settle_s=bus.settle_s)
    ask = IdentityQuery("*IDN?", pattern=".*", terminator=b"\n", reply_terminator=b"\n")
    link.open()
    try:
        return link.exchange(ask, PATIENCE_S).reply.text
    finally:
        link.close()
