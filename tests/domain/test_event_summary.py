"""What events come to in a few numbers, whole or in pieces."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from rig.domain.event_summary import EventSummary, joined, summarise
from rig.domain.jsonmap import made, plain
from rig.domain.model import Event, EventKind


def event(kind: EventKind, subject: str, **data: object) -> Event:
    return Event(kind=kind, t_ns=0, session=1, seq=0, subject=subject, text="", data=data)


OUT = event(EventKind.LIMIT_OUT, "A1.heatsink", side="high")
IN = event(EventKind.LIMIT_IN, "A1.heatsink", side="high")
LOW = event(EventKind.LIMIT_OUT, "A1.heatsink", side="low")
START = event(EventKind.SESSION_START, "run")
SWAP = event(EventKind.UNIT, "A1", serial="0019")
NOTE = event(EventKind.NOTE, "run")

GOES_ON = event(EventKind.SESSION_START, "run", left_open=[["A1.heatsink", "high"]])
AGAIN = event(EventKind.LIMIT_OUT, "A1.heatsink", side="high", again=True)

EVENTS = st.lists(st.sampled_from([OUT, IN, LOW, START, SWAP, NOTE, GOES_ON, AGAIN]), max_size=20)


def test_a_channel_that_came_back_is_not_out() -> None:
    assert summarise([OUT]).still_out == ("A1.heatsink",)
    assert summarise([OUT, IN]).still_out == ()
    assert summarise([OUT, LOW, IN]).still_out == ("A1.heatsink",)


def test_a_new_session_says_again_what_is_still_out() -> None:
    assert summarise([OUT, START]).still_out == ()
    assert summarise([OUT, START, OUT]).still_out == ("A1.heatsink",)


def test_a_session_that_names_what_it_goes_on_with_forgets_nothing_and_counts_it_once() -> None:
    found = summarise([OUT, GOES_ON, AGAIN])
    assert (found.still_out, found.excursions("A1.heatsink")) == (("A1.heatsink",), 1)
    assert summarise([OUT, GOES_ON]).open_keys == [("A1.heatsink", "high")]
    back = summarise([OUT, GOES_ON, IN, OUT, LOW])
    assert (back.excursions("A1.heatsink"), back.began) == (3, False)


def test_what_an_older_index_says_is_read_as_it_was_meant() -> None:
    older = {"kinds": {"limit-out": {"x": 2}}, "out": {}, "serials": [], "began": True}
    assert made(EventSummary, older).excursions("x") == 2


def test_a_note_after_the_end_brings_no_channel_back() -> None:
    noted = [event(EventKind.SESSION_START, "run", brief=True), NOTE]
    assert summarise([OUT, *noted]).still_out == ("A1.heatsink",)
    assert joined([summarise([OUT]), summarise(noted)]).still_out == ("A1.heatsink",)


def test_events_are_counted_by_kind_and_subject_and_serial_numbers_kept_once() -> None:
    found = summarise([OUT, IN, OUT, NOTE, SWAP, SWAP])
    assert found.kinds["limit-out"] == {"A1.heatsink": 2}
    assert found.count(EventKind.NOTE) == 1
    assert found.serials == ("0019",)


@given(st.lists(EVENTS, max_size=5))
def test_pieces_come_to_the_same_as_the_whole(pieces: list[list[Event]]) -> None:
    whole = summarise([one for piece in pieces for one in piece])
    assert joined([summarise(piece) for piece in pieces]) == whole
    assert made(EventSummary, json.loads(json.dumps(plain(whole)))) == whole
