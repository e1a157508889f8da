"""One test message by every way, before anything depends on it."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any, cast

import pytest

import rig.alerts
from rig.errors import UsageError
from rig.rigfile.alerts_section import Alerts, Notifier, WebhookNotifier
from tests.alerts import peers
from tests.alerts.makers import python
from tests.alerts.peers import Hook


def config(alerts: Alerts | None) -> Any:
    return cast("Any", SimpleNamespace(rig="hot-room", alerts=alerts))


def test_each_notifier_reports_what_became_of_its_message() -> None:
    with Hook() as hook:
        notifiers = {
            "good": Notifier(webhook=WebhookNotifier(url=hook.url)),
            "gone": Notifier(webhook=WebhookNotifier(url=f"http://127.0.0.1:{peers.free_port()}/")),
            "bad": python("import sys; sys.exit(3)"),
        }
        good, gone, bad = rig.alerts.send_test(config(Alerts(notifiers=notifiers)))
    assert (good.notifier, good.delivered, good.note) == ("good", True, "")
    assert (gone.notifier, gone.delivered) == ("gone", False)
    assert "Connection refused" in gone.note
    assert "exit code 3" in bad.note
    [(_, _, body)] = hook.posts
    assert json.loads(body)["subject"] == "hot-room: test of notifier good"


@pytest.mark.slow
def test_all_ways_are_tried_at_the_same_time() -> None:
    with peers.raw_server(peers.silent) as port:
        notifier = Notifier(webhook=WebhookNotifier(url=f"http://127.0.0.1:{port}/"), deadline_s=1.0)
        results = rig.alerts.send_test(
            config(Alerts(notifiers={"one": notifier, "two": notifier, "three": notifier}))
        )
    assert [result.delivered for result in results] == [False] * 3
    assert max(result.took_s for result in results) < sum(result.took_s for result in results) / 2


def test_without_a_notifier_there_is_nothing_to_test() -> None:
    for alerts in (None, Alerts()):
        with pytest.raises(UsageError, match="names no notifier"):
            rig.alerts.send_test(config(alerts))
