"""Headline and limitations of post-mortems, word by word."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.domain.model import Event, EventKind
from rig.forensics import analyse
from rig.forensics.answer import Attribution, PostMortem, Role
from tests.forensics.rooms import NO_VALUE, START_NS, Room, channel, high, low, series

T = np.arange(0.0, 300.0)
CALM = np.full(300, 50.0) + np.random.default_rng(3).normal(0, 0.01, 300)


def failed(certainty: str, t_s: float = 235.0) -> Event:
    """Return the recorded change of A1 to failed."""
    t_ns = START_NS + round(t_s * 1e9)
    return Event(
        kind=EventKind.STATE, t_ns=t_ns, session=0, seq=0, subject="A1", text="failed",
        data={
            "serial": "SA1", "state": "failed", "before": "driven", "certainty": certainty, "retracts": False,
            "cause": "note" if certainty == "certain" else "unknown", "evidence": ["no output"],
            "earliest_ns": t_ns - 10, "latest_ns": t_ns,
        },
    )  # fmt: skip


def found(
    *, returned: bool = False, second_at_s: float = 220.0, happened: tuple[Event, ...] = ()
) -> PostMortem:
    """Return the post-mortem of a unit whose channel ``rise`` leaves its limit first, ``out`` second."""
    back = 240 if returned else 1000
    rise = np.where((T >= 200) & (back > T), 95.0, CALM)
    out = np.where((second_at_s <= T) & (back > T), 5.0, CALM)
    return analyse(Room(
        channels=[
            channel("A1.rise", high(90.0), instrument="one"), channel("A1.out", low(20.0), instrument="two"),
        ],
        data={
            "A1.rise": series("A1.rise", T, rise, h_s=0.01),
            "A1.out": series("A1.out", T + 0.3, out, h_s=0.01),
        },
        happened=happened,
    ))  # fmt: skip


def test_a_unit_that_stays_out_failed_and_one_that_returns_did_not() -> None:
    assert found().headline.result == "A1 failed; first out: A1.rise (high limit)"
    returned = found(returned=True).headline.result
    assert returned == "A1 out of limits, returned to normal; first out: A1.rise (high limit)"


@pytest.mark.parametrize(
    ("happened", "outcome"),
    [
        ((failed("certain"),), "failed"),
        ((failed("possible"),), "suspected to have failed (possible)"),
        ((failed("likely"),), "suspected to have failed (likely)"),
        ((failed("likely", 100.0),), "out of limits, returned to normal"),  # that was before, another story
        ((failed("likely", 290.0),), "out of limits, returned to normal"),  # and that was after it
    ],
)
def test_a_unit_that_failed_is_not_said_to_have_returned_to_normal(
    happened: tuple[Event, ...], outcome: str
) -> None:
    """Its low limits sleep from then on, so nothing of it is out of limits any more."""
    told = found(returned=True, happened=happened).headline.result
    assert told == f"A1 {outcome}; first out: A1.rise (high limit)"


def test_confidence_says_whether_first_out_is_certain_and_where_the_cause_is() -> None:
    assert found().headline.confidence.startswith("first-out certain; cause in the unit ")
    close = found(second_at_s=200.0).headline
    assert close.confidence.startswith("first-out undetermined among 2 channels, A1.rise most likely")
    assert close.first_out == "A1.rise or A1.out"
    assert close.check_first.startswith("A1.rise, A1.out (order undetermined)")


def test_an_excluded_channel_is_named_with_the_kind_of_fault() -> None:
    status = list(np.where(T >= 150, NO_VALUE, 0))
    room = Room(
        channels=[channel("A1.rise", high(90.0), unit_of_measure="degC", instrument="one")],
        data={"A1.rise": series("A1.rise", T, np.where(T >= 150, np.nan, CALM), h_s=0.01, status=status)},
    )
    (excluded,) = (one for one in analyse(room).limitations if "excluded" in one)
    assert excluded.startswith("A1.rise excluded (sensor fault): 150 readings with status 'no value'")


@pytest.mark.parametrize(
    ("weight", "word"), [(0.95, "very likely"), (0.949, "likely"), (0.8, "likely"), (0.799, "uncertain")]
)
def test_a_weight_becomes_a_word(weight: float, word: str) -> None:
    assert Attribution(role=Role.UNIT, subject="A1", weight=weight, text="").likelihood == word


def test_no_fault_is_said_in_one_sentence() -> None:
    calm = series("A1.rise", T, CALM, h_s=0.01)
    answer = analyse(Room(channels=[channel("A1.rise", high(90.0))], data={"A1.rise": calm}))
    assert answer.headline.result == (
        "no channel significantly out of limits; no sensor fault or instrument fault found"
    )
    assert replace(answer.headline, result="").check_first == "nothing"
