"""Targets 4 and 5: bytes a reading, and a month's post-mortem beside the same question to other tools."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np

from rig.domain.model import Side
from rig.store.reader import RunReader
from tests.bench import month
from tests.bench.figures import Figure, at_least, at_most, compared, plain, python, run, soakrig, table

DUCKDB = """
import duckdb, json, sys
folder, limits = sys.argv[1], json.load(open(sys.argv[2]))
base = duckdb.connect()
base.execute("CREATE TABLE limits (channel VARCHAR, low DOUBLE, high DOUBLE)")
base.executemany("INSERT INTO limits VALUES (?, ?, ?)", limits)
rows = base.execute(f'''
    SELECT r.channel,
      min(time) FILTER (value > high OR value < low), max(time) FILTER (value > high OR value < low),
      min(time) FILTER (value <= high AND value >= low), max(time) FILTER (value <= high AND value >= low)
    FROM read_parquet('{folder}/readings/*.parquet') r JOIN limits l ON r.channel = l.channel
    WHERE status = 0 GROUP BY r.channel''').fetchall()
print(len(rows))
"""
PANDAS = """
import json, sys, pathlib
import pandas as pd
folder, limits = sys.argv[1], json.load(open(sys.argv[2]))
limits = pd.DataFrame(limits, columns=["channel", "low", "high"]).set_index("channel")
found = []
for path in PATHS:
    frame = pd.read_parquet(path, columns=["time", "channel", "value", "status"])
    frame = frame[frame.status == 0]
    low, high = (frame.channel.map(limits[name]).astype(float) for name in ("low", "high"))
    frame["outside"] = (frame.value > high) | (frame.value < low)
    found.append(frame.groupby(["channel", "outside"], observed=True).time.agg(["min", "max"]))
print(len(pd.concat(found).groupby(level=[0, 1], observed=True).agg({"min": "min", "max": "max"})))
"""
BY_FILE = PANDAS.replace("PATHS", "sorted(pathlib.Path(folder, 'readings').glob('*.parquet'))")
AT_ONCE = PANDAS.replace("PATHS", "[pathlib.Path(folder, 'readings')]")
AT_ONCE_BYTES = 120
"""Memory that pandas takes for a reading when it has all of them at once."""


def limits_file(path: Path, scratch: Path) -> str:
    """Write the limits of a run for the other tools; return where."""
    rows = []
    for channel in RunReader.open(path).layout.channels.values():
        bounds = {limit.side: limit.value for limit in channel.limits}
        rows.append((channel.name, bounds.get(Side.LOW, -1e300), bounds.get(Side.HIGH, 1e300)))
    target = scratch / f"{path.name}-limits.json"
    target.write_text(json.dumps(rows), encoding="utf-8")
    return str(target)


def postmortem(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 5.

    Ready: as the logger leaves a run when it stops, with its answer worked out. Anew: from the readings.
    """
    days = 4 if short else 28
    path = month.made(scratch, days)
    limits = limits_file(path, scratch)
    samples = compared(
        {
            "ready": soakrig("postmortem", str(path)),
            "anew": soakrig("postmortem", str(path), "--anew"),
            "duckdb": python("-c", DUCKDB, str(path), limits),
        },
        2 if short else 5, scratch,
    )  # fmt: skip
    ready, anew, duckdb = samples["ready"], samples["anew"], samples["duckdb"]
    found = [
        at_most(f"post-mortem of {days} days, 60 channels, 1 Hz, ready: median wall", ready.wall_s, 1.0, "s"),
        at_most("  worked out anew: median wall", anew.wall_s, 1.0, "s"),
        plain("    best wall", anew.best_s, "s"),
        plain("    processor time, all told", anew.cpu_s, "s"),
        at_most("    peak memory", anew.peak_mb, 300, "MB"),
        plain("DuckDB, first and last time inside/outside: median wall", duckdb.wall_s, "s"),
        plain("  processor time", duckdb.cpu_s, "s"),
        at_least("  over soakrig's answer that is ready, wall", duckdb.wall_s / ready.wall_s, 10),
        plain("  over soakrig's worked out anew, wall", duckdb.wall_s / anew.wall_s),
        plain("  over soakrig's worked out anew, processor time", duckdb.cpu_s / anew.cpu_s),
    ]
    for words, code in _pandas_ways(days):
        pandas = run(python("-c", code, str(path), limits), scratch)
        found += [
            plain(f"pandas, the same, {words}: wall", pandas.wall_s, "s"),
            plain("  peak memory", pandas.peak_mb / 1000, "GB"),
            at_least("  over soakrig's answer that is ready, wall", pandas.wall_s / ready.wall_s, 100),
            plain("  over soakrig's worked out anew, wall", pandas.wall_s / anew.wall_s),
        ]
    return found


def _pandas_ways(days: int) -> list[tuple[str, str]]:
    """Return how pandas is asked: the plain way where the machine has the memory for it, and file by file."""
    ways = [("all files at once", AT_ONCE), ("file by file", BY_FILE)]
    available = re.search(r"MemAvailable: *([0-9]+) kB", Path("/proc/meminfo").read_text())
    room = 1024 * int(available[1]) if available else 0
    return ways if room > days * 86_400 * 60 * AT_ONCE_BYTES else ways[1:]


def growth(scratch: Path, *, short: bool) -> list[Figure | str]:
    """Return how a post-mortem grows with the length of the recording and the number of excursions."""
    lengths = [2, 4, 8] if short else [4, 8, 16, 28, 112, 364]
    runs = {str(days): soakrig("postmortem", str(month.made(scratch, days)), "--anew") for days in lengths}
    samples = compared(runs, 2 if short else 3, scratch)
    costs = [samples[str(days)].cpu_s for days in lengths]
    counts = [8, 32, 128] if short else [8, 32, 128, 512]
    made = {
        str(n): soakrig("postmortem", str(month.made(scratch, 4, excursions=n)), "--anew") for n in counts
    }
    busy = compared(made, 2, scratch)
    return [
        "  post-mortem worked out anew, by length of the recording (processor time):",
        *table("days", lengths, costs, "s"),
        at_most(f"{lengths[-1]} days over {lengths[-3]} days", costs[-1] / costs[-3], 2),
        "  post-mortem of 4 days, by further excursions of one channel (processor time):",
        *table("excursions", counts, [busy[str(n)].cpu_s for n in counts], "s"),
    ]


def disk(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 4."""
    path = month.made(scratch, 2 if short else 28)
    opened = RunReader.open(path)
    rows = sum(stretch.rows for name in opened.layout.channels for stretch in opened.stretches(name))
    sizes = {
        folder.name: sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
        for folder in path.iterdir() if folder.is_dir()
    }  # fmt: skip
    whole = sum(sizes.values()) / rows
    found = [at_most(f"{rows / 1e6:.0f} M readings: bytes a reading, all told", whole, 4)]
    found += [plain(f"  of them {name}", size / rows) for name, size in sizes.items() if size / rows > 0.001]
    bits = [entropy(opened, name) for name in opened.layout.channels]
    measured = [b for b, c in zip(bits, opened.layout.channels.values(), strict=True) if c.formula is None]
    found += [
        plain("ideal: entropy of a measured value", float(np.mean(measured)) / 8, "bytes"),
        plain("ideal: of all values, derived ones counted", float(np.mean(bits)) / 8, "bytes"),
    ]
    return found


def entropy(run: RunReader, channel: str) -> float:
    """Return the bits a reading of a channel needs: the lesser of value's and difference's entropy, one day.

    Zero-order, from the frequencies in the day (Shannon); for values that hardly repeat it is too low.
    """
    value = run.pieces(channel)[0].series().value
    value = value[np.isfinite(value)]
    least = np.inf
    for row in (value, np.round(np.diff(value), 6)):
        _, counts = np.unique(row, return_counts=True)
        share = counts / counts.sum()
        least = min(least, float(-(share * np.log2(share)).sum()))
    return least
