"""The real logger really killed, at random moments: what another process had read from its journal stays."""

from __future__ import annotations

import argparse
import random
import signal
import tempfile
import time
from pathlib import Path

from rig.domain.model import EventKind
from rig.store.reader import RunReader
from rig.store.verify import verify
from tests.faults.catalogue import provocation
from tests.faults.meter import TcpPort
from tests.faults.stage import Stage, judge, stage


def kill_often(folder: Path, times: int, seed: int) -> str:
    """Kill the logger ``times`` times; return in words what was acknowledged and what of it is missing."""
    dice = random.Random(seed)
    with stage(folder, TcpPort()) as on:
        witnessed: dict[tuple[int, int], float] = {}
        early = 0
        for k in range(times):
            if dice.random() < 0.15:
                early += _killed_early(on, dice)
                continue
            logger = on.start()
            logger.until_readings("meter", dice.randint(1, 8))
            time.sleep(dice.uniform(0.0, 0.3))
            logger.look()
            logger.send(signal.SIGKILL)
            logger.process.wait(10)
            for scan in logger.scans:
                if scan.channels == ("meter",):
                    witnessed[scan.session, scan.seq] = scan.values[0]
            if k % 50 == 49:
                _check(on, witnessed)
        logger = on.start()
        logger.until_readings("meter", 5)
        assert logger.stop() == 0, logger.said
        good = _check(on, witnessed)
        run = RunReader.open(on.run_path)
        assert [session.clean for session in run.sessions] == [False] * (len(run.sessions) - 1) + [True]
        # one that was killed before it could say so itself leaves the one before it unmentioned
        broken = sum(1 for one in run.events() if one.kind is EventKind.SESSION_BROKEN)
        assert broken >= len(run.sessions) - 1 - early
        assert verify(on.run_path).faults == ()
        return (
            f"{times} kills ({early} during the start), {len(witnessed)} readings witnessed in journals, "
            f"0 of them lost or changed; {good} readings in {len(run.sessions)} sessions"
        )


def _killed_early(on: Stage, dice: random.Random) -> int:
    logger = on.start()
    time.sleep(dice.uniform(0.0, 1.2))
    logger.send(signal.SIGKILL)
    logger.process.wait(10)
    return 1


def _check(on: Stage, witnessed: dict[tuple[int, int], float]) -> int:
    run = RunReader.open(on.run_path)
    found = judge(run, on.meter, "meter")
    assert found.wrong == [], found.wrong[:3]
    recorded = set(run.series("meter").value.tolist())
    lost = [value for value in witnessed.values() if value == value and value not in recorded]
    assert lost == [], f"{len(lost)} acknowledged readings lost"
    return found.good


@provocation(
    "process", "killed at random", "SIGKILL of the real logger, 12 times a try, some during its start"
)
def killed(folder: Path) -> str:
    return kill_often(folder, 12, seed=time.monotonic_ns())


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.kills", description=__doc__)
    parser.add_argument("--times", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        outcome = kill_often(Path(folder), options.times, options.seed)
    print(f"{outcome}, {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
