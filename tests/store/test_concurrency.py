"""Recording, sealing and reading at once: a reader sees a prefix that only grows."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from rig.store.reader import RunReader
from rig.store.seal import seal
from tests.store.rooms import new_run, scan, writer


@pytest.mark.slow
def test_a_reader_sees_a_growing_prefix_while_journals_are_written_sealed_and_merged(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    done = threading.Event()
    acknowledged = 0
    faults: list[str] = []

    def record() -> None:
        nonlocal acknowledged
        recorder = writer(run, journal_bytes=8_000)
        for k in range(2_000):
            recorder.scan(scan(0, 120.0 * k, (k, -k)))
            if k % 10 == 9:
                recorder.sync()
                acknowledged = k + 1
        recorder.close()

    def sealing() -> None:
        while not done.is_set():
            faults.extend(seal(run).wrong)

    threads = [threading.Thread(target=record), threading.Thread(target=sealing)]
    for thread in threads:
        thread.start()
    long_open = RunReader.open(run.path)
    seen, rounds = 0, 0
    while threads[0].is_alive() or rounds < 3:
        rounds += 1
        floor = acknowledged
        long_open.refresh()
        for recording in (RunReader.open(run.path), long_open):
            values = recording.series("A1.volts").value.tolist()
            assert values == list(range(len(values)))
            assert len(values) >= max(floor, seen if recording is long_open else 0)
            assert recording.skipped == ()
        seen = len(values)
    done.set()
    for thread in threads:
        thread.join()
    assert faults == []
    assert len(RunReader.open(run.path).series("A1.volts")) == 2_000
    assert seal(run, finish=True).wrong == ()
    assert RunReader.open(run.path).series("A1.amps").value.tolist() == [-k for k in range(2_000)]
