"""Which transport a bus of the rig file needs."""

from __future__ import annotations

from typing import Final, Protocol

from drivers.bus.transport import Transport
from rig.errors import UsageError

DEFAULT_BAUD: Final = 9600


class BusFacts(Protocol):
    """What a rig file says about a bus (``rig.rigfile.sections.Bus`` does)."""

    @property
    def name(self) -> str:
        """Name in the rig file."""
        ...

    @property
    def visa(self) -> str | None:
        """VISA resource string."""
        ...

    @property
    def device(self) -> str | None:
        """Path of a serial port, also of one that is written as a VISA resource."""
        ...

    @property
    def endpoint(self) -> tuple[str, int] | None:
        """Host and port of a socket, also of one that is written as a VISA resource."""
        ...

    @property
    def baud(self) -> int | None:
        """Bits per second of a serial port."""
        ...

    @property
    def parity(self) -> str:
        """Name of the parity."""
        ...

    @property
    def data_bits(self) -> int:
        """Data bits of a character."""
        ...

    @property
    def stop_bits(self) -> float:
        """Stop bits of a character."""
        ...


def open_transport(bus: BusFacts) -> Transport:
    """Return the transport of a bus; it is opened by the thread that will own it, not here.

    Sockets and serial ports get our own transports even where they are written as VISA resources.
    Raises UsageError for a bus that names no port.
    """
    if bus.device is not None:
        from drivers.bus.serial_port import SerialTransport

        return SerialTransport(
            port=bus.device,
            baud=bus.baud or DEFAULT_BAUD,
            parity=bus.parity,
            data_bits=bus.data_bits,
            stop_bits=bus.stop_bits,
        )
    if bus.endpoint is not None:
        from drivers.bus.tcp import TcpTransport

        host, port = bus.endpoint
        return TcpTransport(host=host, port=port)
    if bus.visa is not None:
        from drivers.bus.visa import VisaTransport

        return VisaTransport(resource=bus.visa)
    raise UsageError(f"bus {bus.name}: names neither a serial port, nor a TCP endpoint, nor a VISA resource")
