"""Values to JSON values and back: whatever is kept is read again as it was, and what is printed is JSON."""

from __future__ import annotations

import enum
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig.domain import layout_json
from rig.domain.accounting import Accounting
from rig.domain.event_summary import EventSummary
from rig.domain.jsonmap import made, plain, printed
from rig.domain.model import Layout
from rig.domain.program import Phase, PhaseCondition, Program, StimulusSource
from tests.everything import every


class Colour(enum.StrEnum):
    RED = "red"


class Place(NamedTuple):
    row: int
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    name: str
    colour: Colour = Colour.RED
    day: date | None = None
    places: Mapping[int, Place] = field(default_factory=dict)
    bounds: tuple[float, float] | None = None
    data: Any = None


def through_a_file(value: Any) -> Any:
    """What another process reads: Python's own JSON, as the store writes and reads it."""
    return json.loads(json.dumps(value, ensure_ascii=False))


def test_every_kind_of_value_has_one_form() -> None:
    thing = Thing(name="a", day=date(2031, 2, 3), places={1: Place(2, 0.5)}, bounds=(1.0, 2.0))
    assert through_a_file(plain(thing)) == {
        "name": "a", "colour": "red", "day": "2031-02-03", "places": {"1": [2, 0.5]}, "bounds": [1.0, 2.0],
        "data": None,
    }  # fmt: skip
    assert made(Thing, through_a_file(plain(thing))) == thing


def test_arrays_and_mappings_of_any_make_are_taken() -> None:
    data = [np.arange(3), np.float64(1.5), np.bool_(True), MappingProxyType({2: {7}}), {"x": (1,)}]
    assert printed(data) == [[0, 1, 2], 1.5, True, {"2": [7]}, {"x": [1]}]
    with pytest.raises(TypeError, match="object has no form in JSON"):
        plain([object()])


def test_infinities_are_kept_for_ourselves_and_null_for_others() -> None:
    thing = Thing(name="a", bounds=(-math.inf, math.inf), data={"x": [math.nan]})
    kept = through_a_file(plain(thing))
    assert made(Thing, kept).bounds == (-math.inf, math.inf)
    assert math.isnan(kept["data"]["x"][0])
    assert printed(thing)["bounds"] == [None, None]
    assert printed(thing)["data"] == {"x": [None]}
    json.dumps(printed(thing), allow_nan=False)


def test_what_is_not_known_is_left_alone_and_what_is_missing_takes_its_default() -> None:
    assert made(Thing, {"name": "a", "invented-later": 1}) == Thing(name="a")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "missing required field `name`"),
        ({"name": 1}, r"Expected `str`, got `int` - at `\$\.name`"),
        ({"name": "a", "bounds": [1, "x"]}, r"got `str` - at `\$\.bounds\[1\]`"),
        ({"name": "a", "colour": "blue"}, r"Invalid enum value 'blue' - at `\$\.colour`"),
        ({"name": "a", "day": "soon"}, r"at `\$\.day`"),
        ([], "Expected `object`, got `array`"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_place(values: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        made(Thing, values)


LAYOUTS = every(
    Layout,
    accounting=st.none() | every(Accounting),
    program=st.none()
    | every(Program, sources=st.dictionaries(st.text(max_size=5), every(StimulusSource), max_size=1)),
)


@example(
    Layout(
        rig="",
        units={},
        channels={},
        instruments={},
        program=Program(
            phases=(Phase(name="", until=(PhaseCondition(channel="", low=math.inf, high=-math.inf),)),),
            order=(),
        ),
    )
)
@given(LAYOUTS)
def test_any_layout_comes_back_as_it_was(layout: Layout) -> None:
    assert layout_json.layout_from_json(through_a_file(layout_json.to_json(layout))) == layout


@given(every(EventSummary))
def test_any_digest_of_events_comes_back_as_it_was(told: EventSummary) -> None:
    assert made(EventSummary, through_a_file(plain(told))) == told


def test_a_bound_that_is_none_is_null_in_the_file() -> None:
    phase = Phase(name="p", until=(PhaseCondition(channel="heat", low=60.0),))
    layout = Layout(
        rig="r", units={}, channels={}, instruments={}, program=Program(phases=(phase,), order=("p",))
    )
    kept = layout_json.to_json(layout)
    assert kept["program"]["phases"][0]["until"] == [{"channel": "heat", "low": 60.0, "high": None}]
    assert layout_json.layout_from_json(through_a_file(kept)) == layout
