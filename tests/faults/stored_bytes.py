"""Damage to what is stored already, and to its sealing: flipped bits, cut tails, killed sealers."""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Sequence
from pathlib import Path

from rig.domain.model import EventKind
from rig.store.reader import RunReader
from rig.store.verify import verify
from tests.faults.catalogue import provocation
from tests.faults.clocks import to_next_hour_ns
from tests.faults.logger import Logger
from tests.faults.meter import TcpPort
from tests.faults.shim import ENOSPC, Shim
from tests.faults.stage import Stage, end_and_judge, judge, stage

FLIPS = 120


def _recorded(on: Stage, number: int = signal.SIGTERM) -> Path:
    """Record a little; return the run. SIGTERM leaves it sealed, SIGKILL leaves journals."""
    logger = on.start()
    logger.until_readings("meter", 60)
    logger.stop(number)
    return on.run_path


def _flipped(on: Stage, run: Path, files: Sequence[Path], *, seed: int) -> str:
    """Flip single bits all over the files, one at a time; each must be found and no reading be wrong."""
    dice = random.Random(seed)
    whole = judge(RunReader.open(run), on.meter, "meter").good
    assert verify(run).faults == ()
    weights = [path.stat().st_size for path in files]
    silent: list[str] = []
    for path in dice.choices(files, weights, k=FLIPS):
        raw = path.read_bytes()
        at, bit = dice.randrange(len(raw)), dice.randrange(8)
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 1 << bit]) + raw[at + 1 :])
        try:
            found = judge(RunReader.open(run), on.meter, "meter")
            assert found.wrong == [], f"{path.name}, byte {at}, bit {bit}: {found.wrong[0]}"
            if not any(fault.path.name == path.name for fault in verify(run).faults):
                silent.append(f"{path.name}, byte {at} of {len(raw)}, bit {bit}")
        finally:
            path.write_bytes(raw)
    assert silent == [], f"{len(silent)} not found: {silent[:5]}"
    assert judge(RunReader.open(run), on.meter, "meter").good == whole
    return f"{FLIPS} single bits flipped, each found in its file; no reading ever wrong"


@provocation("storage", "bits flipped in sealed files", "one bit at a time in readings, events and index")
def flipped_sealed(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        run = _recorded(on)
        names = ("readings", "events", "sealed")
        files = [path for name in names for path in (run / name).iterdir() if path.name[0] != "."]
        assert len(files) == 3
        return _flipped(on, run, files, seed=3)


@provocation("storage", "bits flipped in a journal", "one bit at a time in the journal of a killed logger")
def flipped_journal(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        run = _recorded(on, signal.SIGKILL)
        return _flipped(on, run, list((run / "journal").iterdir()), seed=4)


@provocation(
    "storage",
    "torn tail of a journal",
    "killed, the tail cut or zeroed at random as a power cut leaves it, 5 times",
)
def torn_tail(folder: Path) -> str:
    dice = random.Random(5)
    with stage(folder, TcpPort()) as on:
        kept = torn = 0
        for k in range(5):
            _recorded(on, signal.SIGKILL)
            path = max((on.run_path / "journal").iterdir())
            raw = path.read_bytes()
            cut = dice.randrange(len(raw) * 3 // 4, len(raw))
            tail = bytes(len(raw) - cut) if k % 2 else b""
            path.write_bytes(raw[:cut] + tail)
            torn += bool(verify(on.run_path).faults)  # a cut between two records leaves nothing torn
            kept = judge(RunReader.open(on.run_path), on.meter, "meter").good
        logger = on.start()
        logger.until_readings("meter", 10)
        assert logger.stop() == 0, logger.said
        run = RunReader.open(on.run_path)
        found = judge(run, on.meter, "meter")
        assert found.wrong == []
        assert found.good >= kept + 10
        damage = [one for one in run.events() if one.kind is EventKind.DAMAGE]
        assert len(damage) == torn
        assert torn > 1
        broken = [one for one in run.events() if one.kind is EventKind.SESSION_BROKEN]
        assert len(broken) == 5
        set_aside = len(list((on.run_path / "damaged").glob("*.bytes")))
        return (
            f"{len(damage)} told with their place, {set_aside} tails set aside, {found.good} readings right"
        )


@provocation(
    "storage", "foreign and broken files among the readings", "empty, truncated, garbage and temporary names"
)
def foreign(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        run = _recorded(on)
        readings = run / "readings"
        whole = next(readings.glob("2*.parquet"))
        count = judge(RunReader.open(run), on.meter, "meter").good
        (readings / "empty.parquet").write_bytes(b"")
        (readings / "garbage.parquet").write_bytes(random.Random(1).randbytes(5000))
        (readings / "2026-01-01T00-000003-000003.parquet").write_bytes(whole.read_bytes()[:300])
        (readings / ".2026-01-01T00-000004-000004.parquet.tmp").write_bytes(b"PAR1")
        (readings / "notes.txt").write_text("hello")
        opened = RunReader.open(run)
        found = judge(opened, on.meter, "meter")
        assert found.wrong == []
        assert found.good == count
        named = {one.path.name for one in opened.skipped}
        assert {"empty.parquet", "garbage.parquet", "notes.txt"} <= named, named
        logger = on.start()
        logger.until_readings("meter", 5)
        assert logger.stop() == 0
        assert judge(RunReader.open(run), on.meter, "meter").good > count
        return f"{len(named)} files listed with their reason, all {count} readings there, recording goes on"


def _sealer(logger: Logger) -> int:
    """Return the process that seals, 0 if there is none now."""
    for task in Path(f"/proc/{logger.pid}/task").iterdir():
        for child in map(int, (task / "children").read_text().split()):
            if b"rig.store.seal" in Path(f"/proc/{child}/cmdline").read_bytes():
                return child
    return 0


@provocation(
    "storage",
    "sealing killed at random",
    "kill -9 of the sealing child while the logger runs, then at the desk 8 times",
)
def sealer_killed(folder: Path) -> str:
    import subprocess
    import sys

    shim = Shim(folder)
    shim.order(realtime_ns=to_next_hour_ns(4.0))
    dice = random.Random(8)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=shim.environment)
        logger.until("a child seals", lambda: _sealer(logger) > 0)
        os.kill(_sealer(logger), signal.SIGKILL)
        fault = logger.until_event(EventKind.STORE_FAULT)
        assert fault.data["exit"] == -9
        logger.until_readings("meter", 20)
        logger.stop(signal.SIGKILL)
        for _ in range(8):
            command = [sys.executable, "-m", "rig.store.seal", str(on.run_path), "--finish"]
            with subprocess.Popen(command, stderr=subprocess.DEVNULL) as sealer:
                time.sleep(dice.uniform(0.05, 0.7))
                sealer.kill()
            found = judge(RunReader.open(on.run_path), on.meter, "meter")
            assert found.wrong == []
        after = on.start()
        after.until_readings("meter", 5)
        assert after.stop() == 0
        found = judge(RunReader.open(on.run_path), on.meter, "meter")
        assert found.wrong == []
        assert verify(on.run_path).faults == ()
        return f"9 sealers killed, {found.good} readings each there once"


@provocation(
    "storage", "disk full while sealing", "ENOSPC on writes to Parquet files at a rotation, then freed"
)
def sealing_refused(folder: Path) -> str:
    shim = Shim(folder)
    moved = to_next_hour_ns(4.0)
    with stage(folder, TcpPort()) as on:
        shim.order(realtime_ns=moved, part=".parquet", write_errno=ENOSPC)
        logger = on.start(environment=shim.environment)
        fault = logger.until_event(EventKind.STORE_FAULT)
        assert "No space left" in str(fault.data["said"]), fault
        shim.order(realtime_ns=moved)
        logger.until_readings("meter", 20)
        found = end_and_judge(on, logger, statuses=set())
        assert list((on.run_path / "journal").iterdir()) == [], "what was refused is sealed at the end"
        return f"told in the recording, journals kept and sealed later; {found.good} readings, none missing"
