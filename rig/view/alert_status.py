"""Status of the alerts, from the file that the alerts process writes."""

from __future__ import annotations

import json
from datetime import tzinfo
from pathlib import Path
from typing import Any

from rig.domain.formatting import counted, duration, moment

STATUS = Path("alerts") / "status.json"
OLD_S = 120.0
"""Age of the status file beyond which the alerts process is taken as dead; it writes every 10 s."""


def alert_words(run: Path, now_ns: int, *, running: bool, zone: tzinfo | None = None) -> tuple[str, str]:
    """Return the status of the notifiers ('' without any), and their fault ('' for none).

    zone: of the time at which what is held back is sent (None: this machine's).
    """
    try:
        status = json.loads((run / STATUS).read_bytes())
        notifiers: dict[str, dict[str, Any]] = status["ways"]
        age_s = (now_ns - int(status["utc_ns"])) / 1e9
        failing = [name for name, one in notifiers.items() if one.get("failing_since_ns")]
        waiting = sum(int(one.get("waiting", 0)) for one in notifiers.values())
        held = sum(int(one.get("held", 0)) for one in notifiers.values())
        next_ns = min((int(one["next_ns"]) for one in notifiers.values() if one.get("held")), default=0)
        outbox = str(status.get("outbox") or "")
    except FileNotFoundError:
        return "", ""
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        return "alerts ?", f"ALERTS: status not readable ({type(error).__name__}: {error})"
    words = f"alerts: {counted(len(notifiers), 'notifier')}"
    if held:
        words += f", {held} held back, next at {moment(next_ns, zone):%H:%M}"
    if waiting > held:
        words += f", {waiting - held} {'waiting' if running else 'undelivered'}"
    if running and age_s > OLD_S:
        return words, f"ALERTS: none are sent; alerts process last seen {duration(age_s)} ago"
    if failing:
        return (
            words,
            (
                f"ALERTS: not delivered by {', '.join(failing)}: "
                f"{notifiers[failing[0]].get('error') or 'no reason given'}"
            ),
        )
    return words, f"ALERTS: {outbox}" if outbox else ""
