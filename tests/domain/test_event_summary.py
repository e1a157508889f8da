"""What events come to in a few numbers, whole or in pieces."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from rig.domain.event_summary import from_json, joined, summarise, to_json
from rig.domain.model import Event, EventKind


def event(kind: EventKind, subject: str, **data: object) -> Event:
    return Event(kind=kind, t_ns=0, session=1, seq=0, subject=subject, text="", data=data)


OUT = event(EventKind.LIMIT_OUT, "A1.heatsink", side="high")
IN = event(EventKind.LIMIT_IN, "A1.heatsink", side="high")
LOW = event(EventKind.LIMIT_OUT, "A1.heatsink", side="low")
START = event(EventKind.SESSION_START, "run")
SWAP = event(EventKind.UNIT, "A1", serial="0019")
NOTE = event(EventKind.NOTE, "run")

EVENTS = st.lists(st.sampled_from([OUT, IN, LOW, START, SWAP, NOTE]), max_size=20)


def test_a_channel_that_came_back_is_not_out() -> None:
    assert summarise([OUT]).still_out == ("A1.heatsink",)
    assert summarise([OUT, IN]).still_out == ()
    assert summarise([OUT, LOW, IN]).still_out == ("A1.heatsink",)


def test_a_new_session_says_again_what_is_still_out() -> None:
    assert summarise([OUT, START]).still_out == ()
    assert summarise([OUT, START, OUT]).still_out == ("A1.heatsink",)


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
    assert from_json(json.loads(json.dumps(to_json(whole)))) == whole
