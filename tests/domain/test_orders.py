"""Orders for a run: what is taken, and that nothing else is."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain import orders
from rig.domain.orders import Order, OrderKind

ORDER = Order(
    id="20260301T130500-000000-ab", kind=OrderKind.NOTE, by="eve@rack", asked_ns=7, data={"text": "x"}
)


def test_an_order_comes_back_as_it_was() -> None:
    assert orders.from_json(json.loads(json.dumps(orders.to_json(ORDER)))) == ORDER


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"soakrig": "run"}, "not an order"),
        ({"format": 2}, "format '2'"),
        ({"deed": "reboot"}, "'reboot'"),
        ({"id": "../../etc/passwd"}, "^id '../../etc/passwd'; expected"),
        ({"id": 7}, "^id '7'; expected"),
        ({"asked_ns": True}, "^sender or time is missing$"),
        ({"data": [1]}, "data .* are no mapping"),
        ({"data": {"text": "x" * 20_000}}, "20000 characters"),
    ],
)
def test_what_is_wrong_is_named(change: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        orders.from_json(orders.to_json(ORDER) | change)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@given(JSON, st.dictionaries(st.sampled_from(list(orders.to_json(ORDER))), JSON))
def test_nothing_but_an_order_or_a_named_error_comes_out(value: Any, changes: dict[str, Any]) -> None:
    for one in (value, orders.to_json(ORDER) | changes):
        try:
            made = orders.from_json(one)
        except ValueError:
            continue
        assert isinstance(made, Order)
