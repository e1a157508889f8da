"""Serial ports: pyserial sets them up, this module reads and writes.

pyserial's own read functions take a byte per system call and its write spins on a full buffer, so only
its configuration of the port is used. The port is locked twice, since neither lock is enough: flock(2)
stops other programs that lock, TIOCEXCL stops unprivileged programs that do not.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import termios
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import serial

from drivers.bus.transport import (
    CHUNK_BYTES,
    discard_until_quiet,
    passed,
    pause_full,
    wait_readable,
    wait_writable,
)
from rig.errors import BusError, BusInUseError, DeadlineError, shown

PARITIES: Final = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}
_PROC = Path("/proc")


class SerialTransport:
    """A serial port.

    port: path of the device, best a stable one (``/dev/serial/by-id/...``); opened by this path each
    time, so a link that points elsewhere after a replug is followed. baud in bit/s; parity: a key of
    ``PARITIES``; data_bits 5..8; stop_bits 1, 1.5 or 2.
    """

    def __init__(
        self,
        *,
        port: str,
        baud: int = 9600,
        parity: str = "none",
        data_bits: int = 8,
        stop_bits: float = 1,
    ) -> None:
        if parity not in PARITIES:
            raise ValueError(f"parity {parity!r}: expected one of {', '.join(PARITIES)}")
        self.name = f"serial port {port}"
        self.character_s = (1 + data_bits + (parity != "none") + stop_bits) / baud
        self._port = port
        self._parity = parity
        self._baud = baud
        self._data_bits = data_bits
        self._stop_bits = int(stop_bits) if stop_bits == int(stop_bits) else stop_bits
        self._serial: serial.Serial | None = None

    def open(self) -> None:
        """Open, lock and set up the port.

        Raises BusInUseError when another program has it (named where /proc tells), BusError when it
        is absent or refuses the settings.
        """
        self.close()
        if not Path(self._port).exists():
            raise BusError(f"{self.name}: no such device; is the adapter plugged in?")
        self._refuse_if_held()
        line = serial.Serial(
            port=None,
            baudrate=self._baud,
            bytesize=self._data_bits,
            parity=PARITIES[self._parity],
            stopbits=self._stop_bits,
            timeout=0,
            write_timeout=0,
            exclusive=True,
        )
        line.port = self._port
        try:
            line.open()
            self._make_exclusive(line.fileno())
        except BaseException as error:
            _close(line)
            if isinstance(error, serial.SerialException | OSError | termios.error | ValueError):
                raise self._sorted(error) from error
            raise
        self._serial = line

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Hand all bytes to the driver before the deadline."""
        fd = self._opened()
        left = memoryview(data)
        while left:
            if not wait_writable(fd, deadline_ns):
                raise self._unsent(len(left), data)
            try:
                count = os.write(fd, left)
            except BlockingIOError:
                count = 0
            if count == 0:
                if not wait_writable(fd, deadline_ns) or passed(deadline_ns):
                    raise self._unsent(len(left), data)
                pause_full()
            left = left[count:]

    def receive(self, deadline_ns: int) -> bytes:
        """Return what has arrived; raises BusError when the device is gone."""
        fd = self._opened()
        if not wait_readable(fd, deadline_ns):
            return b""
        try:
            data = os.read(fd, CHUNK_BYTES)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise BusError(f"{self.name}: reading failed ({error.strerror}); unplugged?") from error
        if not data:
            raise BusError(f"{self.name}: the device hung up; unplugged?")
        return data

    def drain(self) -> bytes:
        """Return what has arrived without waiting."""
        return self.receive(0)

    def resync(self, quiet_until_ns: int, give_up_ns: int) -> int:
        """Stay silent until the line has been quiet; return the bytes thrown away.

        Opening anew would not help: a reply under way arrives at the new descriptor all the same.
        """
        return discard_until_quiet(self, quiet_until_ns, give_up_ns)

    def close(self) -> None:
        """Close the port and drop the locks."""
        line, self._serial = self._serial, None
        if line is not None:
            _close(line)

    def abandon(self) -> None:
        """Drop the locks, so that the port can be opened anew."""
        line = self._serial
        fd = None if line is None else line.fd
        if fd is not None:
            with contextlib.suppress(OSError):
                fcntl.flock(fd, fcntl.LOCK_UN)
            with contextlib.suppress(OSError):
                fcntl.ioctl(fd, termios.TIOCNXCL)

    def _make_exclusive(self, fd: int) -> None:
        fcntl.ioctl(fd, termios.TIOCEXCL)
        mode = termios.tcgetattr(fd)
        # Without HUPCL the modem lines keep their level at close: nothing is reset by a restart.
        mode[2] &= ~termios.HUPCL
        if self._parity != "none":
            # A byte that fails its parity check arrives as NUL, which no parser takes for a digit.
            mode[0] = (mode[0] | termios.INPCK) & ~(termios.IGNPAR | termios.PARMRK)
        termios.tcsetattr(fd, termios.TCSANOW, mode)

    def _refuse_if_held(self) -> None:
        rivals = holders(self._port)
        if rivals:
            raise BusInUseError(
                f"{self.name}: in use by {'; '.join(rivals)}; two programs on one port steal each "
                "other's bytes: stop the other one first"
            )

    def _sorted(self, error: BaseException) -> BusError:
        number = getattr(error, "errno", None)
        if number in {errno.EAGAIN, errno.EBUSY} or "exclusively lock" in str(error):
            unseen = "a program that cannot be seen from here, or another bus of this rig"
            who = "; ".join(holders(self._port, itself=True)) or unseen
            return BusInUseError(f"{self.name}: locked by {who}; stop it first")
        return BusError(f"{self.name}: cannot be opened: {error}")

    def _unsent(self, count: int, data: bytes) -> DeadlineError:
        return DeadlineError(
            f"{self.name}: the line takes no more bytes: {count} of {len(data)} unsent of {shown(data)}; "
            "is the adapter stuck, or does handshaking hold it?"
        )

    def _opened(self) -> int:
        if self._serial is None:
            raise BusError(f"{self.name}: used while closed")
        return self._serial.fileno()


def _close(line: serial.Serial) -> None:
    """Close a port whatever state it is in: a failed open may leave the descriptor behind."""
    fd = getattr(line, "fd", None)
    if fd is not None:
        with contextlib.suppress(OSError, termios.error):
            # Unsent bytes would make close(2) wait up to half a minute on some drivers.
            termios.tcflush(fd, termios.TCIOFLUSH)
        with contextlib.suppress(OSError):
            fcntl.ioctl(fd, termios.TIOCNXCL)
    with contextlib.suppress(Exception):
        line.close()
    left = getattr(line, "fd", None)
    if left is not None:
        with contextlib.suppress(OSError):
            os.close(left)
        line.fd = None


def holders(port: str, *, itself: bool = False) -> list[str]:
    """Return which other processes have a device open, as texts ``process 123 (name)``.

    Only processes whose descriptors /proc lets us see. A process that holds the master side of a
    pseudo-terminal serves it and does not count. itself: this process counts too.
    """
    device = os.path.realpath(port)
    found = []
    for folder in _PROC.iterdir():
        if not folder.name.isdigit() or (int(folder.name) == os.getpid() and not itself):
            continue
        with contextlib.suppress(OSError):
            if _holds(folder, device) and not _serves(folder, device):
                name = (folder / "comm").read_text(encoding="utf-8", errors="replace").strip()
                found.append(f"process {folder.name} ({name})")
    return found


def _holds(folder: Path, device: str) -> bool:
    return any(target == device for _, target in _descriptors(folder))


def _serves(folder: Path, device: str) -> bool:
    """Return whether a process holds the master of this pseudo-terminal."""
    if not device.startswith("/dev/pts/"):
        return False
    number = device.rpartition("/")[2]
    for name, target in _descriptors(folder):
        if "ptmx" in target:
            with contextlib.suppress(OSError):
                info = (folder / "fdinfo" / name).read_text(encoding="ascii")
                if f"tty-index:\t{number}\n" in info:
                    return True
    return False


def _descriptors(folder: Path) -> Iterator[tuple[str, str]]:
    """Yield (number, what it refers to) of a process's descriptors, as far as we may see them."""
    with os.scandir(folder / "fd") as entries:
        for entry in entries:
            with contextlib.suppress(OSError):
                yield entry.name, os.readlink(entry.path)  # noqa: PTH115 - five times faster over a whole /proc
