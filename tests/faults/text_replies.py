"""Faults in what instruments say: error queues, sentinels, free-running lines, drivers that misbehave."""

from __future__ import annotations

import textwrap
from pathlib import Path

from rig.domain.model import EventKind, Status
from rig.store.reader import RunReader
from tests.faults.catalogue import provocation
from tests.faults.meter import Meter, PtyPort, TcpPort, well
from tests.faults.stage import end_and_judge, outage, stage

ANY = {Status.NO_REPLY, Status.BAD_REPLY}
FREE = """\
    driver: lines
    terminator: LF
    poll: 50 ms
    timeout: 200 ms
    reads: [{fields: [n]}]"""
STUCK = """\
    driver: stuck
    poll: 50 ms
    timeout: 100 ms"""


@provocation(
    "instrument", "entries in the instrument's error queue", "a bad answer now and then, SYST:ERR? explains"
)
def error_queue(folder: Path) -> str:
    count = 0

    def complaining(meter: Meter, line: bytes) -> None:
        nonlocal count
        count += line == b"V?"
        if line == b"V?" and count % 8 == 0:
            meter.errors.append(f'-350,"Queue overflow;number {count}"')
            meter.say(b"ERROR\n")
        else:
            well(meter, line)

    with stage(folder, TcpPort()) as on:
        on.meter.behave = complaining
        logger = on.start()
        logger.until_readings("meter", 40)
        found = end_and_judge(on, logger, statuses={Status.BAD_REPLY})
        events = RunReader.open(on.run_path).events()
        reports = [one.text for one in events if one.kind is EventKind.INSTRUMENT_REPORT]
        assert len(reports) >= count // 8 - 1
        assert all("Queue overflow" in one for one in reports)
        return f"{len(reports)} entries recorded in their words, {found.good} readings right"


@provocation(
    "instrument", "sensor open, range exceeded", "9.91E37, 9.9E37, -9.9E37 for numbers (SCPI-99 7.2.1.5)"
)
def sentinels(folder: Path) -> str:
    said = iter([b"9.91E37", b"9.9E37", b"-9.9E+37"] * 4)

    def odd(meter: Meter, line: bytes) -> None:
        number = next(said, b"") if line == b"V?" else b""
        if number:
            meter.say(number + b"\n")
        else:
            well(meter, line)

    with stage(folder, TcpPort()) as on:
        on.meter.behave = odd
        logger = on.start()
        logger.until_readings("meter", 10)
        allowed = {Status.NO_VALUE, Status.OVER, Status.UNDER}
        found = end_and_judge(on, logger, statuses=allowed)
        assert {int(one) for one in allowed} <= found.statuses
        return f"12 of them became statuses, none a number; {found.good} readings right"


@provocation(
    "instrument", "a free-running instrument falls silent", "a line each 50 ms, then none, then again"
)
def free_running(folder: Path) -> str:
    import threading

    port = PtyPort(folder / "usb-example-adapter-if00")
    with stage(folder, port) as on:
        quiet, ended = threading.Event(), threading.Event()

        def talk() -> None:
            while not ended.wait(0.05):
                if not quiet.is_set():
                    on.meter.say(on.meter.reading())

        talker = threading.Thread(target=talk)
        talker.start()
        try:
            on.write(FREE)
            logger = on.start()
            times = outage(on, logger, quiet.set, quiet.clear, hold_s=0.5)
            found = end_and_judge(on, logger, statuses=ANY)
        finally:
            ended.set()
            talker.join()
        return f"{times}; {found.good} readings right"


@provocation("instrument", "wrong number of values", "two numbers where one is expected, one reply in six")
def two_values(folder: Path) -> str:
    count = 0

    def generous(meter: Meter, line: bytes) -> None:
        nonlocal count
        count += line == b"V?"
        if line == b"V?" and count % 6 == 0:
            meter.say(meter.reading(known=False).rstrip() + b",5\n")
        else:
            well(meter, line)

    with stage(folder, TcpPort()) as on:
        on.meter.behave = generous
        logger = on.start()
        logger.until_readings("meter", 40)
        found = end_and_judge(on, logger, statuses={Status.BAD_REPLY})
        return f"{count // 6} of them refused, {found.good} readings right"


@provocation(
    "instrument", "a call of the driver that never returns", "a user's driver that sleeps for ever in C"
)
def stuck_call(folder: Path) -> str:
    (folder / "bench_drivers").mkdir()
    (folder / "bench_drivers" / "__init__.py").write_text("")
    (folder / "bench_drivers" / "stuck.py").write_text(
        textwrap.dedent("""
        import time
        from dataclasses import dataclass
        from drivers import Reply
        from rig.domain.model import Status

        @dataclass(frozen=True, slots=True, kw_only=True)
        class Options:
            pass

        class Poll:
            label = "V?"
            fields = ("n",)
            request_bytes = 3
            reply_bytes = 3
            count = 0
            def request(self):
                Poll.count += 1
                if Poll.count % 20 == 0:
                    time.sleep(1e6)
                return b"V?\\n"
            def parse(self, received):
                if not received.endswith(b"\\n"):
                    return None
                return Reply(values=(float(received),), statuses=(Status.GOOD,), used=len(received))

        class Driver:
            quiet_s = 0.0
            report = None
            opening = ()
            def __init__(self, options):
                self.polls = (Poll(),)
    """)
    )
    with stage(folder, TcpPort()) as on:
        on.write(STUCK.replace("stuck", "bench_drivers.stuck"))
        from tests.faults.logger import ROOT

        logger = on.start(environment={"PYTHONPATH": f"{ROOT}:{folder}"})
        event = logger.until_event(EventKind.BUS_STUCK, "line")
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"given up and reopened: {event.text[:60]}...; {found.good} readings right, steady one whole"
