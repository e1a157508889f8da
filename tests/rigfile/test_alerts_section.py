"""The section alerts of a rig file: what may be written, and what is refused and why."""

from __future__ import annotations

from typing import Any

import pytest

from rig.errors import ConfigFault
from rig.rigfile import yaml_reader
from rig.rigfile.alerts_section import CATEGORIES, USUAL, Alerts, Notifier
from rig.rigfile.schema import build, child, reference

GOOD = """
alerts:
  tell: [limits, logger]
  gather: 10 s
  ways:
    desk:
      mail: {server: "mail.example.org:587", from: rig@example.org, to: [a@example.org], user: rig,
             secret: "env:SOAKRIG_MAIL"}
      tell: [limits, early]
    phone: {webhook: {url: "https://hook.example.org/x", secret: "file:/etc/soakrig/hook.secret"}}
    room: {mqtt: {server: "[::1]:1883", topic: room/alerts, security: none}, deadline: 5 s}
    horn: {command: {run: [/usr/local/bin/horn, --short]}}
  heartbeat: {every: 30 s, file: /mnt/watch/soak, url: "env:SOAKRIG_BEAT"}
"""


def read(text: str) -> tuple[Alerts | None, list[ConfigFault]]:
    faults: list[ConfigFault] = []
    return build(Alerts, child(yaml_reader.parse(text, "rig.yaml"), "alerts"), faults, "alerts"), faults


def refusal(notifier: str) -> str:
    alerts, faults = read(f"alerts:\n  ways:\n    one: {notifier}\n")
    assert alerts is None
    return "\n".join(str(one) for one in faults)


def test_a_whole_section_is_read() -> None:
    alerts, faults = read(GOOD)
    assert faults == []
    assert alerts is not None
    assert list(alerts.notifiers) == ["desk", "phone", "room", "horn"]
    assert alerts.categories_of("desk") == ("limits", "early", "failed")
    assert alerts.categories_of("horn") == ("limits", "logger", "failed")
    assert alerts.notifiers["room"].deadline_s == 5.0
    assert alerts.gather_s == 10.0


@pytest.mark.parametrize(
    ("notifier", "said"),
    [
        ("{}", "0 of mail, webhook, mqtt and command are given; write exactly one"),
        ("{command: {run: [/bin/true]}, mqtt: {server: 'h:1', topic: t}}", "2 of mail, webhook, mqtt and"),
        ("{command: {run: 'horn --short'}}", "write a list"),
        ("{command: {run: [horn]}}", "absolute path of a program"),
        ("{webhook: {url: 'ftp://example.org'}}", "not a URL"),
        ("{webhook: {url: 'https://me:pw@example.org/x'}}", "would be kept in every recording"),
        ("{webhook: {url: 'http://example.org', secret: 'env:SOAKRIG_X'}}", "cross the network in clear"),
        ("{webhook: {url: 'https://example.org', secret: hunter2}}", "does not say where the secret is"),
        ("{webhook: {url: 'https://example.org', secret: 'env:HOME'}}", "does not say where the secret is"),
        ("{webhook: {url: 'https://example.org', secret: 'file:/root/.ssh/id_rsa'}}", "where the secret is"),
        ("{webhook: {url: 'env:PATH'}}", "does not say where the secret is"),
        ("{mqtt: {server: 'h:1', topic: 'room/#'}}", "has no +, #"),
        ("{mqtt: {server: 'h:99999', topic: t}}", "not a host and a port"),
        ("{mqtt: {server: 'h:1', topic: t, user: u}}", "user and secret go together"),
        ("{mail: {server: 'h:25', from: 'x', to: [a@b.org]}}", "not an e-mail address"),
        ("{mail: {server: 'h:25', from: r@b.org, to: ['a@b.org, c@d.org']}}", "not an e-mail address"),
        ("{mail: {server: 'h:25', from: r@b.org, to: [\"a@b.org\\nBcc: c@d.org\"]}}", "an e-mail address"),
        ("{mail: {server: 'h:25', from: r@b.org, to: []}}", "at least 1"),
        (("{mail: {server: 'h:25', security: none, from: r@b.org, to: [a@b.org], user: u, "
         "secret: 'env:SOAKRIG_X'}}"),
         "cross the network in clear"),
        ("{command: {run: [/bin/true]}, tell: [limit]}", "did you mean limits?"),
    ],
)  # fmt: skip
def test_what_cannot_work_or_would_give_something_away_is_refused(notifier: str, said: str) -> None:
    assert said in refusal(notifier)


def test_a_heartbeat_needs_somewhere_to_go() -> None:
    assert "write at least one" in str(read("alerts: {heartbeat: {every: 5 s}}\n")[1][0])


def test_failed_units_are_sent_unless_the_rig_file_says_otherwise() -> None:
    way = "{command: {run: [/bin/true]}"
    alerts, faults = read(
        f"alerts:\n  tell: [limits]\n  ways:\n    old: {way}, tell: [gaps]}}\n"
        f"    few: {way}, tell: [failed]}}\n    deaf: {way}, failed: no}}\n"
        f"    program: {way}, tell: [run]}}\n"
    )
    assert faults == []
    assert alerts is not None
    found = {name: alerts.categories_of(name) for name in alerts.notifiers}
    assert found == {
        "old": ("gaps", "failed"), "few": ("failed",), "deaf": ("limits",),
        "program": ("run", "action", "failed"),
    }  # fmt: skip


def test_failed_units_wanted_and_refused_at_once_is_a_contradiction() -> None:
    said = refusal("{command: {run: [/bin/true]}, tell: [failed], failed: no}")
    assert "write one of the two" in said


def test_what_is_usually_told_leaves_out_what_need_wake_nobody() -> None:
    assert set(CATEGORIES) - set(USUAL) == {"early", "gaps", "reports", "run", "states"}


def test_every_key_is_explained() -> None:
    rows: list[Any] = [*reference(Alerts), *reference(Notifier)]
    assert all(row.doc for row in rows)
