"""The plain-data form: field names that stay, times as integers, nothing JSON cannot carry."""

from __future__ import annotations

import json

from rig.forensics import analyse, to_json
from rig.forensics.postmortem_json import SCHEMA
from tests.forensics.test_analysis import two_channel_death

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
    "counted", "sure", "pieces", "lost", "interval",
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


def test_times_are_integers_and_the_whole_survives_json_unchanged() -> None:
    data = to_json(analyse(two_channel_death()))
    assert isinstance(data["reference_ns"], int)
    assert json.loads(json.dumps(data, allow_nan=False)) == data
