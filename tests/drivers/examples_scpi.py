"""True replies of SCPI instruments."""

from __future__ import annotations

import math
import struct

from rig.domain.model import Status
from tests.drivers.examples import GOOD, Answered, first, fixed, identity, last_opening, report

METER = {
    "identity": "EXAMPLE,METER,[0-9]+,.*",
    "terminator": "LF",
    "setup": ["FORM ASC", "CONF:VOLT:AC 300"],
    "reads": [{"ask": "READ?", "fields": ["volts"]}],
}
SCANNER = {
    "identity": ".*",
    "terminator": "CRLF",
    "reads": [{"ask": "READ? (@101:104)", "fields": ["t1", "t2", "t3", "t4"]}],
}
BLOCK = {
    "identity": ".*",
    "terminator": "LF",
    "reads": [{"ask": "FETC?", "fields": ["a", "b", "c"], "format": "block-f32"}],
}
SAMPLES = {
    "identity": ".*",
    "terminator": "LF",
    "reads": [{"ask": "CURV?", "fields": ["a", "b", "c", "d", "e"], "format": "block-i16"}],
}

EXAMPLES = (
    Answered(
        name="one value",
        options=METER,
        pick=first,
        reply=fixed(b"+2.34500000E+02\r\n"),
        values=(234.5,),
        statuses=(GOOD,),
    ),
    Answered(
        name="scanner with an open and an overloaded channel",
        options=SCANNER,
        pick=first,
        reply=fixed(b"+2.51E+01,+9.91E+37,9.9E37,-9.90000000E+37\r\n"),
        values=(25.1, math.nan, math.nan, math.nan),
        statuses=(GOOD, Status.NO_VALUE, Status.OVER, Status.UNDER),
    ),
    Answered(
        name="block of 32-bit numbers that hold a line feed",
        options=BLOCK,
        pick=first,
        reply=fixed(b"#212" + bytes.fromhex("311DC40A") + struct.pack(">2f", 9.91e37, -1.5) + b"\n"),
        values=(struct.unpack(">f", b"\x31\x1d\xc4\x0a")[0], math.nan, -1.5),
        statuses=(GOOD, Status.NO_VALUE, GOOD),
    ),
    Answered(
        # an oscilloscope's programming manual prints 23 34 32 30 30 30 00 1C 00 1B 00 1A 00 1A 00 1B
        name="block of 16-bit samples",
        options=SAMPLES,
        pick=first,
        reply=fixed(bytes.fromhex("233231 30 001C001B001A001A001B 0A")),
        values=(28.0, 27.0, 26.0, 26.0, 27.0),
        statuses=(GOOD,) * 5,
    ),
    Answered(
        name="identity",
        options=METER,
        pick=identity,
        reply=fixed(b"EXAMPLE,METER,0017,1.2\n"),
        text="EXAMPLE,METER,0017,1.2",
    ),
    Answered(
        name="error queue with an entry",
        options=METER,
        pick=report,
        reply=fixed(b'-113,"Undefined header;FORM ASCX"\n'),
        text="-113 Undefined header;FORM ASCX",
    ),
    Answered(name="empty error queue", options=METER, pick=report, reply=fixed(b'+0,"No error"\n')),
    Answered(name="set-up accepted", options=METER, pick=last_opening, reply=fixed(b'0,"No error"\n')),
    Answered(
        name="set-up refused",
        options=METER,
        pick=last_opening,
        reply=fixed(b'-222,"Data out of range"\n'),
        refused=True,
    ),
)
