"""How people are told of what happens, by what the alerts last wrote about themselves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from rig.domain.formatting import counted, duration

STATUS = Path("alerts") / "status.json"
OLD_S = 120.0
"""The alerts write their status several times a minute; older than this, they no longer run."""


def told(run: Path, now_ns: int, *, running: bool) -> tuple[str, str]:
    """Return how people are told, in few words ('' where nobody is), and what is wrong with it."""
    try:
        status = json.loads((run / STATUS).read_bytes())
        ways: dict[str, dict[str, Any]] = status["ways"]
        age_s = (now_ns - int(status["utc_ns"])) / 1e9
        failing = [name for name, way in ways.items() if way.get("failing_since_ns")]
        waiting = sum(int(way.get("waiting", 0)) for way in ways.values())
        outbox = str(status.get("outbox") or "")
    except FileNotFoundError:
        return "", ""
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        return "alerts ?", f"ALERTS: their status cannot be read ({type(error).__name__}: {error})"
    words = f"alerts by {counted(len(ways), 'way')}" + (f", {waiting} waiting" if waiting else "")
    if running and age_s > OLD_S:
        return words, f"ALERTS: nobody is told of anything; their process was last seen {duration(age_s)} ago"
    if failing:
        return (
            words,
            f"ALERTS: not delivered by {', '.join(failing)}: {ways[failing[0]].get('error') or 'no reason'}",
        )
    return words, f"ALERTS: {outbox}" if outbox else ""
