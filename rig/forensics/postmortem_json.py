"""Post-mortem as plain data: dicts, lists, text, numbers, booleans and None, ready for JSON.

Field names are those of ``rig.forensics.answer`` and are stable; ``schema`` counts up when a field
changes its meaning or goes. Times end in ``_ns`` (UTC, integers), durations in ``_s``. An infinite
duration is written as None. Quantiles are left out: they serve the order and are not a result.

``to_storage`` leaves nothing out and ``from_storage`` reverses it: for the result cache, not for others.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.domain import jsonmap
from rig.forensics.answer import PostMortem

SCHEMA = 2
"""2: fields and value words renamed to the terms of the trade (POSTMORTEM.md, "Versions")."""
LEFT_OUT = frozenset({"quantiles_ns"})
_BESIDE = {"earliest_ns", "latest_ns"}
"""Stand beside what is left out; a channel of that name stands elsewhere."""


def to_json(post_mortem: PostMortem) -> dict[str, Any]:
    """Return the post-mortem as plain data under stable names."""
    return {"schema": SCHEMA, **_without_quantiles(jsonmap.printed(post_mortem))}


def to_storage(post_mortem: PostMortem) -> dict[str, Any]:
    """Return the complete post-mortem as dicts, lists and scalars (infinities and NaN among them)."""
    data: dict[str, Any] = jsonmap.plain(post_mortem)
    return data


def from_storage(data: Mapping[str, Any]) -> PostMortem:
    """Return the post-mortem that ``to_storage`` was given. Raises ValueError for anything else."""
    return jsonmap.made(PostMortem, data)


def _without_quantiles(data: Any) -> Any:
    if isinstance(data, dict):
        inner = data.keys() - LEFT_OUT if data.keys() >= _BESIDE else data.keys()
        return {key: _without_quantiles(one) for key, one in data.items() if key in inner}
    return [_without_quantiles(one) for one in data] if isinstance(data, list) else data
