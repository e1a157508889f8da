"""True lines of simple instruments."""

from __future__ import annotations

import math

from rig.domain.model import Status
from tests.drivers.examples import GOOD, Answered, first, fixed, identity

BOX = {
    "terminator": "CR",
    "reply-terminator": "CRLF",
    "identity": {"ask": "ID", "pattern": "BOX [0-9]{4}"},
    "reads": [{"ask": "T", "separator": "blanks", "fields": ["t1", "t2", "t3"]}],
    "words": {"----": "no-value", "HOT": "over"},
}
MAINS = {
    "terminator": "LF",
    "checksum": {"kind": "xor8", "start": "$"},
    "reads": [{"pattern": r"V=(?P<volts>[^,]+),F=(?P<hertz>[^,]+)(,I=(?P<amps>.+))?"}],
}
SUMMED = {
    "terminator": "CR",
    "checksum": {"kind": "crc16-modbus", "mark": " "},
    "reads": [{"ask": "R?", "fields": ["a", "b"], "separator": ";"}],
}

EXAMPLES = (
    Answered(
        name="polled box of thermocouples",
        options=BOX,
        pick=first,
        reply=fixed(b"  25.1   ----  HOT \r\n"),
        values=(25.1, math.nan, math.nan),
        statuses=(GOOD, Status.NO_VALUE, Status.OVER),
    ),
    Answered(name="identity", options=BOX, pick=identity, reply=fixed(b"BOX 0042\r\n"), text="BOX 0042"),
    Answered(
        # NMEA 0183 manner of checksum; 3E is the exclusive or of the bytes between $ and *
        name="mains readback that sends by itself, with checksum",
        options=MAINS,
        pick=first,
        reply=fixed(b"$V=230.4,F=50.02*3E\n"),
        values=(230.4, 50.02, math.nan),
        statuses=(GOOD, GOOD, Status.NO_VALUE),
        checked=True,
    ),
    Answered(
        # crcmod 1.7, "modbus", of 1.5;-2 gives B80E
        name="line with a 16-bit checksum",
        options=SUMMED,
        pick=first,
        reply=fixed(b"1.5;-2 B80E\r"),
        values=(1.5, -2.0),
        statuses=(GOOD, GOOD),
        checked=True,
    ),
)
