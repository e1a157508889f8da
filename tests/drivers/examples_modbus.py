"""True replies of Modbus devices."""

from __future__ import annotations

import math
from collections.abc import Callable

from rig.domain.model import Status
from tests.drivers.examples import GOOD, Answered, first, fixed, identity

METER = {
    "device": 17,
    "fields": {
        "a": {"register": 107, "type": "uint16"},
        "b": {"register": 108, "type": "int16"},
        "c": {"register": "0x6D", "type": "uint16", "scale": 0.1, "no-value": [0]},
    },
}
POWER = {
    "device": 2,
    "framing": "tcp",
    "identity": {"register": 100, "equals": 4711},
    "fields": {
        "volts": {"register": 0, "type": "float32", "order": "CDAB", "table": "input"},
        "hertz": {"register": 2, "type": "float32", "order": "CDAB", "table": "input"},
    },
}
COILS = {
    "device": 17,
    "fields": {
        f"c{number}": {"register": number - 1, "table": "coil", "type": "bit"} for number in range(20, 39)
    },
}


def tcp(pdu: str) -> Callable[[bytes], bytes]:
    """Return a reply over TCP with the request's transaction number and device."""
    data = bytes.fromhex(pdu)
    return lambda request: request[:4] + (1 + len(data)).to_bytes(2, "big") + request[6:7] + data


EXAMPLES = (
    Answered(
        # Modbus Application Protocol V1.1b3, 6.3: registers 108 to 110 hold 555, 0, 100; CRC as in a
        # public test suite
        name="three registers, RTU",
        options=METER,
        pick=first,
        reply=fixed(bytes.fromhex("110306022B00000064C8BA")),
        values=(555.0, 0.0, 10.0),
        statuses=(GOOD,) * 3,
        checked=True,
    ),
    Answered(
        # 01 83 02 C0 F1 is in a public test suite; here with device 17, CRC by crcmod 1.7
        name="exception, RTU",
        options=METER,
        pick=first,
        reply=fixed(bytes.fromhex("118302C134")),
        refused=True,
        checked=True,
    ),
    Answered(
        # Modbus Application Protocol V1.1b3, 6.1: coils 20 to 38; CRC by crcmod 1.7
        name="nineteen coils, RTU",
        options=COILS,
        pick=first,
        reply=fixed(bytes.fromhex("110103CD6B054012")),
        values=(1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1),
        statuses=(GOOD,) * 19,
        checked=True,
    ),
    Answered(
        # IEEE 754: 230.0 is 43660000, NaN 7FC00000; words turned around
        name="two floats over TCP, one without a value",
        options=POWER,
        pick=first,
        reply=tcp("0408 00004366 00007FC0"),
        values=(230.0, math.nan),
        statuses=(GOOD, Status.NO_VALUE),
    ),
    Answered(name="identity over TCP", options=POWER, pick=identity, reply=tcp("0302 1267"), text="4711"),
    Answered(name="exception over TCP", options=POWER, pick=first, reply=tcp("840B"), refused=True),
)
