"""Targets 2 and 3: what the logger costs, how punctual it is, and how fast the recorder alone is."""

from __future__ import annotations

import os
import pty
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.clock import SYSTEM
from rig.daemon.intake import Intake
from rig.daemon.recorder import Recorder
from rig.domain.derived import DerivedChannels
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Limit, Scan, Side
from rig.store import rundir
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.writer import RunWriter
from tests.bench import month
from tests.bench.figures import Figure, at_least, at_most, environment, plain, python, soakrig
from tests.bench.peers import Peer, serving

TICKS = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Buses with one instrument each, and how many channels it reads how often."""

    buses: int
    channels: int
    poll_s: float
    serial: int = 0

    def fields(self, bus: int) -> int:
        """Return how many channels a bus has."""
        return self.channels * (bus + 1) // self.buses - self.channels * bus // self.buses

    def peers(self) -> list[Peer]:
        """Return the instruments; ``serial`` of them are on pseudo-terminals."""
        made = []
        for bus in range(self.buses):
            numbers = ",".join(f"{20 + 0.1234 * k:.4f}" for k in range(self.fields(bus)))
            kind = "pty" if bus < self.serial else "tcp"
            made.append(Peer(kind=kind, reply=f"{numbers}\n".encode().hex(), pause_s=0.005))
        return made

    def rig_text(self, addresses: list[str]) -> str:
        """Return the rig file."""
        lines = ["rig: bench-room", "runs: runs", "planned: 1 d", "buses:"]
        for bus, address in enumerate(addresses):
            where = f"serial: {address}, baud: 115200" if address.startswith("/") else f'tcp: "{address}"'
            lines.append(f"  bus{bus}: {{{where}}}")
        lines.append("instruments:")
        for bus in range(self.buses):
            names = ", ".join(f"f{k}" for k in range(self.fields(bus)))
            lines += [
                f"  m{bus}: {{bus: bus{bus}, driver: lines, poll: {self.poll_s * 1000:g} ms, timeout: 80 ms,",
                f'    terminator: LF, reads: [{{ask: "READ?", fields: [{names}]}}]}}',
            ]
        lines.append("channels:")
        for bus in range(self.buses):
            lines += [
                f"  c{bus}x{k}: {{from: m{bus}.f{k}, unit: V, high: 300 V, low: 1 V, deadband: 1 V}}"
                for k in range(self.fields(bus))
            ]
        return "\n".join(lines) + "\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """What a session of the logger was: processor share of one core, memory at two moments, its own words.

    late_ms: of its polls. idle_ms: p99 and greatest lateness of a loop beside it that only wakes up.
    still: polls in whose lateness a processor stood still; still_ms: how long they did, in all and at most.
    """

    share: float
    early_mb: float
    late_mb: float
    stop: Event
    readings: int
    gaps: int
    late_ms: NDArray[np.float64]
    idle_ms: tuple[float, float]
    still: NDArray[np.bool_]
    still_ms: tuple[float, float]


SLEEPER = """
import sys, time
late, due, end = [], time.monotonic(), time.monotonic() + float(sys.argv[1])
while due < end:
    due += 0.01
    time.sleep(max(due - time.monotonic(), 0))
    late.append(1000 * (time.monotonic() - due))
late.sort()
print(late[int(0.99 * len(late))], late[-1])
"""
"""A loop that does nothing but wake up: what it is late by is the machine's doing."""
STILL_MS = 2.0
WATCHMAN = f"""
import os, sys, time
os.sched_setaffinity(0, {{int(sys.argv[1])}})
os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(2))
due, end = time.monotonic(), time.monotonic() + float(sys.argv[2])
while due < end:
    due += {STILL_MS / 1000}
    time.sleep(max(due - time.monotonic(), 0))
    late = time.monotonic() - due
    if late > {STILL_MS / 1000}:
        now = time.time_ns()
        print(now - int(late * 1e9), now)
        due += late
"""
"""The same on one processor, before everything there, the logger too: when late, that processor stood still.

It cannot be told from inside whether the kernel or the host of a virtual machine kept it from running.
"""


def logged(room: Room, seconds: float, scratch: Path, beside: Path | None = None) -> Logged:
    """Return how the logger did with a room; ``beside``: a run that is explained over and over meanwhile."""
    folder = scratch / f"logger-{time.monotonic_ns()}"
    folder.mkdir()
    with ExitStack() as stack:
        rig = folder / "rig.yaml"
        rig.write_text(room.rig_text(stack.enter_context(serving(room.peers(), scratch))), encoding="utf-8")
        child = subprocess.Popen(
            soakrig("log", str(rig), "--for", f"{seconds + 6:g} s"), cwd=folder,
            stdout=stack.enter_context((folder / "said.txt").open("wb")), stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL, env=environment(scratch),
        )  # fmt: skip
        time.sleep(5.0)
        if beside is not None:
            stack.enter_context(_watched(folder / "runs", scratch))
            stack.enter_context(_explained(beside, scratch))
        sleeper = subprocess.Popen(
            python("-c", SLEEPER, f"{seconds - 2:g}"), stdout=subprocess.PIPE, env=environment(scratch)
        )
        watchmen = [
            subprocess.Popen(
                python("-c", WATCHMAN, str(processor), f"{seconds:g}"), stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL, env=environment(scratch),
            ) for processor in sorted(os.sched_getaffinity(0))
        ]  # fmt: skip
        begun, early = time.monotonic(), _processor_s(child.pid)
        early_mb = _resident_mb(child.pid)
        time.sleep(seconds - 1)
        share = (_processor_s(child.pid) - early) / (time.monotonic() - begun)
        late_mb = _resident_mb(child.pid)
        p99, most = (float(one) for one in sleeper.communicate()[0].split())
        said = b" ".join(one.communicate()[0] for one in watchmen)
        spans_ns = np.array(said.split(), np.int64).reshape(-1, 2)
        np.savetxt(folder / "stood-still.txt", spans_ns, fmt="%d", header="begin and end of each, UTC ns")
        if child.wait(60):
            raise RuntimeError(f"the logger ended with {child.returncode}: see {folder}")
    run = RunReader.open(rundir.newest_run(folder / "runs"))
    (stop,) = run.events_of({EventKind.SESSION_STOP})
    sent_ns, late_ms = _lateness(run, room)
    lengths_ms = np.diff(spans_ns, axis=1).ravel() / 1e6
    return Logged(
        share=share, early_mb=early_mb, late_mb=late_mb, stop=stop, readings=stop.data["readings"],
        gaps=len(run.events_of({EventKind.GAP, EventKind.INSTRUMENT_LOST})), late_ms=late_ms,
        idle_ms=(p99, most), still=_touched(sent_ns - late_ms * 1e6, sent_ns, spans_ns),
        still_ms=(float(lengths_ms.sum()), float(lengths_ms.max(initial=0.0))),
    )  # fmt: skip


def _touched(
    start_ns: NDArray[np.float64], end_ns: NDArray[np.int64], spans_ns: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return which stretches of time touch one of the spans."""
    found = np.zeros(len(end_ns), np.bool_)
    for begin, end in spans_ns:
        found |= (start_ns <= end) & (end_ns >= begin)
    return found


def _lateness(run: RunReader, room: Room) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return when all polls were sent (UTC ns) and how late that was (ms), by the record.

    The promptest twentieth of a bus's polls counts as in time; the first five seconds are left out:
    instruments are introduced then.
    """
    late, sent = [], []
    period_ms = room.poll_s * 1000
    for bus in range(room.buses):
        found = run.series(f"c{bus}x0")
        sent_ns = (found.t_ns - found.h_ns)[round(5 / room.poll_s) :]
        sent.append(sent_ns)
        sent_ms = (sent_ns - sent_ns[0]) / 1e6
        phase = sent_ms - np.round(sent_ms / period_ms) * period_ms
        late.append(np.maximum(phase - np.quantile(phase, 0.05), 0.0))
    return np.concatenate(sent), np.concatenate(late)


def _processor_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def _resident_mb(process: int) -> float:
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * PAGE / 1e6


@contextmanager
def _watched(runs: Path, scratch: Path) -> Iterator[None]:
    """Keep the live view of a run open on a terminal."""
    master, slave = pty.openpty()
    child = subprocess.Popen(
        soakrig("watch", str(runs)), stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
        env={**environment(scratch), "TERM": "xterm-256color"},
    )  # fmt: skip
    os.close(slave)

    def read() -> None:
        try:
            while os.read(master, 65_536):
                pass
        except OSError:
            return

    threading.Thread(target=read, daemon=True).start()
    try:
        yield
    finally:
        child.terminate()
        child.wait()
        os.close(master)


@contextmanager
def _explained(run: Path, scratch: Path) -> Iterator[None]:
    """Run post-mortems, one after the other."""
    ending = threading.Event()

    def explain() -> None:
        while not ending.is_set():
            command = soakrig("postmortem", str(run), "--anew")
            subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env=environment(scratch))

    thread = threading.Thread(target=explain)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


def cost(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 3."""
    seconds = 15.0 if short else 60.0
    small = logged(Room(buses=6, channels=60, poll_s=1.0), seconds, scratch)
    large = logged(Room(buses=10, channels=1000, poll_s=1.0), seconds, scratch)
    written, sealed = recorder_alone(scratch, 2_000_000)
    return [
        at_most("60 channels at 1 Hz: processor share of a core", 100 * small.share, 2, "%"),
        at_most("  resident memory", small.late_mb, 120, "MB"),
        plain(f"  grown in {seconds:g} s by", small.late_mb - small.early_mb, "MB"),
        at_most("1,000 channels at 1 Hz: processor share of a core", 100 * large.share, 15, "%"),
        plain("  resident memory", large.late_mb, "MB"),
        at_least("recorder alone, judged and journalled: readings a second", written, 1e6),
        plain("sealing into Parquet, read back: readings a second", sealed),
        at_least("both, one after the other", 1 / (1 / written + 1 / sealed), 1e6),
    ]


def recorder_alone(scratch: Path, readings: int) -> tuple[float, float]:
    """Return readings a second through queue, limits and journal, and from the journal into Parquet."""
    folder = scratch / f"recorder-{time.monotonic_ns()}"
    width = 60
    names = tuple(f"c{k}" for k in range(width))
    limits = (Limit(side=Side.HIGH, value=300.0, deadband=1.0), Limit(side=Side.LOW, value=1.0))
    channels = {
        name: Channel(name=name, unit_of_measure="V", unit=None, kind=ChannelKind.RESPONSE, limits=limits)
        for name in names
    }
    run = rundir.create(folder, rig="bench", created_ns=SYSTEM.utc_ns(), software="bench")
    begin_ns = SYSTEM.boot_ns()
    writer = RunWriter(
        run, session=1, boot_id="bench", boot_ns=begin_ns, utc_ns=SYSTEM.utc_ns(), synchronised=True,
        blocks=(names,), software="bench", host="bench",
    )  # fmt: skip
    intake = Intake()
    recorder = Recorder(
        intake=intake, writer=writer, evaluation=Evaluation((names,), channels, begin_ns),
        derived=DerivedChannels((names,), {}), clock=SYSTEM, sync_s=1.0,
    )  # fmt: skip
    rng = np.random.default_rng(1)
    rows = [tuple(row.tolist()) for row in np.round(rng.normal(50, 2, (4096, width)), 2)]
    good, batch = bytes(width), 2000
    scans = readings // width
    spent = 0.0
    for start in range(0, scans, batch):
        made = [
            Scan(block=0, sent_ns=begin_ns + k * 1000, received_ns=begin_ns + k * 1000 + 500,
                 values=rows[k % 4096], statuses=good)
            for k in range(start, min(start + batch, scans))
        ]  # fmt: skip
        began = time.monotonic()
        for scan in made:
            intake.scan(scan, "bench")
        while intake.depth():
            recorder.turn(0.0)
        spent += time.monotonic() - began
    recorder.sync()
    writer.close()
    begun = time.monotonic()
    outcome = seal(run, finish=True)
    sealing = time.monotonic() - begun
    assert not outcome.wrong
    return scans * width / spent, scans * width / sealing


def punctuality(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 2."""
    seconds = 60.0 if short else 600.0
    room = Room(buses=16, channels=200, poll_s=0.1, serial=8)
    alone = logged(room, seconds / 4, scratch)
    beside = logged(room, seconds, scratch, month.made(scratch, 4 if short else 28))
    found = []
    for words, one in (("", alone), (", live view open, post-mortems beside", beside)):
        words_of_own = one.stop.data["lateness_ms"].values()
        expected = room.channels * (seconds / 4 + 6 if one is alone else seconds + 6) / room.poll_s
        found += [
            at_most(f"lateness p99{words}", float(np.quantile(one.late_ms, 0.99)), 2, "ms"),
            plain("  median", float(np.median(one.late_ms)), "ms"),
            at_most("  greatest", float(one.late_ms.max()), 20, "ms"),
            plain("  greatest while the processors ran", float(one.late_ms[~one.still].max()), "ms"),
            plain("  a processor stood still (no real-time loop ran there): in all", one.still_ms[0], "ms"),
            plain("    at most", one.still_ms[1], "ms"),
            plain("    share of the polls it touched", 100 * float(one.still.mean()), "%"),
            plain("  a loop that only wakes up, beside it: p99", one.idle_ms[0], "ms"),
            plain("  a loop that only wakes up, beside it: greatest", one.idle_ms[1], "ms"),
            plain("  p99 by the logger's own count, worst bus", max(w[1] for w in words_of_own), "ms"),
            at_most("  gaps and lost instruments in the record", one.gaps, 0),
            plain("  readings over those due", one.readings / expected),
            plain("  processor share of a core", 100 * one.share, "%"),
        ]
    return found
