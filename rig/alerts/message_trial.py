"""A test message by every way, now: whether alerts would reach anybody, before the run starts."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from rig.alerts.delivery_outcome import DeliveryOutcome, refused
from rig.alerts.delivery_process import DeliveryProcess, job_of
from rig.alerts.delivery_state import Batch
from rig.alerts.facts import Fact
from rig.alerts.message import compose
from rig.clock import SYSTEM, Clock
from rig.domain.jsonmap import plain
from rig.rigfile.alerts_section import Alerts


@dataclass(frozen=True, slots=True, kw_only=True)
class TestResult:
    """What became of the test message by one way. took_s: seconds from its start to its end."""

    __test__ = False

    way: str
    delivered: bool
    note: str
    took_s: float


def send_to_all(
    alerts: Alerts,
    *,
    rig: str,
    clock: Clock = SYSTEM,
    start: Callable[[Mapping[str, Any]], DeliveryProcess] = DeliveryProcess,
) -> tuple[TestResult, ...]:
    """Return what became of one test message by each way, all sent at the same time.

    Takes no longer than the longest deadline and a moment; nothing is kept and nothing tried again.
    """
    began_ns = clock.monotonic_ns()
    couriers: dict[str, DeliveryProcess] = {}
    results: dict[str, TestResult] = {}

    def ended(way: str, outcome: DeliveryOutcome) -> None:
        took_s = (clock.monotonic_ns() - began_ns) / 1e9
        results[way] = TestResult(way=way, delivered=outcome.delivered, note=outcome.note, took_s=took_s)

    for name, way in alerts.ways.items():
        message = compose(
            _parcel(name, clock.utc_ns()), rig=rig, run="none", place="none; sent by hand",
            now_ns=clock.utc_ns(), most_lines=1,
        )  # fmt: skip
        try:
            couriers[name] = start(job_of(way, plain(message)))
        except OSError as error:
            ended(name, refused(f"no process could be started: {error}"))
    pause = threading.Event()
    while couriers:
        for name, courier in list(couriers.items()):
            outcome = courier.poll()
            if outcome is not None:
                del couriers[name]
                ended(name, outcome)
        pause.wait(0.02)
    return tuple(results[name] for name in alerts.ways)


def _parcel(way: str, now_ns: int) -> Batch:
    fact = Fact(
        number=1, what="test", category="ways", group="alerts", t_ns=now_ns, since_ns=now_ns,
        headline=f"test of the way {way}", look="nothing; this only shows that alerts arrive",
        queued_ns=now_ns,
    )  # fmt: skip
    return Batch(way=way, key=f"test-{uuid.uuid4().hex[:18]}", facts=(fact,))
