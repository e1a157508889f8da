"""Delivery process: one try to deliver one message, so that no server can delay anything else.

``DeliveryProcess`` starts ``python -m rig.alerts.delivery_process``, gives it the job and checks whether it
has ended; past its deadline it is killed. Job and outcome go through anonymous files in memory, so that no
pipe can fill. The job names secrets by their place; the child reads them, and removes them from its output.
"""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from rig.alerts import secrets
from rig.alerts.delivery_outcome import DeliveryOutcome, refused, unknown
from rig.clock import SYSTEM, Clock
from rig.domain import jsonmap
from rig.domain.formatting import plain, setting
from rig.errors import SoakrigError
from rig.rigfile.alerts_section import CommandNotifier, MailNotifier, MqttNotifier, Notifier, WebhookNotifier
from rig.store.files import OS_DISK, publish

OVER_S = 0.25
GRACE_S = 1.0
"""How long the child may exceed its deadline until it ends itself, and until it is killed."""
MOST_NOTE = 500
_ROOT = Path(__file__).resolve().parents[2]
_KINDS: dict[str, type[Any]] = {
    "mail": MailNotifier, "webhook": WebhookNotifier, "mqtt": MqttNotifier, "command": CommandNotifier,
}  # fmt: skip


def job_of(notifier: Notifier, content: Mapping[str, Any]) -> dict[str, Any]:
    """Return the job for a message (its JSON values) by a notifier."""
    kind = next(name for name in _KINDS if getattr(notifier, name) is not None)
    settings = jsonmap.plain(getattr(notifier, kind))
    return {"kind": kind, "way": settings, "content": dict(content), "deadline_s": notifier.deadline_s}


class DeliveryProcess:
    """Child process of one delivery. Raises OSError if it cannot be started."""

    def __init__(self, job: Mapping[str, Any], clock: Clock = SYSTEM) -> None:
        self._clock = clock
        self._deadline_s = float(job["deadline_s"])
        self._killed = False
        asked = os.memfd_create("job", os.MFD_CLOEXEC)
        self._said = os.memfd_create("outcome", os.MFD_CLOEXEC)
        try:
            os.write(asked, json.dumps(job).encode())
            os.lseek(asked, 0, os.SEEK_SET)
            self._process = subprocess.Popen(
                [sys.executable, "-m", "rig.alerts.delivery_process"],
                stdin=asked,
                stdout=self._said,
                stderr=subprocess.DEVNULL,
                cwd=_ROOT,  # a folder named rig elsewhere must not be taken for this program
                start_new_session=True,
            )
        except OSError:
            os.close(self._said)
            raise
        finally:
            os.close(asked)
        self._kill_ns = clock.monotonic_ns() + round((self._deadline_s + GRACE_S) * 1e9)

    def poll(self) -> DeliveryOutcome | None:
        """Return the outcome once, when the child has ended; None before."""
        if self._process.poll() is None:
            if self._clock.monotonic_ns() > self._kill_ns and not self._killed:
                self.kill()
            return None
        size = os.fstat(self._said).st_size
        text = os.pread(self._said, size, 0).decode("utf-8", "replace")
        os.close(self._said)
        return self._judged(text.splitlines())

    def kill(self) -> None:
        """End the child by force; ``poll`` tells when it is gone."""
        self._killed = True
        try:
            os.killpg(self._process.pid, signal.SIGKILL)
        except ProcessLookupError:
            return

    def _judged(self, lines: list[str]) -> DeliveryOutcome:
        begun = lines[:1] == ["begun"]
        try:
            return jsonmap.made(DeliveryOutcome, json.loads(lines[-1]))
        except (IndexError, ValueError, TypeError):
            late = self._killed or self._process.returncode == -signal.SIGALRM
            how = (
                f"no end within {setting(self._deadline_s, 's')}"
                if late
                else f"exit {self._process.returncode}"
            )
            words = f"attempt cut off ({how})"
            return unknown(words) if begun else refused(f"{words} before the message was sent")


def deliver(job: Mapping[str, Any], begun: Callable[[], None]) -> DeliveryOutcome:
    """Return the outcome of a job; every error becomes an outcome. For the child."""
    started: list[bool] = []
    hidden: list[str] = []

    def note_begun() -> None:
        started.append(True)
        begun()

    def secret(place: str | None) -> str | None:
        if place is None:
            return None
        hidden.append(secrets.read(place))
        return hidden[-1]

    try:
        outcome = _by_notifier(job, secret, note_begun)
    except Exception as error:  # any fault of the server
        words = str(error) if isinstance(error, SoakrigError) else f"{type(error).__name__}: {error}"
        outcome = unknown(words) if started else refused(words)
    note = plain(" ".join(outcome.note.split()))
    for one in hidden:
        note = note.replace(one, "***")
    return dataclasses.replace(outcome, note=note[:MOST_NOTE])


def _by_notifier(
    job: Mapping[str, Any], secret: Callable[[str | None], str | None], begun: Callable[[], None]
) -> DeliveryOutcome:
    content, timeout_s = job["content"], float(job["deadline_s"])
    if job["kind"] == "file":
        begun()
        publish(OS_DISK, Path(job["way"]["path"]), _body(content))
        return DeliveryOutcome(delivered=True)
    notifier: MailNotifier | WebhookNotifier | MqttNotifier | CommandNotifier = jsonmap.made(
        _KINDS[job["kind"]], job["way"]
    )
    match notifier:
        case MailNotifier():
            from rig.alerts.notifiers import mail

            key, subject, text = content["key"], content["subject"], content["text"]
            message = mail.letter(notifier, key=key, subject=subject, text=text, now_ns=SYSTEM.utc_ns())
            return mail.send(
                notifier, message, secret=secret(notifier.secret), timeout_s=timeout_s, begun=begun
            )
        case WebhookNotifier():
            from rig.alerts.notifiers import webhook

            url = notifier.url if notifier.url.startswith("http") else secret(notifier.url) or ""
            token = secret(notifier.secret)
            body, key = _body(content), content["key"]
            return webhook.post(
                notifier, url=url, body=body, key=key, secret=token, timeout_s=timeout_s, begun=begun
            )
        case MqttNotifier():
            from rig.alerts.notifiers import mqtt

            body, key, password = _body(content), content["key"], secret(notifier.secret)
            return mqtt.publish(
                notifier, body=body, key=key, secret=password, timeout_s=timeout_s, begun=begun
            )
        case CommandNotifier():
            from rig.alerts.notifiers import command

            words = {name: content[name] for name in ("subject", "key", "rig", "run")}
            return command.run(notifier, content["text"], words, timeout_s=timeout_s, begun=begun)


def _body(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, ensure_ascii=False).encode() + b"\n"


def main() -> None:
    """Read a job from standard input and write ``begun`` and the outcome to standard output."""
    job = json.load(sys.stdin)
    # the parent may be gone by then: this process never outlives its deadline by much
    signal.setitimer(signal.ITIMER_REAL, float(job["deadline_s"]) + OVER_S)

    def say(line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()

    say(json.dumps(jsonmap.plain(deliver(job, lambda: say("begun")))))


if __name__ == "__main__":
    main()
