"""The preloaded library that makes a disk and clocks misbehave, from the test's side."""

from __future__ import annotations

import errno
import mmap
import os
import shutil
import struct
import subprocess
from pathlib import Path

from tests.faults.catalogue import Unavailable

_FIELDS = (
    "realtime_ns", "boottime_ns", "write_errno", "write_after", "fsync_errno", "fsync_after",
    "rename_errno", "rename_after", "times", "fsync_ms", "failed",
)  # fmt: skip
_NUMBERS = struct.Struct(f"<{len(_FIELDS)}q")
_PART_BYTES = 128


class Shim:
    """Compiles the library into a folder; ``environment`` starts a process under it."""

    def __init__(self, folder: Path) -> None:
        if shutil.which("gcc") is None:
            raise Unavailable("no C compiler (gcc)")
        library, orders = folder / "shim.so", folder / "orders"
        source = Path(__file__).with_name("shim.c")
        subprocess.run(
            ["gcc", "-O1", "-shared", "-fPIC", "-Wall", "-Werror", "-o", library, source, "-ldl"], check=True
        )
        orders.write_bytes(bytes(_NUMBERS.size + _PART_BYTES))
        with orders.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), 0)
        self.environment = {"LD_PRELOAD": str(library), "FAULT_ORDERS": str(orders)}

    def order(self, *, part: str = "", times: int = -1, **orders: int) -> None:
        """Let the process misbehave as said, from its next call on; what is not named is as usual."""
        values = [times if name == "times" else orders.pop(name, 0) for name in _FIELDS]
        assert not orders, orders
        self._map[_NUMBERS.size :] = part.encode().ljust(_PART_BYTES, b"\0")
        self._map[: _NUMBERS.size] = _NUMBERS.pack(*values)

    def behave(self) -> None:
        """Let everything be as usual."""
        self.order()

    @property
    def failed(self) -> int:
        """How many calls were made to fail since the last order."""
        return int(_NUMBERS.unpack(self._map[: _NUMBERS.size])[_FIELDS.index("failed")])


EIO, ENOSPC = errno.EIO, errno.ENOSPC


def need_root(what: str) -> None:
    """Raise Unavailable unless this process may mount file systems and the like."""
    if os.geteuid():
        raise Unavailable(f"{what} needs root")
