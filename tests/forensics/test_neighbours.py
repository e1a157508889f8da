"""What the other units and the room did in the minutes around a failure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.domain.model import ChannelKind
from rig.domain.operating_state import Cause, Certainty, OperatingState, StateChange
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import ChannelStory, Neighbour
from rig.forensics.neighbours import neighbours
from rig.forensics.unit_lives import UnitLife
from tests.forensics.rooms import START_NS, Room, channel, series
from tests.forensics.test_aftermath import out, story

S = 1_000_000_000
WINDOW = (START_NS + 900 * S, START_NS + 1000 * S)


def around(
    stories: dict[str, ChannelStory] | None = None,
    mains_v: float = 0.0,
    lives: dict[str, UnitLife] | None = None,
) -> dict[str, Neighbour]:
    """Units A1 (asked about) to A3, mains, air and a response of the room; all normal but for this."""
    channels = [
        channel("A1.x"),
        channel("A2.x", unit="A2"),
        channel("A2.y", unit="A2"),
        channel("A3.x", unit="A3"),
        channel("mains", unit=None, kind=ChannelKind.STIMULUS),
        channel("air", unit=None, kind=ChannelKind.STIMULUS),
        channel("hum", unit=None),
        channel("A2.signal", unit="A2", kind=ChannelKind.STIMULUS),
    ]
    t = np.arange(1200)
    data = {c.name: series(c.name, t, 10 + 0.5 * np.resize([-1.0, 0, 1, 0], 1200)) for c in channels}
    data["mains"].value[1000:] += mains_v
    room = Room(channels=channels, data=data)
    made = {c.name: replace(story(c.name), unit=c.unit, kind=c.kind) for c in channels} | (stories or {})
    found = neighbours(
        AnalysisData(room, room.layout, room.span), made, lives=lives or {}, unit="A1", window_ns=WINDOW,
        at_ns=START_NS + 1000 * S,
    )  # fmt: skip
    assert sorted(n.subject for n in found[:2]) == ["A2", "A3"]
    assert [n.subject for n in found[2:]] == ["mains", "air"]
    return {n.subject: n for n in found}


def failed_at(unit: str, t_s: float, certainty: Certainty = Certainty.LIKELY) -> UnitLife:
    change = StateChange(
        serial="2", state=OperatingState.FAILED, before=OperatingState.MUTED, cause=Cause.UNKNOWN,
        certainty=certainty, earliest_ns=START_NS + round((t_s - 1) * S),
        latest_ns=START_NS + round((t_s + 1) * S), at_ns=START_NS + round((t_s + 60) * S),
    )  # fmt: skip
    return UnitLife(unit=unit, serial="2", start_ns=START_NS, end_ns=START_NS + 1200 * S, failed=change)


def test_a_unit_that_failed_is_told_before_the_others_and_before_its_channels() -> None:
    beside = {"A2.x": replace(story("A2.x", 950), unit="A2")}
    found = around(beside, lives={"A3": failed_at("A3", 980)})
    assert list(found)[:2] == ["A3", "A2"]
    assert (found["A3"].state, found["A3"].text) == ("failed", "likely failure, 20 s before this")
    certain = around(lives={"A3": failed_at("A3", 1000, Certainty.CERTAIN)})
    assert certain["A3"].text.startswith("failed, ")


@pytest.mark.parametrize(("t_s", "state"), [(1000, "failed"), (1000.1, "normal")])
def test_what_failed_after_these_minutes_had_not_failed_yet(t_s: float, state: str) -> None:
    assert around(lives={"A3": failed_at("A3", t_s)})["A3"].state == state


def test_every_other_unit_and_every_stimulus_of_the_room_has_its_line() -> None:
    found = around()
    assert {n.state for n in found.values()} == {"normal"}
    assert found["A2"].text == "within limits"
    assert found["mains"].text == "no change"


@pytest.mark.parametrize(
    ("begun", "back", "state"),
    [
        (950, 960, "out"),
        (1000, 1100, "out"),
        (1001, 1100, "normal"),
        (800, 900, "out"),
        (800, 899, "normal"),
        (100, None, "out"),
        (1100, None, "normal"),
    ],
)
def test_out_means_out_at_any_time_within_these_minutes(begun: int, back: int | None, state: str) -> None:
    one = replace(story("A2.y"), excursions=(out("A2.y", begun, back_s=back),))
    assert around({"A2.y": one})["A2"].state == state
    mains = replace(story("mains"), excursions=(out("mains", begun, back_s=back),))
    assert around({"mains": mains})["mains"].state == state


def test_which_channels_were_out_is_named() -> None:
    one = replace(story("A2.y"), excursions=(out("A2.y", 950),))
    found = around({"A2.y": one})["A2"]
    assert (found.text, found.channels) == ("out of limits: A2.y", ("A2.y",))
    mains = around({"mains": replace(story("mains"), excursions=(out("mains", 950),))})["mains"]
    assert (mains.text, mains.channels) == ("out of limits", ("mains",))


def test_what_was_not_sure_is_not_out() -> None:
    doubtful = replace(out("A2.y", 950), sure=False)
    assert around({"A2.y": replace(story("A2.y"), excursions=(doubtful,))})["A2"].state == "normal"


def test_a_unit_not_one_channel_of_which_was_read_is_unread() -> None:
    none = {name: replace(story(name), usable=0) for name in ("A2.x", "A2.y", "A2.signal")}
    found = around(none)["A2"]
    assert (found.state, found.text) == ("unread", "no usable reading")
    del none["A2.x"]
    assert around(none)["A2"].state == "normal"
    assert around({"air": replace(story("air"), usable=0)})["air"].state == "unread"


def test_a_stimulus_that_left_its_earlier_range_at_the_moment_has_shifted() -> None:
    found = around(mains_v=5.0)["mains"]
    assert (found.state, found.channels) == ("changed", ("mains",))
    assert "above its earlier range" in found.text
    out_too = replace(story("mains"), excursions=(out("mains", 950),))
    assert around({"mains": out_too}, mains_v=5.0)["mains"].state == "out"
