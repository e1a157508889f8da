"""The account on a run that the store wrote and reads: journals, a crash, another boot, sealed files."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.domain.model import EventKind, Scan, Status
from rig.domain.recording import Recording
from rig.endurance.exposure import ExposureOptions, UnitExposure, exposures
from rig.endurance.margins import margins
from rig.endurance.phases_in_force import Phase, PhaseTarget
from rig.endurance.verdict import Decision, Record, Rule, verdict
from rig.rigfile.config import to_json
from rig.store import rundir
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.writer import RunWriter
from tests.endurance.rooms import Room, channel, limit

BOOT_NS = 7_000_000_000_000
UTC_NS = 1_767_225_600_000_000_000
S = 1_000_000_000
LOW = Phase(name="low", duration_s=540, targets={"mains": PhaseTarget(value=207, tolerance=3)})
HIGH = Phase(name="high", duration_s=300, targets={"mains": PhaseTarget(value=253, tolerance=3)})
BLOCKS = (("mains",), ("A1.heat", "A1.p"))


def scan(block: int, boot_ns: int, t_s: float, values: tuple[float, ...], status: int = Status.GOOD) -> Scan:
    sent = boot_ns + round(t_s * S)
    return Scan(
        block=block,
        sent_ns=sent,
        received_ns=sent + 20_000_000,
        values=values,
        statuses=bytes([status]) * len(values),
    )


def record(path: Path) -> rundir.RunDir:
    """Write a run: 400 s, a power cut, 100 s later on another boot 500 s more.

    The mains is at 207 V for 600 s of the clock and at 253 V from then on; the scanner says nothing from
    700 to 720 s; serial number 0099 sits in place A1 from 800 s on.
    """
    layout = Room(
        channels=[
            channel("mains"),
            channel("A1.heat", limit("high", 95), uom="degC"),
            channel("A1.p", uom="W"),
        ],
        data={},
        poll_s=1.0,
    ).layout
    run = rundir.create(path, rig="test", created_ns=UTC_NS, software="test", name="run")
    config = rundir.freeze_config(run, "rig: test\n", to_json(layout))
    for number, boot, first_s, last_s in ((1, "a", 0, 400), (2, "b", 500, 1000)):
        boot_ns = BOOT_NS * number
        writer = RunWriter(
            run,
            session=number,
            boot_id=boot,
            boot_ns=boot_ns,
            utc_ns=UTC_NS + first_s * S,
            synchronised=True,
            blocks=BLOCKS,
            software="test",
            host="rack",
            config=config,
        )
        for t in range(first_s, last_s):
            since = t - first_s
            if t in {0, 600}:
                name = "low" if t == 0 else "high"
                writer.event(EventKind.PHASE, boot_ns + since * S, "run", f"phase {name}", {"phase": name})
            if t == 800:
                writer.event(EventKind.UNIT, boot_ns + since * S, "A1", "swapped", {"serial": "0099"})
            silent = Status.NO_REPLY if 700 <= t < 720 else Status.GOOD
            writer.scan(scan(0, boot_ns, since, (207.0 if t < 600 else 253.0,)))
            writer.scan(scan(1, boot_ns, since + 0.1, (60.0, 50.0), silent))
        writer.sync()
        if number == 2:
            writer.close()
    return run


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("runs")).path


def account(run: Recording) -> list[UnitExposure]:
    return exposures(run, [LOW, HIGH], ExposureOptions(power="{unit}.p"))


def check(run: Recording) -> None:
    first, second = account(run)
    assert (first.serial, second.serial) == ("SA1", "0099")
    low, high = first.phases
    # 600 s in force, of which 100 s without any record: exact to the poll period at each edge
    assert low.in_force_s == pytest.approx(600, abs=1)
    assert low.unobserved_s == pytest.approx(100, abs=1)
    assert low.within_s == pytest.approx(500, abs=1)
    assert (high.within_s, high.out_s) == pytest.approx((200, 0), abs=1)
    assert second.phases[1].within_s == pytest.approx(200, abs=1.1)
    assert first.energy is not None
    assert first.energy.joule == pytest.approx(50 * (400 + 300 - 20), abs=60)
    assert first.energy.unobserved_s == pytest.approx(120, abs=1.5)
    assert any("depends on the wall clock" in note for note in first.notes)
    worst = margins(run, [LOW, HIGH])
    got = verdict(Record(layout=run.layout, exposures=[first, second], margins=worst))
    assert got.outcome is Decision.INCONCLUSIVE
    missing = {
        (unit.serial, one.rule)
        for unit in got.units
        for one in unit.reasons
        if one.outcome is not Decision.PASS
    }
    assert ("SA1", Rule.HOURS) in missing
    assert ("SA1", Rule.UNOBSERVED) in missing


def test_a_run_with_a_crash_is_accounted_for_from_its_journals(folder: Path) -> None:
    check(RunReader.open(folder))


def test_sealing_changes_nothing_in_the_account(folder: Path) -> None:
    before = account(RunReader.open(folder))
    done = seal(rundir.open_run(folder), finish=True)
    assert done.sealed
    run = RunReader.open(folder)
    check(run)
    after = account(run)
    for one, two in zip(before, after, strict=True):
        for a, b in zip(one.phases, two.phases, strict=True):
            # sealed stamps are no finer than a tenth of their half-width
            assert (a.within_s, a.out_s, a.unobserved_s) == pytest.approx(
                (b.within_s, b.out_s, b.unobserved_s), abs=0.01
            )
