"""Post-mortem as plain data: dicts, lists, text, numbers, booleans and None, ready for JSON.

Field names are those of ``rig.forensics.answer`` and are stable; ``schema`` counts up when a field
changes its meaning or goes. Times end in ``_ns`` (UTC, integers), durations in ``_s``. An infinite
duration is written as None. Quantiles are left out: they serve the order and are not a result.

``to_storage`` leaves nothing out and ``from_storage`` reverses it: for the result cache, not for others.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import math
import types
import typing
from collections.abc import Callable, Mapping
from typing import Any

from rig.forensics.answer import PostMortem

SCHEMA = 2
"""2: fields and value words renamed to the terms of the trade (POSTMORTEM.md, "Versions")."""
LEFT_OUT = frozenset({"quantiles_ns"})


def to_json(post_mortem: PostMortem) -> dict[str, Any]:
    """Return the post-mortem as plain data under stable names."""
    data = plain(post_mortem)
    assert isinstance(data, dict)
    return {"schema": SCHEMA, **data}


def plain(value: Any) -> Any:
    """Return dataclasses, enums, tuples and mappings as dicts, lists and scalars."""
    return _plain(value, LEFT_OUT, finite=True)


def to_storage(post_mortem: PostMortem) -> dict[str, Any]:
    """Return the complete post-mortem as dicts, lists and scalars (infinities and NaN among them)."""
    data = _plain(post_mortem, frozenset(), finite=False)
    assert isinstance(data, dict)
    return data


def from_storage(data: Mapping[str, Any]) -> PostMortem:
    """Return the post-mortem that ``to_storage`` was given.

    Raises KeyError, TypeError, ValueError or AttributeError for anything else.
    """
    found = _maker(PostMortem)(data)
    assert isinstance(found, PostMortem)
    return found


def _plain(value: Any, left_out: frozenset[str], *, finite: bool) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [f.name for f in dataclasses.fields(value) if f.name not in left_out]
        return {name: _plain(getattr(value, name), left_out, finite=finite) for name in names}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): _plain(item, left_out, finite=finite) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item, left_out, finite=finite) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) or not finite else None
    return value


@functools.cache
def _maker(kind: Any) -> Callable[[Any], Any]:
    """Return the function that makes values of a type of ``rig.forensics.answer`` from plain data."""
    origin, parts = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:
        (inner,) = (_maker(part) for part in parts if part is not types.NoneType)
        return lambda value: None if value is None else inner(value)
    if origin is tuple and parts[-1] is Ellipsis:
        each = _maker(parts[0])
        return lambda values: tuple(each(one) for one in values)
    if origin is tuple:
        makers = [_maker(part) for part in parts]
        return lambda values: tuple(make(one) for make, one in zip(makers, values, strict=True))
    if origin is Mapping:
        item = _maker(parts[1])
        return lambda values: {key: item(one) for key, one in values.items()}
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return kind
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        fields = {field.name: _maker(hints[field.name]) for field in dataclasses.fields(kind)}
        made: Any = kind
        return lambda values: made(**{name: make(values[name]) for name, make in fields.items()})
    return lambda value: value
