"""Each kind of bus gets its transport."""

from __future__ import annotations

import subprocess
import sys

import pytest

from drivers.bus.opening import open_transport
from drivers.bus.serial_port import SerialTransport
from drivers.bus.tcp import TcpTransport
from drivers.bus.visa import VisaTransport
from rig.errors import UsageError
from rig.rigfile.sections import Bus


@pytest.mark.parametrize(
    ("bus", "kind", "name"),
    [
        (
            Bus(serial="/dev/serial/by-id/usb-example", baud=19200),
            SerialTransport,
            "serial port /dev/serial/by-id/usb-example",
        ),
        (
            Bus(visa="ASRL/dev/serial/by-id/usb-example::INSTR", baud=19200),
            SerialTransport,
            "serial port /dev/serial/by-id/usb-example",
        ),
        (Bus(tcp="192.168.7.20:5025"), TcpTransport, "TCP 192.168.7.20:5025"),
        (Bus(tcp="[fe80::1]:5025"), TcpTransport, "TCP fe80::1:5025"),
        (Bus(visa="TCPIP0::192.168.7.20::5025::SOCKET"), TcpTransport, "TCP 192.168.7.20:5025"),
        (Bus(visa="TCPIP::h::hislip0::INSTR"), VisaTransport, "VISA TCPIP::h::hislip0::INSTR"),
        (Bus(visa="GPIB0::22::INSTR"), VisaTransport, "VISA GPIB0::22::INSTR"),
    ],
)
def test_a_bus_gets_the_transport_that_it_needs(bus: Bus, kind: type, name: str) -> None:
    transport = open_transport(bus)
    assert type(transport) is kind
    assert transport.name == name


def test_a_bus_without_a_port_is_refused() -> None:
    with pytest.raises(UsageError, match="bus meters: names neither"):
        open_transport(Bus(name="meters"))


def test_serial_settings_reach_the_port() -> None:
    bus = Bus(serial="/dev/null", baud=1200, parity="even", data_bits=7, stop_bits=2.0)
    assert open_transport(bus).character_s == pytest.approx(11 / 1200)


@pytest.mark.parametrize(
    ("bus", "unloaded"),
    [
        ('Bus(tcp="127.0.0.1:1")', ("serial", "pyvisa")),
        ('Bus(serial="/dev/null")', ("pyvisa",)),
    ],
)
def test_libraries_that_a_bus_does_not_need_are_not_loaded(bus: str, unloaded: tuple[str, ...]) -> None:
    heavy = (*unloaded, "pymodbus", "asyncio", "scipy", "pandas", "pyarrow", "thermocouple_its90")
    code = (
        "import sys\nfrom rig.rigfile.sections import Bus\nfrom drivers.bus.opening import open_transport\n"
        f"import drivers\nopen_transport({bus})\n[drivers.load(n) for n in drivers.available()]\n"
        f"print([n for n in {heavy!r} if n in sys.modules])"
    )
    got = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert got.stdout.strip() == "[]"
