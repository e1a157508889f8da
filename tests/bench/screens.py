"""Targets 6 and 7: how soon something stands on the screen, pictures and frames."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import shutil
import signal
import statistics
import struct
import subprocess
import termios
import time
from pathlib import Path

from rig.store import rundir
from tests.bench import month
from tests.bench.figures import Figure, at_most, compared, environment, plain, python, soakrig

RUNS = 500
PYARROW = """
import glob, sys
import pyarrow.parquet as pq
names = sys.argv[2:]
for path in sorted(glob.glob(f"{sys.argv[1]}/readings/*.parquet"))[:7]:
    pq.read_table(path, columns=["time", "channel", "value", "status"], filters=[("channel", "in", names)])
"""


def screens(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 6."""
    path = month.made(scratch, 4 if short else 28)
    turns = 3 if short else 7
    samples = compared(
        {
            "help": soakrig("--help"),
            "rich": python("-c", "import rich"),
            "ls": soakrig("ls", str(_many_runs(scratch))),
        },
        turns, scratch,
    )  # fmt: skip
    first = [_first_screen(path, scratch) for _ in range(turns + 1)][1:]
    return [
        plain("python -c 'import rich': median wall", samples["rich"].wall_s, "s"),
        at_most("soakrig --help over it, wall", samples["help"].wall_s / samples["rich"].wall_s, 1.5),
        at_most("soakrig --help over it, processor time", samples["help"].cpu_s / samples["rich"].cpu_s, 1.5),
        at_most("watch: first screen, median wall", statistics.median(first), 0.5, "s"),
        at_most(f"ls over {RUNS} runs: median wall", samples["ls"].wall_s, 1.0, "s"),
        plain("  processor time", samples["ls"].cpu_s, "s"),
    ]


def _many_runs(scratch: Path) -> Path:
    """Return a folder of many runs: each has a day's index, its events, and a manifest of its own."""
    folder = scratch / f"runs-{RUNS}"
    if (folder / "done").exists():
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    small = month.made(scratch, 2)
    for k in range(RUNS):
        copy = folder / f"run-{k:03d}"
        copy.mkdir(parents=True)
        for one in small.rglob("*"):
            target = copy / one.relative_to(small)
            if one.is_dir():
                target.mkdir(exist_ok=True)
            elif one.stat().st_nlink < 900:
                os.link(one, target)
            else:
                shutil.copy(one, target)
    (folder / "done").touch()
    assert len(rundir.list_runs(folder)) == RUNS
    return folder


def _first_screen(path: Path, scratch: Path) -> float:
    """Return the seconds from starting ``watch`` to the first full picture on a terminal."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    begun = time.monotonic()
    child = subprocess.Popen(
        soakrig("watch", str(path)), stdin=slave, stdout=slave, stderr=slave,
        env={**environment(scratch), "TERM": "xterm-256color"}, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    seen = b""
    try:
        while b"A6" not in seen:  # the last unit of the room stands on the picture
            if time.monotonic() - begun > 60:
                raise RuntimeError(f"no picture within a minute: {seen[-500:]!r}")
            if select.select([master], [], [], 1.0)[0]:
                seen += os.read(master, 65_536)
        return time.monotonic() - begun
    finally:
        child.send_signal(signal.SIGTERM)
        while child.poll() is None:
            if select.select([master], [], [], 0.05)[0]:
                try:
                    os.read(master, 65_536)
                except OSError:
                    break
        child.wait()
        os.close(master)


def pictures(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 7."""
    days = 4 if short else 28
    path = month.made(scratch, days)
    names = [name for name in month.channels(path) if name.startswith("A1.")]
    week = month.START_NS + min(days, 7) * month.DAY_NS
    frame = f"import rig; print(len(rig.open({str(path)!r}).table('A1.*', end={week})))"
    samples = compared(
        {
            "plot": soakrig("plot", str(path), "A1.heatsink", "--to", str(scratch / "plot.svg")),
            "frame": python("-c", frame),
            "pyarrow": python("-c", PYARROW, str(path), *names),
            "pandas": python("-c", "import pandas"),
        },
        3 if short else 5, scratch,
    )  # fmt: skip
    table, read, base = samples["frame"], samples["pyarrow"], samples["pandas"]
    inner = _inside(path, names, week)
    return [
        at_most(f"envelope plot of {days} days of a channel: median wall", samples["plot"].wall_s, 2.0, "s"),
        plain("  processor time", samples["plot"].cpu_s, "s"),
        plain("wide frame of one unit, a week at 1 Hz, in a fresh process", table.wall_s, "s"),
        plain("  of it: python -c 'import pandas'", base.wall_s, "s"),
        plain("pyarrow reading the same readings, in a fresh process", read.wall_s, "s"),
        at_most("wide frame over pyarrow's read, in one process", inner, 2),
    ]


def _inside(path: Path, names: list[str], week_ns: int) -> float:
    """Return what a wide frame takes over pyarrow's own read of the same readings, in this process."""
    import pyarrow.parquet as pq

    import rig

    files = sorted((path / "readings").glob("*.parquet"))[:7]

    def read(_: float) -> float:
        begun = time.process_time()
        for file in files:
            columns = ["time", "channel", "value", "status"]
            pq.read_table(file, columns=columns, filters=[("channel", "in", names)])
        return time.process_time() - begun

    def frame(_: float) -> float:
        begun = time.process_time()
        rig.open(path).table(*names, end=week_ns)
        return time.process_time() - begun

    ratios = []
    for turn in range(6):
        ours, theirs = frame(0), read(0)
        if turn:
            ratios.append(ours / theirs)
    return statistics.median(ratios)
