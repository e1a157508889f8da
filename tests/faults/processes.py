"""What happens to the logger's own process: signals, rivals, limits, a host that does not keep up."""

from __future__ import annotations

import json
import os
import resource
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from rig.domain.model import EventKind, Status
from rig.store.reader import RecordingState, RunReader
from tests.faults.catalogue import provocation
from tests.faults.logger import ROOT, Logger
from tests.faults.meter import Meter, TcpPort, well
from tests.faults.serial_lines import silence
from tests.faults.shim import Shim
from tests.faults.stage import end_and_judge, judge, stage

SILENT = {Status.NO_REPLY}


def _finished(path: Path) -> bool:
    return RunReader.open(path).state is RecordingState.FINISHED


@provocation("process", "SIGTERM twice, SIGINT on top", "three signals within a few milliseconds, six times")
def term_twice(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        for k in range(6):
            logger = on.start()
            logger.until_readings("meter", 5)
            pid = logger.pid
            for number in (signal.SIGTERM, signal.SIGTERM, signal.SIGINT):
                os.kill(pid, number)
                time.sleep(0.002 * k)
            assert logger.process.wait(30) == 0, logger.said
            assert _finished(on.run_path)
        run = RunReader.open(on.run_path)
        assert [session.clean for session in run.sessions] == [True] * 6
        assert judge(run, on.meter, "meter").wrong == []
        return "six clean ends, six recorded stops, exit code 0"


@provocation("process", "SIGTERM at any moment of the start", "after 0 to 1.2 s, 13 times")
def term_at_start(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        codes: list[int] = []
        for k in range(13):
            logger = on.start()
            time.sleep(0.1 * k)
            codes.append(logger.stop())
            assert "Traceback" not in logger.said, logger.said
        assert set(codes) <= {0, -signal.SIGTERM}, codes
        logger = on.start()
        logger.until_readings("meter", 5)
        assert logger.stop() == 0
        run = RunReader.open(on.run_path)
        assert run.skipped == ()
        assert judge(run, on.meter, "meter").wrong == []
        return (
            f"{codes.count(0)} clean ends, {codes.count(-15)} before anything was opened; the run opens whole"
        )


@provocation("process", "SIGTERM while an instrument hangs", "stopped in the middle of a time-out of 3 s")
def term_while_hanging(folder: Path) -> str:
    from tests.faults.stage import SCPI

    with stage(folder, TcpPort()) as on:
        on.write(SCPI.replace("timeout: 100 ms", "timeout: 3 s").replace("poll: 50 ms", "poll: 4 s"))
        logger = on.start()
        logger.until_readings("meter", 1)
        on.meter.behave = silence
        asked = on.meter.heard.count(b"V?")
        logger.until("it is asked", lambda: on.meter.heard.count(b"V?") > asked)
        began = time.monotonic()
        assert logger.stop() == 0, logger.said
        took_s = time.monotonic() - began
        assert _finished(on.run_path)
        return f"ended in good order after {took_s:.1f} s"


@provocation("process", "terminal lost", "SIGHUP, twice")
def hang_up(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        for _ in range(2):
            logger.until_readings("meter", 10)
            logger.send(signal.SIGHUP)
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=set())
        return f"recording goes on; {found.good} readings, none missing"


@provocation("process", "stopped for ten seconds, then continued", "SIGSTOP, SIGCONT")
def stopped(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 10)
        logger.send(signal.SIGSTOP)
        time.sleep(10.0)
        logger.send(signal.SIGCONT)
        logger.until_readings("meter", 20)
        found = end_and_judge(on, logger, statuses=SILENT, whole_steady=False)
        gaps = [one for one in RunReader.open(on.run_path).events() if one.kind is EventKind.GAP]
        assert any(one.data.get("polls", 0) > 100 for one in gaps), [one.text for one in gaps]
        return f"told: {gaps[0].text}; {found.good} readings right"


@provocation("process", "a second logger on the same run", "started while the first records, three times")
def second(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 5)
        for _ in range(3):
            rival = on.start()
            assert rival.process.wait(30) == 6, rival.said
            assert str(logger.pid) in rival.said
        logger.until_readings("meter", 5)
        end_and_judge(on, logger, statuses=set())
        assert len(RunReader.open(on.run_path).sessions) == 1
        return "refused with exit code 6, the holder named by its process"


@provocation("process", "lock file deleted while a logger runs", "unlink of the lock, then a second logger")
def lock_deleted(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 5)
        (on.run_path / "lock").unlink()
        rival = on.start()
        code = rival.process.wait(30) if _ends(rival, 5.0) else None
        assert code == 6, f"a second logger records into the same run: {rival.said}"
        logger.until_readings("meter", 5)
        end_and_judge(on, logger, statuses=set())
        return "the second one is refused all the same"


def _ends(logger: Logger, within_s: float) -> bool:
    try:
        logger.process.wait(within_s)
    except subprocess.TimeoutExpired:
        return False
    return True


@provocation("process", "the disk stalls the writer", "every fsync of a journal takes 3 s longer, for 9 s")
def stalled_writer(folder: Path) -> str:
    shim = Shim(folder)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=shim.environment)
        logger.until_readings("meter", 10)
        shim.order(part=".journal", fsync_ms=3000)
        time.sleep(9.0)
        shim.behave()
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=set())
        return f"no poll waited for the disk; {found.good} readings, none missing"


@provocation(
    "process", "the disk hangs for 40 s", "one fsync of 40 s, with a service manager's watchdog looking on"
)
def hung_disk(folder: Path) -> str:
    shim = Shim(folder)
    with stage(folder, TcpPort()) as on, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(folder / "notify"))
        manager.setblocking(False)
        watchdog = {"NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "2000000"}
        logger = on.start(environment={**shim.environment, **watchdog})
        logger.until_readings("meter", 10)
        shim.order(part=".journal", fsync_ms=40_000)
        began, signs = time.monotonic(), []
        while time.monotonic() - began < 42:
            try:
                if manager.recv(4096).startswith(b"WATCHDOG=1"):
                    signs.append(time.monotonic() - began)
            except BlockingIOError:
                time.sleep(0.1)
            if time.monotonic() - began > 2:
                shim.behave()
        stalls = logger.until_event(EventKind.STORE_FAULT, patience_s=60)
        assert stalls.data["cause"] == "stalled"
        silent = [one for one in signs if 33 < one < 39]
        assert silent == [], f"signs of life while nothing reached the disk: {silent}"
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=set())
        return (
            f"told after 30 s, no sign of life to the manager after that; {found.good} readings, none missing"
        )


@provocation(
    "process", "its output goes to a pipe nobody reads any more", "stdout into a pipe closed after a line"
)
def closed_stdout(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        read, write = os.pipe()
        os.close(read)
        logger = on.start(stdout=write)
        os.close(write)
        logger.until_readings("meter", 20)
        found = end_and_judge(on, logger, statuses=set())
        return f"recording goes on, exit code 0; {found.good} readings, none missing"


@provocation("process", "its output goes to a full device", "stdout on /dev/full")
def full_stdout(folder: Path) -> str:
    with stage(folder, TcpPort()) as on, open("/dev/full", "wb") as full:  # noqa: PTH123
        logger = on.start(stdout=full.fileno())
        logger.until_readings("meter", 20)
        found = end_and_judge(on, logger, statuses=set())
        return f"recording goes on, exit code 0; {found.good} readings, none missing"


@provocation("process", "started without stdin, stdout and stderr", "all three closed: <&- >&- 2>&-")
def no_streams(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start(prefix=["sh", "-c", 'exec "$@" <&- >&- 2>&-', "sh"])
        logger.until_readings("meter", 20)
        links = {str(Path(f"/proc/{logger.pid}/fd/{fd}").readlink()) for fd in range(3)}
        assert links == {"/dev/null"}, links
        found = end_and_judge(on, logger, statuses=set())
        return f"no file of the run gets their numbers; {found.good} readings, none missing"


@provocation(
    "process", "text that the terminal's encoding lacks", "LC_ALL=C, ASCII only, a name with a degree sign"
)
def ascii_only(folder: Path) -> str:
    place = folder / "Prüfraum 80 °C"
    place.mkdir()
    with stage(place, TcpPort()) as on:
        codec = {
            "LC_ALL": "C",
            "PYTHONIOENCODING": "ascii:strict",
            "PYTHONCOERCECLOCALE": "0",
            "PYTHONUTF8": "0",
        }
        logger = on.start(environment=codec)
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=set())
        return f"{found.good} readings, none missing"


@provocation("process", "few descriptors", "ulimit -n 64, with connections that break all the time")
def few_descriptors(folder: Path) -> str:
    port = TcpPort()
    with stage(folder, port) as on:

        def limit() -> None:
            resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64))

        logger = on.start(before=limit)
        for _ in range(100):
            logger.until_readings("meter", 1)
            port.drop(reset=True)
        logger.until_readings("meter", 5)
        held = len(list(Path(f"/proc/{logger.pid}/fd").iterdir()))
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{port.connections} connections, {held} descriptors open; {found.good} readings right"


@provocation(
    "process", "out of descriptors", "the limit lowered to what is open (prlimit), then raised again"
)
def no_descriptors(folder: Path) -> str:
    port = TcpPort()
    with stage(folder, port) as on:
        logger = on.start()
        logger.until_readings("meter", 5)
        pid = logger.pid
        _, hard = resource.prlimit(pid, resource.RLIMIT_NOFILE)
        resource.prlimit(pid, resource.RLIMIT_NOFILE, (3, hard))
        port.drop(reset=True)
        lost = logger.until_event(EventKind.INSTRUMENT_LOST, "meter")
        assert "Too many open files" in lost.text, lost.text
        time.sleep(1.0)
        resource.prlimit(pid, resource.RLIMIT_NOFILE, (256, hard))
        logger.until_event(EventKind.INSTRUMENT_BACK, "meter")
        logger.until_readings("meter", 5)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"told by its name, back when there are some again; {found.good} readings right"


@provocation("process", "a busy machine", "six processes that only count, on all cores")
def busy(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(6)]
        try:
            logger = on.start()
            logger.until_readings("meter", 60, patience_s=60.0)
            found = end_and_judge(on, logger, statuses=SILENT, whole_steady=False)
        finally:
            for loop in loops:
                loop.kill()
                loop.wait()
        gaps = [one for one in RunReader.open(on.run_path).events() if one.kind is EventKind.GAP]
        return f"{found.good} readings right, {len(gaps)} gaps told"


@provocation(
    "process", "upgraded while a run is open", "the sessions so far rewritten as by an older version"
)
def upgrade(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        logger = on.start()
        logger.until_readings("meter", 15)
        logger.stop(signal.SIGKILL)
        for path in (on.run_path / "run.json", *sorted((on.run_path / "sessions").glob("*.json"))):
            facts = json.loads(path.read_text("utf-8"))
            facts["software"] = "soakrig 0.0.9"
            facts["from-another-version"] = {"unknown": [1, 2]}
            path.write_text(json.dumps(facts), encoding="utf-8")
        logger = on.start()
        logger.until_readings("meter", 15)
        assert logger.stop() == 0, logger.said
        run = RunReader.open(on.run_path)
        found = judge(run, on.meter, "meter")
        assert found.wrong == []
        software = [session.software for session in run.sessions]
        assert software[0] == "soakrig 0.0.9"
        assert software[1] != software[0]
        return f"goes on with the run, each session names its version: {', '.join(software)}"


@provocation("process", "asked where it hangs", "SIGUSR1 while a reply is awaited")
def where(folder: Path) -> str:
    def lazy(meter: Meter, line: bytes) -> None:
        meter.pause(0.08 if line == b"V?" else 0.0)
        well(meter, line)

    with stage(folder, TcpPort()) as on:
        on.meter.behave = lazy
        logger = on.start()
        logger.until_readings("meter", 5)

        def answered() -> bool:
            logger.send(signal.SIGUSR1)  # again, until the poller is caught while it waits for a reply
            return "wait_readable" in logger.said

        logger.until("the answer", answered)
        logger.until_readings("meter", 5)
        told = logger.said
        assert "recorder.py" in told
        assert "supervisor.py" in told
        assert logger.stop() == 0
        return "every thread with its place in the code on stderr; recording goes on"


@provocation("process", "folder it was started in is gone", "the working directory removed under it")
def no_folder(folder: Path) -> str:
    gone = folder / "gone"
    gone.mkdir()
    with stage(folder, TcpPort()) as on:
        prefix = ["sh", "-c", f'cd "{gone}" && rmdir "{gone}" && exec "$@"', "sh"]
        on.write()
        logger = on.start(prefix=prefix, environment={"PYTHONPATH": str(ROOT)})
        logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=set())
        return f"{found.good} readings, none missing"
