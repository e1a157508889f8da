"""What was gone for a while: each beginning finds its end, within its session and for its subject."""

from __future__ import annotations

from rig.domain.model import Event, EventKind
from rig.domain.outages import Outage, absences, begins


def event(kind: EventKind, t_s: int, subject: str = "scanner", session: int = 1, **data: str) -> Event:
    return Event(
        kind=kind, t_ns=t_s * 10**9, session=session, seq=t_s, subject=subject, text=kind.value, data=data
    )


def test_an_end_belongs_to_the_beginning_of_its_own_subject_and_kind() -> None:
    lost, unread = event(EventKind.INSTRUMENT_LOST, 1), event(EventKind.NO_VALID, 2, "A1.volts")
    other = event(EventKind.INSTRUMENT_LOST, 3, "mains")
    read, back = event(EventKind.VALID_AGAIN, 4, "A1.volts"), event(EventKind.INSTRUMENT_BACK, 5)
    assert absences([lost, unread, other, read, back]) == [
        Outage(begun=lost, ended=back),
        Outage(begun=unread, ended=read),
        Outage(begun=other),
    ]


def test_a_session_ends_nothing_that_another_began() -> None:
    lost = event(EventKind.INSTRUMENT_LOST, 1)
    back = event(EventKind.INSTRUMENT_BACK, 9, session=2)
    assert absences([lost, back]) == [Outage(begun=lost)]


def test_the_first_word_that_something_is_gone_begins_it() -> None:
    first, again = event(EventKind.INSTRUMENT_LOST, 1), event(EventKind.INSTRUMENT_LOST, 2)
    back = event(EventKind.INSTRUMENT_BACK, 3)
    assert absences([first, again, back]) == [Outage(begun=first, ended=back)]


def test_a_failure_of_sealing_is_a_moment() -> None:
    moment = event(EventKind.STORE_FAULT, 1, "run", cause="seal")
    refused = event(EventKind.STORE_FAULT, 2, "run", cause="journal")
    taken = event(EventKind.STORE_BACK, 3, "run")
    assert [begins(one) for one in (moment, refused, taken)] == [False, True, False]
    assert absences([moment, refused, taken]) == [Outage(begun=refused, ended=taken)]
