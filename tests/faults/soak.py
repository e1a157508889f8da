"""Weeks in minutes: ``python -m tests.faults.soak --readings 60000000`` (four weeks of 25 channels at 1 Hz).

The real recorder, limits, derived channel, journal, sealing children and daily merges; only the clock is
wound forward by a second per round, and the readings are made here. Memory, descriptors and threads of
the recording process are sampled; at the end every reading must be there, exactly once, in order.
"""

from __future__ import annotations

import argparse
import gc
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from rig.daemon.intake import Intake, Notice
from rig.daemon.recorder import Recorder
from rig.domain import layout_json
from rig.domain.derived import DerivedChannels
from rig.domain.formula import Formula
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, EventKind, Layout, Limit, Scan, Side, Unit
from rig.store import rundir
from rig.store.reader import RunReader
from rig.store.writer import RunWriter
from tests.daemon.fakes import Supervision

SECOND_NS = 1_000_000_000
CHANNELS = 24
"""Measured ones; one more is derived from them."""
SAMPLES = 40
UTC_NS = 1_767_225_600_000_000_000
"""2026-01-01 00:00:00 UTC."""


class WoundClock:
    """A clock that is moved by hand; all three hands agree."""

    def __init__(self) -> None:
        self.now_ns = 1000 * SECOND_NS

    def monotonic_ns(self) -> int:
        return self.now_ns

    def boot_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        return UTC_NS + self.now_ns

    def boot_id(self) -> str:
        return "soak"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """How the recording process stood."""

    readings: int
    resident_mb: float
    descriptors: int
    threads: int
    objects: int


def _layout() -> Layout:
    limits = (Limit(side=Side.HIGH, value=2.0, early=1.5, deadband=0.1, on_delay_s=5.0),)
    named = [Channel(name="n", unit_of_measure="1", unit="A1", kind=ChannelKind.RESPONSE)]
    named += [
        Channel(name=f"c{k}", unit_of_measure="V", unit="A1", kind=ChannelKind.RESPONSE, limits=limits)
        for k in range(1, CHANNELS)
    ]
    named.append(
        Channel(name="sum", unit_of_measure="V", unit="A1", kind=ChannelKind.RESPONSE, formula="c1 + c2")
    )
    channels = {one.name: one for one in named}
    unit = Unit(name="A1", serial="1", load="8 ohm", channels=tuple(channels))
    return Layout(rig="soak", units={"A1": unit}, channels=channels, instruments={})


class Soak:
    """One accelerated run in a folder."""

    def __init__(self, folder: Path) -> None:
        layout = _layout()
        half = CHANNELS // 2
        names = list(layout.channels)
        blocks = [tuple(names[:half]), tuple(names[half:CHANNELS]), ("sum",)]
        self.clock = WoundClock()
        self.run = rundir.create(
            folder, rig="soak", created_ns=self.clock.utc_ns(), software="0", name="soak"
        )
        config = rundir.freeze_config(self.run, "soak", layout_json.to_json(layout))
        self.writer = RunWriter(
            self.run, session=1, boot_id="soak", boot_ns=self.clock.boot_ns(), utc_ns=self.clock.utc_ns(),
            synchronised=True, blocks=blocks, software="0", host="soak", config=config,
        )  # fmt: skip
        self.intake = Intake()
        formula = Formula("c1 + c2")
        self.recorder = Recorder(
            intake=self.intake,
            writer=self.writer,
            evaluation=Evaluation(blocks, layout.channels, self.clock.boot_ns()),
            derived=DerivedChannels(blocks, {"sum": (("c1", "c2"), formula.evaluate)}),
            clock=self.clock,
            sync_s=1.0,
        )
        self.watched = Supervision(
            {}, self.recorder, self.writer, self.intake, run_path=self.run.path, clock=self.clock
        )
        self.half = half
        self.second = 0

    def advance(self) -> None:
        """Record one second: two exchanges, and now and then an excursion, a note, a failed poll."""
        k = self.second
        self.second += 1
        self.clock.now_ns += SECOND_NS
        level = 2.5 if k % 7200 < 30 and k > 7200 else 1.0 + k % 10 / 100
        status = 5 if k % 5000 == 17 else 0
        for block in (0, 1):
            values = (level,) * self.half
            if block == 0:
                values = (float(k), *values[1:])
            if status and block:
                values = (float("nan"),) * self.half
            scan = Scan(
                block=block, sent_ns=self.clock.now_ns - 20_000_000, received_ns=self.clock.now_ns,
                values=values, statuses=bytes([status * block]) * self.half,
            )  # fmt: skip
            self.intake.scan(scan, "meter")
        if k % 3600 == 0:
            self.intake.notice(Notice(
                kind=EventKind.NOTE, boot_ns=self.clock.now_ns, subject="run", text="still here",
            ))  # fmt: skip
        self.recorder.turn(0.0)
        if k % 600 == 0:
            self.watched.supervisor.look()

    def sample(self) -> Sample:
        gc.collect()
        process = psutil.Process()
        return Sample(
            readings=self.recorder.readings,
            resident_mb=process.memory_info().rss / 1e6,
            descriptors=process.num_fds(),
            threads=threading.active_count(),
            objects=len(gc.get_objects()),
        )

    def finish(self) -> None:
        """Stop as the logger does: close the journal, seal what is left, merge the last day."""
        self.writer.close()
        self.watched.sealer.finish()
        command = [sys.executable, "-m", "rig.store.seal", str(self.run.path), "--finish"]
        subprocess.run(command, check=True, capture_output=True)


def verdict(soak: Soak) -> str:
    """Return in words that every reading is there once; raises AssertionError if not."""
    run = RunReader.open(soak.run.path)
    assert run.skipped == (), run.skipped[:3]
    stored = sum(run.counts(sealed.name)[0] for sealed in run.catalogue.sealed)
    assert stored == soak.recorder.readings, (stored, soak.recorder.readings)
    series = run.series("n")
    assert bool((series.value == np.arange(soak.second)).all())
    assert bool((np.diff(series.t_ns) == SECOND_NS).all())
    kinds = [event.kind for event in run.events()]
    assert EventKind.STORE_FAULT not in kinds, [
        e.text for e in run.events() if e.kind is EventKind.STORE_FAULT
    ][:3]
    size = sum(path.stat().st_size for path in soak.run.path.rglob("*.parquet"))
    days = len(run.catalogue.sealed)
    return (
        f"{stored} readings and {len(kinds)} events in {days} sealed files, each once and in order; "
        f"{size / stored:.2f} bytes a reading"
    )


def growth(samples: list[Sample]) -> Mapping[str, Any]:
    """Return how each figure grew from a tenth of the way to the end."""
    early, late = samples[len(samples) // 10], samples[-1]
    return {
        "resident_mb": late.resident_mb - early.resident_mb,
        "descriptors": late.descriptors - early.descriptors,
        "threads": late.threads - early.threads,
        "objects": late.objects - early.objects,
    }


def soaked(folder: Path, readings: int, say: Any = print) -> tuple[list[Sample], str]:
    """Record so many readings; return the samples on the way and the verdict."""
    soak = Soak(folder)
    per_second = CHANNELS + 1
    seconds = max(SAMPLES, readings // per_second)
    every = max(1, seconds // SAMPLES)
    samples: list[Sample] = []
    while soak.second < seconds:
        soak.advance()
        if soak.second % every == 0:
            samples.append(soak.sample())
            say(samples[-1])
    soak.finish()
    return samples, verdict(soak)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.soak", description=__doc__)
    parser.add_argument("--readings", type=int, default=60_000_000)
    parser.add_argument("--folder", type=Path, help="where (default: a temporary folder)")
    options = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="soak-", dir=options.folder) as folder:
        samples, outcome = soaked(Path(folder), options.readings, lambda one: print(one, flush=True))
    took_s = time.monotonic() - began
    own = resource.getrusage(resource.RUSAGE_SELF)
    child = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(outcome)
    print(
        f"{samples[-1].readings / (CHANNELS + 1) / 86400:.1f} days in {took_s:.0f} s; "
        f"growth {dict(growth(samples))}; "
        f"processor {own.ru_utime + own.ru_stime:.0f} s, sealing {child.ru_utime + child.ru_stime:.0f} s; "
        f"largest sealing child {child.ru_maxrss / 1000:.0f} MB"
    )
    return 0


if __name__ == "__main__":
    os.nice(10)
    sys.exit(main())
