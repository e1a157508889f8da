"""The way from pollers to recorder is bounded, and what does not fit is counted, never silent."""

import threading

from rig.daemon.intake import Intake, Notice
from rig.domain.model import EventKind, Scan


def scan(at: int) -> Scan:
    return Scan(block=0, sent_ns=at, received_ns=at + 1, values=(1.0,), statuses=b"\0")


def notice(text: str) -> Notice:
    return Notice(kind=EventKind.NOTE, boot_ns=0, subject="run", text=text)


def test_items_come_out_in_the_order_they_went_in() -> None:
    intake = Intake()
    intake.scan(scan(1), "a")
    intake.notice(notice("n"))
    intake.scan(scan(2), "a")
    assert intake.take(0.0) == [scan(1), notice("n"), scan(2)]


def test_a_full_queue_becomes_a_gap_that_names_source_count_and_time() -> None:
    intake = Intake(size=2)
    for at in range(5):
        intake.scan(scan(at), "meter")
    *kept, gap = intake.take(0.0)
    assert kept == [scan(0), scan(1)]
    assert isinstance(gap, Notice)
    assert gap.kind is EventKind.GAP
    assert gap.subject == "meter"
    assert (gap.data["scans"], gap.data["from_ns"], gap.data["to_ns"]) == (3, 2, 5)
    assert intake.take(0.0) == []


def test_notices_are_kept_even_when_the_queue_is_full() -> None:
    intake = Intake(size=1)
    intake.scan(scan(0), "meter")
    intake.notice(notice("kept"))
    assert notice("kept") in intake.take(0.0)


def test_a_poller_never_waits_for_the_recorder() -> None:
    intake = Intake(size=10)

    def hand_over() -> None:
        for at in range(50_000):
            intake.scan(scan(at), "m")

    worker = threading.Thread(target=hand_over)
    worker.start()
    worker.join(20)
    assert not worker.is_alive()
    items = intake.take(0.0)
    lost = sum(item.data["scans"] for item in items if isinstance(item, Notice))
    assert len(items) - 1 + lost == 50_000
