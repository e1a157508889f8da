"""How values become JSON values and back: one rule for every file, every message and everything printed.

A dataclass is an object under the names of its fields, a mapping an object, a tuple, set or array a list, an
enumeration its value, a day ISO 8601. Back again, keys that a reader does not know are left alone and keys
that are missing take the field's default: a newer file opens in older software as far as the two agree.

JSON has no number for NaN and the infinities. ``printed``, for others, makes them null. ``plain``, for what
is kept and read back by ``made``, leaves them as they are: Python's reader and writer of JSON know them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

T = TypeVar("T")


def plain(value: Any) -> Any:
    """Return a value as dicts, lists or tuples, and scalars, infinities and NaN among them."""
    return msgspec.to_builtins(value, str_keys=True, enc_hook=_other)


def printed(value: Any) -> Any:
    """Return a value as dicts, lists and scalars that any reader of JSON knows: null for NaN and infinity."""
    return _finite(plain(value))


def made(kind: type[T], values: Any) -> T:
    """Return the value of a type that ``plain`` turned into these.

    Raises ValueError that names the place and what was expected there.
    """
    return msgspec.convert(values, kind, str_keys=True)


def _other(value: Any) -> Any:
    """Return what the library does not know by itself: arrays and their scalars, mappings of any make."""
    if isinstance(value, Mapping):
        return dict(value)
    if hasattr(value, "tolist"):  # numpy's, not imported here: the logger's process does without it
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no form in JSON")


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
