"""Account as plain data: dicts, lists, text, numbers, booleans and None, ready for JSON.

Field names are those of the result classes and are stable; ``schema`` counts up when one changes its
meaning or goes. Times end in ``_ns`` (UTC, integers), durations in ``_s`` or ``_h``. What is not finite (an
upper bound that does not exist) is written as None.
"""

from __future__ import annotations

from typing import Any

from rig.domain import jsonmap

SCHEMA = 2
"""2: fields and value words renamed to the terms of the trade (POSTMORTEM.md, "Versions")."""


def to_json(kind: str, value: Any) -> dict[str, Any]:
    """Return a result of this package under ``kind`` (``exposures``, ``verdict``...) as plain data."""
    return {"schema": SCHEMA, kind: jsonmap.printed(value)}
