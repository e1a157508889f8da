"""Account as plain data: dicts, lists, text, numbers, booleans and None, ready for JSON.

Field names are those of the result classes and are stable; ``schema`` counts up when one changes its
meaning or goes. Times end in ``_ns`` (UTC, integers), durations in ``_s`` or ``_h``. What is not finite (an
upper bound that does not exist) is written as None.
"""

from __future__ import annotations

import dataclasses
import enum
import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np

SCHEMA = 2
"""2: fields and value words renamed to the terms of the trade (POSTMORTEM.md, "Versions")."""


def to_json(kind: str, value: Any) -> dict[str, Any]:
    """Return a result of this package under ``kind`` (``exposures``, ``verdict``...) as plain data."""
    return {"schema": SCHEMA, kind: plain(value)}


def plain(value: Any) -> Any:
    """Return dataclasses, enums, arrays, tuples and mappings as dicts, lists and scalars."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
