"""A post-mortem as plain data: dicts, lists, text, numbers, booleans and None, ready for JSON.

Field names are those of ``rig.forensics.answer`` and stay as they are; ``schema`` counts up when a field
changes its meaning or goes. Times end in ``_ns`` (UTC, integers), durations in ``_s``. An infinite
duration is written as None. Quantiles are left out: they serve the order and are not a result.
"""

from __future__ import annotations

import dataclasses
import enum
import math
from collections.abc import Mapping
from typing import Any

from rig.forensics.answer import PostMortem

SCHEMA = 1
LEFT_OUT = frozenset({"quantiles_ns"})


def to_json(post_mortem: PostMortem) -> dict[str, Any]:
    """Return the post-mortem as plain data under stable names."""
    data = plain(post_mortem)
    assert isinstance(data, dict)
    return {"schema": SCHEMA, **data}


def plain(value: Any) -> Any:
    """Return dataclasses, enums, tuples and mappings as dicts, lists and scalars."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [f.name for f in dataclasses.fields(value) if f.name not in LEFT_OUT]
        return {name: plain(getattr(value, name)) for name in names}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
