"""Test messages by every notifier, before a run starts."""

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
    """Result of the test message of one notifier. took_s: seconds from start to end."""

    __test__ = False

    notifier: str
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
    """Return the result of one test message by each notifier, all sent at the same time.

    Takes little longer than the longest deadline; nothing is stored and nothing tried again.
    """
    began_ns = clock.monotonic_ns()
    deliveries: dict[str, DeliveryProcess] = {}
    results: dict[str, TestResult] = {}

    def ended(notifier: str, outcome: DeliveryOutcome) -> None:
        took_s = (clock.monotonic_ns() - began_ns) / 1e9
        results[notifier] = TestResult(
            notifier=notifier, delivered=outcome.delivered, note=outcome.note, took_s=took_s
        )

    for name, notifier in alerts.notifiers.items():
        message = compose(
            _batch(name, clock.utc_ns()), rig=rig, run="none", place="none (test by hand)",
            now_ns=clock.utc_ns(), most_lines=1,
        )  # fmt: skip
        try:
            deliveries[name] = start(job_of(notifier, plain(message)))
        except OSError as error:
            ended(name, refused(f"delivery process could not be started: {error}"))
    pause = threading.Event()
    while deliveries:
        for name, delivery in list(deliveries.items()):
            outcome = delivery.poll()
            if outcome is not None:
                del deliveries[name]
                ended(name, outcome)
        pause.wait(0.02)
    return tuple(results[name] for name in alerts.notifiers)


def _batch(notifier: str, now_ns: int) -> Batch:
    fact = Fact(
        number=1, what="test", category="ways", group="alerts", t_ns=now_ns, since_ns=now_ns,
        headline=f"test of notifier {notifier}", look="nothing; this is only a test of delivery",
        queued_ns=now_ns,
    )  # fmt: skip
    return Batch(notifier=notifier, key=f"test-{uuid.uuid4().hex[:18]}", facts=(fact,))
