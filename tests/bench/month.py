"""Long recordings for the benchmark: ordinary runs, written day by day by the store's own sealing.

``python -m tests.bench.month FOLDER DAYS`` makes one; a finished one is used again.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import drivers
from rig.domain.event_summary import summarise
from rig.domain.jsonmap import plain
from rig.domain.layout_json import to_json
from rig.domain.model import Event, EventKind, Layout, Series, Status
from rig.rigfile import yaml_reader
from rig.store import catalogue, reading_stamps, rundir, segments
from rig.store.catalogue import Sealed
from rig.store.files import OS_DISK
from rig.store.index import Index, SessionNote
from rig.store.journal import JournalFacts
from rig.store.reader import RunReader
from rig.store.rundir import RunDir, SessionFacts
from tests.bench.room import DAY_S, EXCHANGE_S, NANO, Course, course, rig_text, values

START_NS = int(datetime(2031, 3, 1, tzinfo=UTC).timestamp()) * NANO
SEED = 4711
BOOT_NS = 40 * NANO
JOURNALS_A_DAY = 24
DAY_NS = DAY_S * NANO
LOST_SHARE = 2e-5
"""Share of exchanges whose reply made no sense: a cable in the same duct as the mains."""


def made(folder: Path, days: int, workers: int = 2, excursions: int = 0) -> Path:
    """Return the run of so many days in ``folder``, made now if it is not there.

    excursions: further ones of one channel, each of half a minute.
    """
    path = folder / (f"days-{days:03d}" + (f"-{excursions}" if excursions else ""))
    if (path / rundir.END).exists():
        return path
    shutil.rmtree(path, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    rig = folder / f"{path.name}.yaml"
    rig.write_text(rig_text(days), encoding="utf-8")
    config = yaml_reader.read(rig, drivers.spec)
    run = rundir.create(
        folder, rig=config.rig, created_ns=START_NS, software="soakrig bench", name=path.name,
        planned_s=float(days * DAY_S),
    )  # fmt: skip
    frozen = rundir.freeze_config(run, config.text, to_json(config.layout))
    facts = _facts(frozen)
    rundir.write_session(run, SessionFacts(
        number=1, offset_ns=START_NS - BOOT_NS, facts=facts, stopped_ns=START_NS + days * DAY_S * NANO,
    ))  # fmt: skip
    with ProcessPoolExecutor(workers) as pool:
        shares = [(run, config.layout, days, range(k, days, workers), excursions) for k in range(workers)]
        list(pool.map(_seal_days, shares))
    rundir.end_run(run, START_NS + days * DAY_S * NANO, "duration reached")
    return path


def channels(path: Path) -> list[str]:
    """Return the channels of a run."""
    return list(RunReader.open(path).layout.channels)


def _facts(frozen: str) -> JournalFacts:
    return JournalFacts(
        boot_id="bench-boot", boot_ns=BOOT_NS, utc_ns=START_NS, synchronised=True, software="soakrig bench",
        host="bench", config=frozen, blocks=(),
    )  # fmt: skip


def _seal_days(task: tuple[RunDir, Layout, int, range, int]) -> None:
    run, layout, days, mine, excursions = task
    whole = course(days, SEED, excursions)
    for day in mine:
        seal_day(run, layout, whole, day, days)


def seal_day(run: RunDir, layout: Layout, whole: Course, day: int, days: int) -> Sealed:
    """Write one day of the run as the sealing of its journals would have left it."""
    first = day * JOURNALS_A_DAY + 1
    last = first + JOURNALS_A_DAY - 1
    date = datetime.fromtimestamp(START_NS // NANO + day * DAY_S, UTC)
    name = catalogue.sealed_name(f"{date:%Y-%m-%d}", None, first, last)
    sealed = Sealed(first=first, last=last, name=name, day=f"{date:%Y-%m-%d}", hour=None)
    found = sorted(day_of_series(layout, whole, day), key=lambda one: one.channel)
    begin, end = (int(edge(one.t_ns for one in found)) for edge in (_least, _most))
    facts = plain(_facts(""))
    facts.pop("blocks")
    facts["config"] = next(run.folder("config").glob("*.json")).stem
    happened = events_of(day, days)
    note = SessionNote(
        offset_ns=START_NS - BOOT_NS, start_ns=min(begin, happened[0].t_ns),
        end_ns=max(end, happened[-1].t_ns), **facts,
    )  # fmt: skip
    index = Index(run=run.id, first=first, last=last, sessions={1: note}, event_summary=summarise(happened))
    segments._publish_pair(run, sealed, (iter(found), happened), index, OS_DISK)
    return sealed


def _least(rows: Iterator[np.ndarray]) -> int:
    return min(int(row[0]) for row in rows)


def _most(rows: Iterator[np.ndarray]) -> int:
    return max(int(row[-1]) for row in rows)


def day_of_series(layout: Layout, whole: Course, day: int) -> Iterator[Series]:
    """Yield the readings of every channel of one day at 1 Hz."""
    rng = np.random.default_rng((SEED, day))
    second = np.arange(day * DAY_S, (day + 1) * DAY_S, dtype=np.int64)
    found = values(whole, second.astype(np.float64), rng)
    clocks = {}
    for k, (instrument, (width, scatter)) in enumerate(EXCHANGE_S.items()):
        sent = START_NS + second * NANO + k * 7_000_000 + rng.exponential(2e5, DAY_S).astype(np.int64)
        width_ns = np.abs(rng.normal(width, scatter, DAY_S) * 1e9).astype(np.int64) + 1
        t_ns, h_ns = reading_stamps.interval(sent, sent + width_ns)
        clocks[instrument] = (*reading_stamps.rounded(t_ns, h_ns), rng.random(DAY_S) < LOST_SHARE)
    session = np.ones(DAY_S, np.int32)
    for name, value in found.items():
        source = layout.channels[name].source
        t_ns, h_ns, lost = clocks[source.instrument if source else "outputs"]
        status = np.zeros(DAY_S, np.uint8)
        status[lost] = Status.BAD_REPLY if source else Status.NOT_COMPUTED
        kept = np.where(lost, np.nan, value)
        yield Series(channel=name, t_ns=t_ns, h_ns=h_ns, value=kept, status=status, session=session)


def events_of(day: int, days: int) -> list[Event]:
    """Return what a day's journals would hold beside readings: start, hourly health, stop."""
    start = START_NS + day * DAY_S * NANO
    health = {"resident_bytes": 48_000_000, "descriptors": 31, "free_bytes": 10**11, "queue": 0}
    kinds = [(EventKind.HEALTH, start + k * 600 * NANO, "all is well", health) for k in range(144)]
    if day == 0:
        kinds.insert(0, (EventKind.SESSION_START, start, "session 1 began", {}))
    if day == days - 1:
        kinds.append(
            (EventKind.SESSION_STOP, start + DAY_S * NANO, "session 1 stopped: duration reached", {})
        )
    first = day * DAY_S * len(EXCHANGE_S) + day * 144
    return [
        Event(kind=kind, t_ns=t_ns, session=1, seq=first + k, subject="run", text=text, data=dict(data))
        for k, (kind, t_ns, text, data) in enumerate(kinds)
    ]


def main() -> int:
    """Make one run; print where it is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("days", type=int)
    options = parser.parse_args()
    print(made(options.folder, options.days))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
