"""Faults of serial lines and what hangs on them: real ptys behind a link, as udev makes them."""

from __future__ import annotations

import contextlib
import os
import random
import subprocess
import sys
import threading
from pathlib import Path

from rig.domain.model import EventKind, Status
from tests.faults.catalogue import provocation
from tests.faults.meter import Behaviour, Meter, PtyPort, well
from tests.faults.stage import SCPI, Stage, end_and_judge, outage, stage

SILENT = {Status.NO_REPLY}
ANY = {Status.NO_REPLY, Status.BAD_REPLY, Status.REFUSED}
PATIENT = SCPI.replace("timeout: 100 ms", "timeout: 300 ms")
"""A late reply is safe up to twice the timeout; a busy machine must not make these later than that."""


def silence(_meter: Meter, _line: bytes) -> None:
    """Say nothing."""


def _pty(folder: Path) -> PtyPort:
    return PtyPort(folder / "usb-example-adapter-if00")


@provocation("instrument", "cable pulled and plugged in again", "pty master closed, link removed, new pty")
def unplugged(folder: Path) -> str:
    port = _pty(folder)
    with stage(folder, port) as on:
        logger = on.start()
        times = outage(on, logger, port.unplug, port.plug)
        found = end_and_judge(on, logger, statuses=SILENT)
        assert on.meter.heard.count(b"CONF:VOLT") == 2, "set-up commands are sent after each opening"
        return f"{times}; {found.good} readings right"


@provocation(
    "instrument",
    "replugged under another device name",
    "the old pty's number taken by another, link repointed",
)
def renamed(folder: Path) -> str:
    port = _pty(folder)
    with stage(folder, port) as on:
        logger = on.start()
        names = [str(port.link.resolve())]
        taken: list[int] = []

        def plug() -> None:
            taken.append(os.open("/dev/ptmx", os.O_RDWR | os.O_NOCTTY))
            names.append(port.plug())

        times = outage(on, logger, lambda: port.unplug(keep_link=True), plug)
        os.close(taken[0])
        assert names[0] != names[1]
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{names[0]} became {names[1]}; {times}; {found.good} readings right"


@provocation("instrument", "hangs", "answers nothing on a pty until it is woken")
def hangs(folder: Path) -> str:
    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        times = outage(on, logger, lambda: _behave(on, silence), lambda: _behave(on, well), hold_s=1.5)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{times}; {found.good} readings right"


@provocation("instrument", "answers slowly, but in time", "every reply after 80 ms of a timeout of 100 ms")
def slow(folder: Path) -> str:
    def lazy(meter: Meter, line: bytes) -> None:
        meter.pause(0.08)
        well(meter, line)

    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        on.meter.behave = lazy
        logger.until_readings("meter", 20)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{found.good} readings right, each with its wide interval"


@provocation("instrument", "answers each time too late", "every reply after 390 ms of a timeout of 300 ms")
def too_slow(folder: Path) -> str:
    def late(meter: Meter, line: bytes) -> None:
        if line == b"V?":
            meter.pause(0.39)
            meter.say(meter.reading())
        else:
            well(meter, line)

    with stage(folder, _pty(folder)) as on:
        on.write(PATIENT)
        logger = on.start()
        times = outage(on, logger, lambda: _behave(on, late), lambda: _behave(on, well), hold_s=1.0)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"none of the late numbers taken; {times}; {found.good} readings right"


@provocation("instrument", "one reply in twelve too late", "it arrives where the next reply is expected")
def sometimes_late(folder: Path) -> str:
    asked = 0

    def now_and_then(meter: Meter, line: bytes) -> None:
        nonlocal asked
        asked += line == b"V?"
        if line == b"V?" and asked % 12 == 0:
            meter.pause(0.33 + 0.01 * (asked // 12 % 9))
            meter.say(meter.reading())
        else:
            well(meter, line)

    with stage(folder, _pty(folder)) as on:
        on.write(PATIENT)
        on.meter.behave = now_and_then
        logger = on.start()
        logger.until_readings("meter", 110)
        found = end_and_judge(on, logger, statuses=ANY)
        assert asked >= 108
        return f"{asked // 12} late replies, none taken for another's; {found.good} readings right"


@provocation("instrument", "answers garbage", "4 to 40 random bytes for each reply")
def garbage(folder: Path) -> str:
    dice = random.Random(7)

    def noise(meter: Meter, _line: bytes) -> None:
        meter.say(dice.randbytes(dice.randint(4, 40)) + b"\n")

    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        times = outage(on, logger, lambda: _behave(on, noise), lambda: _behave(on, well), hold_s=1.0)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{times}; {found.good} readings right"


@provocation(
    "instrument", "baud rate changed at the instrument", "what a line at 19200 baud hears of one at 9600"
)
def other_baud(folder: Path) -> str:
    def stretched(meter: Meter, line: bytes) -> None:
        meter.say(heard_at_double_rate(b"%d\r\n" % len(line)))

    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        times = outage(on, logger, lambda: _behave(on, stretched), lambda: _behave(on, well), hold_s=1.0)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{times}; {found.good} readings right"


def heard_at_double_rate(data: bytes) -> bytes:
    """Return what an 8N1 receiver at twice the rate makes of ``data`` (start bit 0, 8 bits, stop bit 1)."""
    line = [
        bit for byte in data for bit in (0, *(byte >> k & 1 for k in range(8)), 1, 1, 1) for _ in range(2)
    ]
    heard = bytearray()
    at = 0
    while at + 9 < len(line):
        if line[at]:
            at += 1
            continue
        heard.append(sum(bit << k for k, bit in enumerate(line[at + 1 : at + 9])))
        at += 10
    return bytes(heard)


@provocation(
    "instrument", "another instrument after the replug", "a meter with another serial number at the same link"
)
def impostor(folder: Path) -> str:
    port = _pty(folder)
    with stage(folder, port) as on:
        logger = on.start()
        right = on.meter.identity

        def exchange_instruments() -> None:
            port.unplug()
            on.meter.identity = "EXAMPLE,METER,0002,1.0"
            port.plug()

        def put_right() -> None:
            port.unplug()
            on.meter.identity = right
            port.plug()

        given = 0

        def strict(meter: Meter, line: bytes) -> None:
            nonlocal given
            given += line == b"V?" and meter.identity != right
            well(meter, line)

        on.meter.behave = strict
        times = outage(on, logger, exchange_instruments, put_right, hold_s=2.0)
        found = end_and_judge(on, logger, statuses=ANY)
        assert given == 0, "the wrong instrument was never asked for a reading"
        causes = [event.data["cause"] for event in logger.of(EventKind.INSTRUMENT_LOST)]
        return f"not one reading asked of it; {times}; {found.good} readings right; {len(causes)} outage told"


@provocation(
    "instrument",
    "switched off and on",
    "silent, then without its set-up: refuses readings until set up again",
)
def power_cycle(folder: Path) -> str:
    ready = True

    def forgetful(meter: Meter, line: bytes) -> None:
        nonlocal ready
        ready = ready or line == b"CONF:VOLT"
        if line == b"V?" and not ready:
            meter.errors.append('-221,"Settings conflict"')
            meter.say(b"9.91E37\n")
        else:
            well(meter, line)

    with stage(folder, _pty(folder)) as on:
        on.meter.behave = forgetful
        logger = on.start()

        def come_back() -> None:
            nonlocal ready
            ready = False
            on.meter.behave = forgetful

        times = outage(on, logger, lambda: _behave(on, silence), come_back, hold_s=1.0)
        found = end_and_judge(on, logger, statuses=SILENT)
        assert on.meter.heard.count(b"CONF:VOLT") == 2
        return f"set up again before the first reading; {times}; {found.good} readings right"


@provocation("instrument", "talks without being asked", "a line every 5 ms, whatever comes")
def babble(folder: Path) -> str:
    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        talking = threading.Event()

        def talk() -> None:
            while not talking.wait(0.005):
                on.meter.say(b"12345678\n")

        chatter = threading.Thread(target=talk)

        def stop_talking() -> None:
            talking.set()
            chatter.join()

        try:
            times = outage(on, logger, chatter.start, stop_talking, hold_s=1.0)
        finally:
            stop_talking()
        # Its very first line may come just after a question: nothing tells that one from an answer.
        first = "12345678.0: never said"
        found = end_and_judge(on, logger, statuses=ANY, excused=(first,))
        assert found.wrong.count(first) <= 1
        return f"{len(found.wrong)} of its lines taken; {times}; {found.good} readings right"


@provocation(
    "instrument", "dribbles, past the deadline", "a byte every 40 ms: each keeps a per-byte timeout alive"
)
def dribble(folder: Path) -> str:
    def drip(meter: Meter, line: bytes) -> None:
        if line != b"V?":
            return well(meter, line)
        for byte in meter.reading().rjust(8, b"0"):
            meter.say(bytes([byte]))
            meter.pause(0.04)
        return None

    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        times = outage(on, logger, lambda: _behave(on, drip), lambda: _behave(on, well), hold_s=1.0)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"the deadline held; {times}; {found.good} readings right"


@provocation(
    "instrument", "half a reply, the rest after the deadline", "one reply in ten parted in mid-number"
)
def half_reply(folder: Path) -> str:
    asked = 0

    def parted(meter: Meter, line: bytes) -> None:
        nonlocal asked
        asked += line == b"V?"
        if line == b"V?" and asked % 10 == 0:
            whole = b"7" + meter.reading(known=False)
            meter.said[int(whole)] = meter.heard_ns
            meter.say(whole[:2])
            meter.pause(0.36)
            meter.say(whole[2:])
        else:
            well(meter, line)

    with stage(folder, _pty(folder)) as on:
        on.write(PATIENT)
        on.meter.behave = parted
        logger = on.start()
        logger.until_readings("meter", 90)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{asked // 10} halves, none taken for a number; {found.good} readings right"


@provocation("instrument", "reply without its terminator", "the number comes, the line feed never does")
def no_terminator(folder: Path) -> str:
    def endless(meter: Meter, line: bytes) -> None:
        if line == b"V?":
            meter.say(meter.reading(known=False).rstrip())
        else:
            well(meter, line)

    with stage(folder, _pty(folder)) as on:
        logger = on.start()
        times = outage(on, logger, lambda: _behave(on, endless), lambda: _behave(on, well))
        found = end_and_judge(on, logger, statuses=ANY)
        cause = logger.of(EventKind.INSTRUMENT_LOST, "meter")[0].text
        assert "only" in cause, cause
        return f"what had come is shown in the event; {times}; {found.good} readings right"


@provocation(
    "instrument", "adapter that takes no bytes", "the pty's master is not read until its buffer is full"
)
def clogged(folder: Path) -> str:
    port = _pty(folder)
    with stage(folder, port) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        fill = os.open(str(port.link), os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)

        def clog() -> None:
            port.deaf = True
            with contextlib.suppress(BlockingIOError):
                while True:
                    os.write(fill, b"*" * 512 + b"\n")

        def free() -> None:
            port.deaf = False

        try:
            times = outage(on, logger, clog, free, hold_s=1.0)
        finally:
            os.close(fill)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{times}; {found.good} readings right"


@provocation("instrument", "port absent at the start", "no device behind the link until two seconds later")
def absent(folder: Path) -> str:
    port = _pty(folder)
    with stage(folder, port) as on:
        on.write()
        port.unplug()
        logger = on.start()
        event = logger.until_event(EventKind.INSTRUMENT_LOST, "meter")
        logger.until_readings("steady", 40)
        assert "no such device" in event.text, event.text
        port.plug()
        back_s = logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"the others are recorded; back {back_s:.2f} s after plugging; {found.good} readings right"


@provocation("instrument", "port held by another program", "a child has the pty open when the logger starts")
def held(folder: Path) -> str:
    port = _pty(folder)
    with stage(folder, port) as on:
        command = [
            sys.executable,
            "-c",
            "import sys, time; f = open(sys.argv[1], 'rb', 0); print(); time.sleep(60)",
        ]
        with subprocess.Popen([*command, str(port.link)], stdout=subprocess.PIPE) as rival:
            try:
                assert rival.stdout is not None
                rival.stdout.readline()
                logger = on.start()
                event = logger.until_event(EventKind.INSTRUMENT_LOST, "meter")
                assert str(rival.pid) in event.text, event.text
            finally:
                rival.kill()
        logger.until_event(EventKind.INSTRUMENT_BACK, "meter")
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"the holder is named by its process; {found.good} readings right after it had gone"


def _behave(on: Stage, how: Behaviour) -> None:
    on.meter.behave = how
