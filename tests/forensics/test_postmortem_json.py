"""A post-mortem as plain data: kept whole for ourselves, under stable names for others."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.forensics.analysis import analyse
from rig.forensics.answer import ExcursionOrder, PostMortem
from rig.forensics.postmortem_json import SCHEMA, from_storage, to_json, to_storage
from tests.everything import every
from tests.forensics.test_analysis import two_channel_death


@given(every(PostMortem))
@settings(max_examples=15, deadline=None)
def test_any_post_mortem_comes_back_as_it_was_kept(found: PostMortem) -> None:
    assert from_storage(json.loads(json.dumps(to_storage(found)))) == found


TOP = {
    "schema", "rig", "unit", "serial", "confidence", "span_ns", "reference_ns", "episode_ns", "headline",
    "channels", "order", "onset_order", "findings", "consequences", "cycling", "early", "neighbours", "events",  # noqa: E501
    "limitations",
}  # fmt: skip
CHANNEL = {
    "channel", "unit", "kind", "unit_of_measure", "censoring", "readings", "usable", "excursions", "ordered",
    "early", "onset", "onset_note", "period_s",
}  # fmt: skip
EXCURSION = {
    "channel", "side", "limit", "last_inside", "first_outside", "last_outside", "returned", "worst",
    "counted_ns", "sure", "pieces", "part", "moved", "lost", "interval",
}  # fmt: skip
INTERVAL = {"earliest_ns", "latest_ns", "best_ns", "method", "reasons"}
PAIR = {"first", "second", "certain", "probability", "resolvable_at_s", "obstacle"}
FINDING = {"role", "subject", "weight", "text", "channels", "evidence", "ruled_out_if", "main"}


def test_field_names_stay_as_the_schema_number_promises() -> None:
    data = to_json(analyse(two_channel_death()))
    assert (data["schema"], SCHEMA) == (2, 2)
    assert set(data) == TOP
    [rise] = [c for c in data["channels"] if c["channel"] == "A1.rise"]
    assert set(rise) == CHANNEL
    assert set(rise["ordered"]) == EXCURSION
    assert set(rise["ordered"]["interval"]) == INTERVAL
    assert set(rise["ordered"]["interval"]["reasons"][0]) == {"code", "text", "widened_s"}
    assert set(rise["ordered"]["first_outside"]) == {"index", "t_ns", "h_ns", "value"}
    assert set(data["order"]) == {"channels", "tiers", "ranks", "pairs"}
    assert set(data["order"]["pairs"][0]) == PAIR
    assert set(data["findings"][0]) == FINDING
    assert set(data["headline"]) == {"result", "when", "first_out", "confidence", "check_first"}


@given(every(PostMortem))
@settings(max_examples=15, deadline=None)
def test_what_others_get_is_json_without_quantiles(found: PostMortem) -> None:
    told = json.loads(json.dumps(to_json(found), allow_nan=False))
    assert all("quantiles_ns" not in one for one in objects(told) if "earliest_ns" in one)


@given(every(PostMortem, order=every(ExcursionOrder, ranks=st.just({"quantiles_ns": (1, 2)}))))
@settings(max_examples=3, deadline=None)
def test_a_channel_that_is_called_like_what_is_left_out_stays(found: PostMortem) -> None:
    assert to_json(found)["order"]["ranks"] == {"quantiles_ns": [1, 2]}


def test_what_is_no_post_mortem_is_refused() -> None:
    with pytest.raises(ValueError, match="missing required field"):
        from_storage({"headline": {}})


def objects(value: Any) -> list[dict[str, Any]]:
    if isinstance(value, dict):
        return [value, *(inner for one in value.values() for inner in objects(one))]
    return [inner for one in value for inner in objects(one)] if isinstance(value, list) else []
