"""What was missed, from sessions and events."""

from dataclasses import replace
from typing import Any

from rig.domain.model import Event, EventKind, Session
from rig.render.unrecorded import UnrecordedTime, between_sessions, outages, recorded_s

SECOND = 1_000_000_000
T0 = 1_900_000_000 * SECOND


def session(number: int, start_s: float, end_s: float, *, clean: bool = True, boot: str = "a") -> Session:
    return Session(
        number=number, boot_id=boot, start_ns=T0 + round(start_s * SECOND), end_ns=T0 + round(end_s * SECOND),
        clean=clean, synchronised=True, software="test", host="rack",
    )  # fmt: skip


def event(kind: EventKind, at_s: float, subject: str, session: int = 1, **data: Any) -> Event:
    t_ns = T0 + round(at_s * SECOND)
    return Event(kind=kind, t_ns=t_ns, session=session, seq=0, subject=subject, text="words", data=data)


def seconds(one: UnrecordedTime) -> tuple[float, float | None]:
    end = None if one.end_ns is None else (one.end_ns - T0) / SECOND
    return ((one.start_ns - T0) / SECOND, end)


def test_time_between_sessions_is_unrecorded_and_says_how_the_one_before_ended() -> None:
    found = between_sessions(
        [session(1, 0, 100, clean=False), session(2, 130, 200), session(3, 260, 300, boot="b")]
    )
    assert [seconds(one) for one in found] == [(100, 130), (200, 260)]
    assert "ended without a stop" in found[0].text
    assert "restarted in between" not in found[0].text
    assert "the machine was restarted in between" in found[1].text
    assert all(one.everything for one in found)


def test_a_note_after_the_end_makes_no_gap_and_one_in_a_gap_does_not_split_it() -> None:
    brief = replace(session(2, 150, 151), brief=True)
    assert between_sessions([session(1, 0, 100), brief]) == []
    assert [seconds(one) for one in between_sessions([session(1, 0, 100), brief, session(3, 200, 300)])] == [
        (100, 200)
    ]


def test_sessions_whose_wall_clock_went_back_leave_no_negative_gap() -> None:
    sessions = [session(1, 0, 100), session(2, 40, 200)]
    assert between_sessions(sessions) == []
    assert recorded_s(sessions) == 260


def test_lost_and_back_are_paired_by_subject_and_session() -> None:
    found = outages(
        [],
        [
            event(EventKind.INSTRUMENT_LOST, 10, "meter"),
            event(EventKind.INSTRUMENT_LOST, 20, "scanner"),
            event(EventKind.INSTRUMENT_BACK, 30, "scanner"),
            event(EventKind.INSTRUMENT_BACK, 40, "meter", session=2),
            event(EventKind.NO_VALID, 50, "A1.heatsink"),
            event(EventKind.VALID_AGAIN, 60, "A1.heatsink"),
            event(EventKind.STORE_FAULT, 70, "run"),
            event(EventKind.STORE_FAULT, 71, "run"),
            event(EventKind.STORE_BACK, 80, "run"),
            event(EventKind.VALID_AGAIN, 90, "mains"),
        ],
    )
    assert [(one.subject, *seconds(one)) for one in found] == [
        ("meter", 10, None), ("scanner", 20, 30), ("A1.heatsink", 50, 60), ("run", 70, 80),
    ]  # fmt: skip


def test_what_is_told_when_it_is_over_has_its_length_from_the_boot_clock() -> None:
    lost = event(EventKind.GAP, 100, "run", cause="suspend", from_ns=5 * SECOND, to_ns=65 * SECOND)
    late = event(EventKind.GAP, 100, "meter", cause="late", polls=3)
    nonsense = event(EventKind.GAP, 100, "meter", from_ns="x", to_ns=1)
    assert seconds(outages([], [lost])[0]) == (40, 100)
    assert seconds(outages([], [late])[0]) == (100, 100)
    assert seconds(outages([], [nonsense])[0]) == (100, 100)


def test_a_session_that_recorded_no_channel_was_not_at_work() -> None:
    assert recorded_s([session(1, 0, 100), replace(session(2, 150, 151), brief=True)]) == 100


def test_sealing_that_failed_is_a_moment_and_a_disk_that_refuses_lasts() -> None:
    found = outages(
        [],
        [
            event(EventKind.STORE_FAULT, 10, "run", cause="seal"),
            event(EventKind.STORE_FAULT, 20, "run"),
            event(EventKind.STORE_BACK, 50, "run"),
        ],
    )
    assert [seconds(one) for one in found] == [(10, 10), (20, 50)]
