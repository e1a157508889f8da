"""Onset: departure from a channel's own normal, not from what is done to it."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.model import ChannelKind
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import Onset
from rig.forensics.onset import onset
from tests.forensics.rooms import START_NS, Room, channel, series

T = np.arange(0, 3600.0, 2)
UNTIL = START_NS + int(3500e9)


def look(rows: dict[str, np.ndarray], name: str = "A1.t", **kinds: ChannelKind) -> tuple[Onset | None, str]:
    channels = [
        channel(
            n,
            unit=n.split(".")[0] if "." in n else None,
            kind=kinds.get(n.replace(".", "_"), ChannelKind.RESPONSE),
        )
        for n in rows
    ]
    room = Room(channels=channels, data={n: series(n, T, v) for n, v in rows.items()})
    return onset(AnalysisData(room, room.layout, room.span), name, UNTIL, None, 0.95)


def wander(seed: int, sigma: float = 0.2) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, len(T))


def test_the_onset_of_a_slow_rise_is_bracketed_long_before_any_limit() -> None:
    rise = np.where(T > 2000, 0.01 * (T - 2000), 0.0)
    found, note = look({"A1.t": 60 + rise + wander(1), "A2.t": 61 + wander(2), "A3.t": 59 + wander(3)})
    assert found is not None, note
    assert found.interval.earliest_ns is not None
    assert found.interval.latest_ns is not None
    assert found.interval.earliest_ns <= START_NS + 2000e9 <= found.interval.latest_ns
    assert found.interval.width_s < 300
    assert found.rising
    assert found.baseline == pytest.approx(60, abs=0.1)
    assert set(found.corrected_for) == {"A2.t", "A3.t"}


def test_no_departure_is_an_answer_with_the_slope_that_would_not_have_been_seen() -> None:
    found, note = look({"A1.t": 60 + wander(4), "A2.t": 61 + wander(5)})
    assert found is None
    assert "drift below" in note


def test_what_all_units_do_together_is_not_a_departure() -> None:
    together = np.where(T > 1800, 8.0, 0.0) + 20 * (1 - np.exp(-T / 400))  # warm-up, then a mains step
    rows = {
        "A1.t": 60 + 1.02 * together + wander(6),
        "A2.t": 61 + together + wander(7),
        "A3.t": 59 + together + wander(8),
    }
    assert look(rows)[0] is None


def test_a_unit_alone_is_judged_against_its_stimuli() -> None:
    mains = 230 + np.where((T > 300) & (T < 900), 10.0, 0.0) + np.where(T > 2400, 10.0, 0.0) + wander(9, 0.1)
    quiet = {"A1.t": 60 + 0.5 * (mains - 230) + wander(10), "mains": mains}
    assert look(quiet, mains=ChannelKind.STIMULUS)[0] is None
    sick = {"A1.t": quiet["A1.t"] + np.where(T > 2800, 0.02 * (T - 2800), 0.0), "mains": mains}
    found, note = look(sick, mains=ChannelKind.STIMULUS)
    assert found is not None, note
    assert found.interval.best_ns is not None
    assert (found.interval.best_ns - START_NS) / 1e9 == pytest.approx(2800, abs=120)


def test_a_stimulus_has_no_normal_to_depart_from() -> None:
    found, note = look(
        {"mains": 230 + np.where(T > 2000, 20.0, 0.0) + wander(11)}, "mains", mains=ChannelKind.STIMULUS
    )
    assert found is None
    assert "stimulus" in note


def test_too_short_a_recording_says_so() -> None:
    room = Room(channels=[channel("A1.t")], data={"A1.t": series("A1.t", np.arange(20.0), np.ones(20))})
    found, note = onset(AnalysisData(room, room.layout, room.span), "A1.t", START_NS + int(20e9), None, 0.95)
    assert found is None
    assert note == "baseline too short"
