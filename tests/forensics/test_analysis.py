"""The whole answer on small recordings whose truth is plain."""

from __future__ import annotations

import json

import numpy as np
import pytest

from rig.domain.model import Event, EventKind
from rig.errors import UsageError
from rig.forensics import analyse, to_json
from rig.forensics.answer import Censoring, PostMortem
from tests.forensics.rooms import START_NS, Room, channel, high, low, series


def two_channel_death() -> Room:
    t = np.arange(0.0, 100.0)
    rising = np.where(t < 50, 20.0, 20.0 + 40 * (t - 50))
    falling = np.where(t < 60.5, 28.0, 0.0)
    return Room(
        channels=[
            channel("A1.rise", high(90.0), instrument="one"),
            channel("A1.out", low(20.0), instrument="two"),
            channel("A1.calm", high(90.0), instrument="two"),
            channel("A2.out", low(20.0), unit="A2", instrument="two"),
        ],
        data={
            "A1.rise": series("A1.rise", t, rising, h_s=0.01),
            "A1.out": series("A1.out", t + 0.3, falling, h_s=0.01),
            "A1.calm": series("A1.calm", t + 0.3, np.full(100, 50.0), h_s=0.01),
            "A2.out": series("A2.out", t + 0.4, np.full(100, 28.0), h_s=0.01),
        },
    )


def test_the_unit_that_never_came_back_is_chosen_and_its_first_channel_named() -> None:
    answer = analyse(two_channel_death())
    assert answer.unit == "A1"
    assert answer.serial == "SA1"
    assert answer.order.tiers == (("A1.rise",), ("A1.out",))
    assert answer.order.ranks == {"A1.rise": (1, 1), "A1.out": (2, 2)}
    assert answer.story("A1.calm").censoring is Censoring.RIGHT
    assert "A1.rise" in answer.headline.first_out


def test_the_answer_is_plain_json_data() -> None:
    data = to_json(analyse(two_channel_death()))
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again == data
    assert again["schema"] == 2
    assert again["order"]["tiers"] == [["A1.rise"], ["A1.out"]]


def test_a_recording_in_which_nothing_happened_says_so() -> None:
    room = two_channel_death()
    quiet = Room(channels=room.channels[2:], data=room.data)
    answer = analyse(quiet)
    assert answer.order.channels == ()
    assert answer.episode_ns is None
    assert "no channel" in answer.headline.result


def test_an_unknown_unit_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match="A9"):
        analyse(two_channel_death(), unit="A9")


def test_a_channel_out_at_its_first_reading_is_left_censored() -> None:
    room = two_channel_death()
    t = np.arange(0.0, 100.0)
    data = {**room.data, "A1.out": series("A1.out", t, np.zeros(100))}
    answer = analyse(Room(channels=room.channels, data=data))
    story = answer.story("A1.out")
    assert story.censoring is Censoring.LEFT
    assert story.ordered is not None
    assert story.ordered.interval.earliest_ns is None


def test_an_instrument_that_was_silent_for_a_while_is_named_though_it_came_back() -> None:
    def happened(t_s: float, kind: EventKind) -> Event:
        t_ns = START_NS + round(t_s * 1e9)
        return Event(kind=kind, t_ns=t_ns, session=1, seq=round(t_s), subject="two", text="", data={})

    room = two_channel_death()
    room.happened = [
        happened(10, EventKind.INSTRUMENT_LOST), happened(14, EventKind.INSTRUMENT_BACK),
        happened(80, EventKind.INSTRUMENT_LOST),
    ]  # fmt: skip
    (told,) = (one for one in analyse(room).limitations if "offline" in one)
    # the second silence has no end on record: it lasts to the last reading, at 99.4 s
    assert told.startswith("two offline 2 times, 23 s in all, last from ")


# ---- the minutes around a failure: two hours, one reading in 4 s; A1 fails for good at 3600 s


def two_hours(neighbour: tuple[float, float] | None = None, events_s: tuple[float, ...] = ()) -> PostMortem:
    """neighbour: from when to when A2 is out."""
    t = np.arange(0.0, 7200.0, 4.0)
    away = np.zeros(len(t), bool) if neighbour is None else (t >= neighbour[0]) & (t < neighbour[1])
    happened = [
        Event(
            kind=EventKind.NOTE, t_ns=START_NS + round(s * 1e9), session=1, seq=k, subject="x", text=f"{s:g}"
        )
        for k, s in enumerate(events_s)
    ]
    room = Room(
        channels=[
            channel("A1.out", low(20.0), instrument="one"),
            channel("A2.out", low(20.0), unit="A2", instrument="two"),
        ],
        data={
            "A1.out": series("A1.out", t, np.where(t < 3600, 28.0, 5.0)),
            "A2.out": series("A2.out", t, np.where(away, 5.0, 28.0)),
        },
        happened=happened,
    )
    return analyse(room, "A1")


def test_times_count_from_the_most_likely_moment_of_the_first_way_out() -> None:
    answer = two_hours()
    assert answer.reference_ns == START_NS + 3_598_000_000_000  # between the readings of 3596 and 3600 s
    assert answer.episode_ns is not None
    assert answer.episode_ns[0] == START_NS + 3_600_000_000_000


@pytest.mark.parametrize(
    ("neighbour", "state"),
    [
        ((4190, 4400), "out"),  # ten minutes after
        ((4204, 4400), "normal"),
        ((3200, 3456), "out"),  # a fiftieth of two hours, 144 s, before
        ((3200, 3452), "normal"),
    ],
)
def test_a_neighbour_is_looked_at_from_a_fiftieth_before_to_ten_minutes_after(
    neighbour: tuple[float, float], state: str
) -> None:
    [found] = two_hours(neighbour).neighbours
    assert (found.subject, found.state) == ("A2", state)


def test_events_are_those_within_five_minutes_more() -> None:
    answer = two_hours(events_s=(3152, 3156, 3598, 4496, 4500))
    assert [event.text for event in answer.events] == ["3156", "3598", "4496"]
