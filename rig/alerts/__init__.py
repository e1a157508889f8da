"""Alerts: a process of its own that reads a run's events and sends messages; recording never waits for it.

``python -m rig.alerts RUN`` follows a run; ``send_test`` tries every notifier once. One direction: run
directory -> ``run_watch`` -> ``alarms`` (alerts to send) -> ``delivery_state`` in the ``outbox`` (what
was sent) -> ``message`` -> ``delivery_process`` (one per try) -> ``notifiers``. Delivery is at least
once: a message that may have arrived when it was cut off goes again, with the same facts under the same key.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.alerts.message_trial import TestResult
    from rig.rigfile.config import RigConfig


def send_test(config: RigConfig) -> tuple[TestResult, ...]:
    """Return the result of one test message by each notifier of a rig file, sent now and tried once.

    Raises UsageError if the rig file names no notifier.
    """
    from rig.alerts.message_trial import (
        send_to_all,
    )  # delivery processes import this package and must start fast

    if config.alerts is None or not config.alerts.notifiers:
        raise UsageError(f"the rig file of {config.rig} names no notifier; write alerts: ways: ...")
    return send_to_all(config.alerts, rig=config.rig)
