"""Values of any dataclass with every field drawn, those with defaults too."""

from __future__ import annotations

import dataclasses
import typing
from collections.abc import Mapping
from types import UnionType
from typing import Any, TypeVar

from hypothesis import strategies as st

from rig.domain.program import Program

T = TypeVar("T")
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=5), inner, max_size=2),
    max_leaves=4,
)


def every(kind: type[T], **given: st.SearchStrategy[Any]) -> st.SearchStrategy[T]:
    """Return values of a dataclass; ``given``: strategies in place of what the field's type says."""
    assert dataclasses.is_dataclass(kind)
    hints = typing.get_type_hints(kind, None, {"Program": Program})  # imported there for type checks alone
    fields = {one.name: _of(hints[one.name]) for one in dataclasses.fields(kind) if one.name not in given}
    return st.builds(kind, **fields, **given)


def _of(hint: Any) -> st.SearchStrategy[Any]:
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any:
        return JSON
    if origin is UnionType:
        return st.one_of([_of(one) for one in parts])
    if origin is tuple and parts[-1] is Ellipsis:
        return st.lists(_of(parts[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*map(_of, parts))
    if origin is Mapping:
        return st.dictionaries(_of(parts[0]), _of(parts[1]), max_size=2)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return st.deferred(lambda: every(hint))
    if hint is str:
        return st.text(max_size=5)
    if hint is float:
        return st.floats(allow_nan=False)
    return st.from_type(hint)
