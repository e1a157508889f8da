"""A single reading that strayed is told as that; it blames nobody unless something else stayed out too."""

from __future__ import annotations

import numpy as np
import pytest

from rig.forensics import analyse
from rig.forensics.answer import PostMortem, Role
from rig.forensics.spikes import NAMED, TOGETHER_POLLS
from tests.forensics.rooms import Room, channel, high, low, series

T = np.arange(400.0)
HEAT, AMPS = channel("A1.heat", high(95.0)), channel("A1.amps", low(1.0))


def answer(heat: np.ndarray, amps: np.ndarray | None = None, t_heat: np.ndarray = T) -> PostMortem:
    amps = np.full(len(T), 3.0) if amps is None else amps
    data = {"A1.heat": series("A1.heat", t_heat, heat), "A1.amps": series("A1.amps", T, amps)}
    return analyse(Room([HEAT, AMPS], data), "A1")


def spiked(*at: int) -> np.ndarray:
    heat = np.full(len(T), 84.0)
    heat[list(at)] = 96.5
    return heat


def main(found: PostMortem) -> tuple[Role, str]:
    (one,) = [one for one in found.findings if one.main]
    return one.role, one.text


def test_one_stray_reading_counts_and_blames_nobody() -> None:
    found = answer(spiked(200))
    role, text = main(found)
    assert role is Role.NONE
    assert "single-sample spike of A1.heat" in text
    assert "96.5 V, 84 before and 84 after it" in text
    assert found.order.channels == ()
    assert found.episode_ns is None
    (story, _) = found.channels
    assert [e.is_spike for e in story.excursions] == [True]
    assert any("one reading blames nobody" in one for one in found.limitations)


def test_two_readings_in_a_row_are_no_spike() -> None:
    found = answer(spiked(200, 201))
    assert main(found)[0] is Role.UNIT
    assert not any("single-sample" in one for one in found.limitations)


def test_a_single_reading_at_the_very_end_may_be_the_beginning_of_something() -> None:
    assert main(answer(spiked(len(T) - 1)))[0] is Role.UNIT


def test_a_single_reading_before_which_nothing_was_read_is_no_spike() -> None:
    assert not answer(spiked(0)).channels[0].excursions[0].is_spike


@pytest.mark.parametrize(
    ("later_s", "alone"), [(TOGETHER_POLLS, False), (TOGETHER_POLLS + 1, True), (-TOGETHER_POLLS - 5, False)]
)
def test_a_spike_as_another_channel_stays_out_may_be_its_first_sign(later_s: float, alone: bool) -> None:
    """Two polls: a channel read just before another may show a fault a poll later, and so may its stamp."""
    assert TOGETHER_POLLS == 2.0
    amps = np.where(200 + later_s <= T, 0.0, 3.0)
    found = answer(spiked(200), amps)
    assert ("A1.heat" not in found.order.channels) == alone
    assert "A1.amps" in found.order.channels


def test_a_spike_of_one_unit_is_not_explained_by_what_another_unit_did() -> None:
    other = channel("A2.amps", low(1.0), unit="A2")
    data = {
        "A1.heat": series("A1.heat", T, spiked(200)),
        "A2.amps": series("A2.amps", T, np.where(T >= 200, 0.0, 3.0)),
    }
    assert main(analyse(Room([HEAT, other], data), "A1"))[0] is Role.NONE


def test_of_many_spikes_the_first_are_told_and_the_rest_counted() -> None:
    assert NAMED == 3
    places = [20, 55, 61, 170, 330]
    said = [one for one in answer(spiked(*places)).limitations if "single-sample" in one]
    assert len(said) == NAMED + 1
    assert said[-1] == "2 more single-sample spikes of A1.heat"
    few = [one for one in answer(spiked(*places[:3])).limitations if "single-sample" in one]
    assert len(few) == 3
