"""The link: stamps, deadlines, resynchronisation, classification of whatever is raised."""

from __future__ import annotations

import termios
import threading
from typing import cast

import pytest
import serial

from drivers import Reply
from drivers.bus.exchange import Link
from rig.domain.model import Status
from rig.errors import BusError, BusInUseError, DeadlineError, InstrumentError, ReplyError
from tests.drivers.bus.scripted import (
    Gives,
    ManualClock,
    Raises,
    Resyncs,
    ScriptedTransport,
    Sends,
    Silence,
    Step,
    Unasked,
)
from tests.drivers.peers import Heard, Tagged

HOUR_NS = 3_600_000_000_000
OPENED: tuple[Step, ...] = (Resyncs(),)
"""After opening a line the first exchange waits for answers to whoever used it before."""


def scripted(*steps: Step, opened: bool = True) -> tuple[Link, ScriptedTransport, ManualClock]:
    clock = ManualClock()
    transport = ScriptedTransport(steps=steps, clock=clock)
    link = Link(transport, clock=clock)
    if opened:
        link.open()
    return link, transport, clock


def test_stamps_enclose_the_transfer_and_are_boot_time() -> None:
    link, transport, clock = scripted(*OPENED, Sends(b"7\n"), Gives(b"7", 0.2), Gives(b"\n", 0.1))
    answer = link.exchange(Tagged(7), 1.0)
    asked_ns = transport.resync_windows[0][0]
    assert answer.sent_ns == asked_ns + HOUR_NS
    assert answer.received_ns == asked_ns + HOUR_NS + 300_000_000
    assert answer.received_ns == clock.boot_ns()
    assert answer.reply.values == (7.0,)
    assert transport.finished


def test_the_deadline_is_one_for_the_whole_reply_however_it_dribbles() -> None:
    steps = [Gives(b"1", 0.3)] * 4
    link, transport, clock = scripted(*OPENED, Sends(b"7\n"), *steps[:3], Silence())
    with pytest.raises(DeadlineError, match=r"no whole reply within 1 s, only 3 bytes b'111'") as caught:
        link.exchange(Tagged(7), 1.0)
    assert caught.value.received == b"111"
    assert clock.now_ns == transport.resync_windows[0][0] + 1_000_000_000


def test_a_byte_at_the_last_moment_buys_no_further_time() -> None:
    link, transport, _ = scripted(*OPENED, Sends(b"7\n"), Gives(b"1", 1.0), Gives(b"7\n"))
    with pytest.raises(DeadlineError, match="only 1 bytes b'1'"):
        link.exchange(Tagged(7), 1.0)
    assert not transport.finished


def test_a_reply_that_never_ends_is_cut_off() -> None:
    link, _, _ = scripted(*OPENED, Sends(b"7\n"), Gives(b"x" * 5000))
    with pytest.raises(ReplyError, match="5000 bytes and no end of a reply"):
        link.exchange(Tagged(7), 1.0)


def test_after_a_timeout_the_line_must_be_quiet_as_long_again_before_the_next_question() -> None:
    link, transport, clock = scripted(
        *OPENED, Sends(b"1\n"), Silence(), Resyncs(discarded=2), Sends(b"2\n"), Gives(b"2\n")
    )
    with pytest.raises(DeadlineError):
        link.exchange(Tagged(1), 0.5)
    failed_ns = clock.now_ns
    clock.advance(0.1)
    assert link.exchange(Tagged(2), 0.5).reply.values == (2.0,)
    quiet_until_ns, give_up_ns = transport.resync_windows[-1]
    assert quiet_until_ns == failed_ns + 500_000_000
    assert give_up_ns == quiet_until_ns + 500_000_000
    assert link.counts.discarded == 2


def test_how_long_the_line_must_be_quiet_is_for_the_instrument_that_failed_to_say() -> None:
    link, transport, clock = scripted(
        *OPENED, Sends(b"1\n"), Silence(), Resyncs(), Sends(b"2\n"), Gives(b"2\n")
    )
    with pytest.raises(DeadlineError):
        link.exchange(Tagged(1), 3.0)
    failed_ns = clock.now_ns
    link.exchange(Tagged(2), 0.1)
    assert transport.resync_windows[-1][0] == failed_ns + 3_000_000_000


@pytest.mark.parametrize("reply", [b"junk\n", b"1\n2\n", b"\xff\xfe\n"])
def test_a_wrong_reply_makes_the_link_dirty_too(reply: bytes) -> None:
    link, transport, _ = scripted(
        *OPENED, Sends(b"1\n"), Gives(reply), Resyncs(), Sends(b"2\n"), Gives(b"2\n")
    )
    with pytest.raises(ReplyError):
        link.exchange(Tagged(1), 0.5)
    link.exchange(Tagged(2), 0.5)
    assert transport.finished


def test_two_replies_at_once_answer_nothing() -> None:
    link, _, _ = scripted(*OPENED, Sends(b"2\n"), Gives(b"1\n2\n"))
    with pytest.raises(ReplyError, match="cannot tell which of the two"):
        link.exchange(Tagged(2), 0.5)


@pytest.mark.parametrize("rest", [b"\r", b"\x00", b"\xff", b"\r\n", b" "])
def test_line_noise_and_the_rest_of_a_terminator_after_a_reply_are_let_pass_but_counted(rest: bytes) -> None:
    link, _, _ = scripted(*OPENED, Sends(b"2\n"), Gives(b"2\n" + rest))
    assert link.exchange(Tagged(2), 0.5).reply.values == (2.0,)
    assert link.counts.discarded == len(rest)


def test_what_came_before_the_question_is_thrown_away_and_counted() -> None:
    link, transport, _ = scripted(
        *OPENED, Unasked(b"9\n"), Unasked(b"8"), Gives(b"7\n", 0.01), Silence(), Sends(b"2\n"), Gives(b"2\n")
    )
    assert link.exchange(Tagged(2), 0.5).reply.values == (2.0,)
    assert link.counts.discarded == 5
    assert transport.finished


def test_line_noise_before_the_question_costs_no_wait() -> None:
    link, transport, _ = scripted(*OPENED, Unasked(b"\x00\xff\r"), Sends(b"2\n"), Gives(b"2\n"))
    assert link.exchange(Tagged(2), 0.5).reply.values == (2.0,)
    assert transport.finished


def test_an_instrument_that_goes_on_talking_is_asked_nothing() -> None:
    link, transport, _ = scripted(*OPENED, Unasked(b"9\n"), *[Gives(b"9\n", 0.04)] * 13)
    with pytest.raises(BusError, match="never quiet: 28 unsolicited bytes"):
        link.exchange(Tagged(2), 0.5)
    assert "send" not in transport.calls


def test_an_endless_stream_before_the_question_is_a_bus_error() -> None:
    link, _, _ = scripted(*OPENED, *[Unasked(b"x" * 300_000)] * 5)
    with pytest.raises(BusError, match="unsolicited"):
        link.exchange(Tagged(2), 0.5)


def test_a_refusal_is_a_proper_reply_and_leaves_the_link_clean() -> None:
    class Refused(Tagged):
        def parse(self, received: bytes) -> Reply | None:
            raise InstrumentError("refused with exception 2 (illegal data address)")

    link, transport, _ = scripted(*OPENED, Sends(b"1\n"), Gives(b"!\n"), Sends(b"2\n"), Gives(b"2\n"))
    with pytest.raises(InstrumentError, match=r"^script: tag 1: refused with exception 2"):
        link.exchange(Refused(1), 0.5)
    link.exchange(Tagged(2), 0.5)
    assert transport.finished


def test_replies_that_carry_their_request_number_need_no_silence_after_one_timeout_but_after_two() -> None:
    class Numbered(Tagged):
        tagged = True

    link, transport, _ = scripted(
        *OPENED,
        *(Sends(b"1\n"), Silence(), Sends(b"2\n"), Gives(b"2\n")),
        *(Sends(b"3\n"), Silence(), Sends(b"4\n"), Silence(), Resyncs(), Sends(b"5\n"), Gives(b"5\n")),
    )
    for tag in (1, 2, 3, 4, 5):
        if tag in {1, 3, 4}:
            with pytest.raises(DeadlineError):
                link.exchange(Numbered(tag), 0.5)
        else:
            assert link.exchange(Numbered(tag), 0.5).reply.values == (float(tag),)
    assert transport.finished


RAISED = [
    OSError(5, "Input/output error"),
    termios.error(5, "Input/output error"),
    serial.SerialException("device reports readiness to read but returned no data"),
    serial.PortNotOpenError(),
    BrokenPipeError(32, "Broken pipe"),
    ConnectionRefusedError(111, "Connection refused"),
    TimeoutError("timed out"),
    TypeError("an integer is required"),
    ValueError("filedescriptor out of range in select()"),
    RuntimeError("connection lost"),
    UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range"),
    Exception("error creating link: 3"),
]


@pytest.mark.parametrize("call", ["resync", "drain", "send", "receive"])
@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_whatever_a_library_raises_becomes_a_bus_error_and_closes_the_transport(
    call: str, error: Exception
) -> None:
    before: dict[str, tuple[Step, ...]] = {
        "resync": (),
        "drain": OPENED,
        "send": OPENED,
        "receive": (*OPENED, Sends(b"1\n")),
    }
    link, transport, _ = scripted(*before[call], Raises(call, error))
    with pytest.raises(BusError, match=r"^script: tag 1: ") as caught:
        link.exchange(Tagged(1), 0.5)
    assert type(caught.value) is BusError
    assert str(error) in str(caught.value)
    assert not transport.is_open


@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_a_failed_opening_is_a_bus_error_and_leaves_nothing_open(error: Exception) -> None:
    link, transport, _ = scripted(Raises("open", error), opened=False)
    with pytest.raises(BusError, match=r"^script: opening: "):
        link.open()
    assert transport.calls[-1] == "close"


def test_a_port_that_another_program_has_keeps_its_own_kind_of_error() -> None:
    link, _, _ = scripted(Raises("open", BusInUseError("script: in use by process 7 (other)")), opened=False)
    with pytest.raises(BusInUseError, match=r"^script: opening: in use by process 7"):
        link.open()


def test_a_lost_connection_is_opened_again_by_the_next_exchange() -> None:
    link, transport, _ = scripted(
        *OPENED, Sends(b"1\n"), Raises("receive", OSError(5, "gone")), *OPENED, Sends(b"2\n"), Gives(b"2\n")
    )
    with pytest.raises(BusError):
        link.exchange(Tagged(1), 0.5)
    assert link.exchange(Tagged(2), 0.5).reply.values == (2.0,)
    assert link.counts.opened == 2
    assert transport.finished


def test_a_request_that_is_not_taken_in_time_closes_the_transport_since_half_of_it_may_wait_there() -> None:
    link, transport, _ = scripted(*OPENED, Raises("send", DeadlineError("script: takes no more bytes")))
    with pytest.raises(DeadlineError, match="takes no more bytes"):
        link.exchange(Tagged(1), 0.5)
    assert not transport.is_open


def test_a_fault_of_the_driver_itself_costs_the_reply_and_not_the_bus() -> None:
    class Broken(Tagged):
        def parse(self, received: bytes) -> Reply | None:
            raise IndexError("list index out of range")

    class Short(Tagged):
        def parse(self, received: bytes) -> Reply | None:
            return Reply(values=(), statuses=(), used=len(received))

    link, _, _ = scripted(
        *OPENED, Sends(b"1\n"), Gives(b"1\n"), Resyncs(), Sends(b"2\n"), Gives(b"2\n"), Resyncs()
    )
    with pytest.raises(ReplyError, match="IndexError: list index out of range; fault of the driver module"):
        link.exchange(Broken(1), 0.5)
    with pytest.raises(ReplyError, match="made 0 values and 0 statuses of 1 fields"):
        link.exchange(Short(2), 0.5)


def test_a_second_thread_gets_an_exception_and_never_an_answer() -> None:
    link, transport, _ = scripted(*OPENED, Sends(b"1\n"), Gives(b"1\n"))
    caught: list[BaseException] = []

    def intrude() -> None:
        for call in (lambda: link.exchange(Tagged(1), 0.5), link.open, link.close):
            try:
                call()
            except RuntimeError as error:
                caught.append(error)

    thread = threading.Thread(target=intrude)
    thread.start()
    thread.join()
    assert len(caught) == 3
    assert "swap replies" in str(caught[0])
    assert link.exchange(Tagged(1), 0.5).reply.values == (1.0,)
    assert transport.finished


def test_a_closed_link_answers_nothing_and_may_pass_to_another_thread() -> None:
    link, _, _ = scripted()
    link.close()
    link.close()
    with pytest.raises(BusError, match="used while closed"):
        link.exchange(Tagged(1), 0.5)
    thread = threading.Thread(target=link.open)
    thread.start()
    thread.join()
    assert link.counts.opened == 2


def test_a_command_without_answer_returns_when_it_is_sent() -> None:
    class Told(Tagged):
        fields = ()
        reply_bytes = 0

    link, transport, _ = scripted(*OPENED, Sends(b"1\n"))
    assert link.exchange(Told(1), 0.5).reply == Reply(used=0)
    assert transport.finished


def test_what_a_device_says_while_it_starts_up_after_opening_is_ignored() -> None:
    clock = ManualClock()
    steps = (
        Gives(b"BOOT v1\n", 0.5),
        Gives(b"ready\n", 1.0),
        Silence(),
        *OPENED,
        Sends(b"1\n"),
        Gives(b"1\n"),
    )
    transport = ScriptedTransport(steps=steps, clock=clock)
    link = Link(transport, settle_s=2.0, clock=clock)
    began_ns = clock.now_ns
    link.open()
    assert clock.now_ns == began_ns + 2_000_000_000
    assert link.counts.discarded == 14
    assert link.exchange(Tagged(1), 1.0).reply.values == (1.0,)
    assert transport.finished


# An instrument that sends by itself -----------------------------------------------------------------


def test_the_first_line_after_opening_is_only_a_mark_since_it_may_be_half_a_line() -> None:
    link, transport, clock = scripted(
        *(Silence(), Gives(b"34.5\n", 0.2)),
        *(Silence(), Gives(b"23", 0.7), Silence(), Gives(b"4.5\n", 0.3), Silence()),
    )
    began_ns = clock.now_ns
    answer = link.exchange(Heard(), 2.0)
    assert answer.reply.values == (234.5,)
    assert answer.sent_ns - HOUR_NS == began_ns + 200_000_000
    assert answer.received_ns - HOUR_NS == began_ns + 1_200_000_000
    assert transport.finished


def test_of_several_waiting_lines_the_newest_counts_and_its_interval_reaches_back_to_the_last_look() -> None:
    link, _, clock = scripted(
        *(Silence(), Gives(b"1\n"), Silence(), Gives(b"2\n"), Silence()),
        *(Gives(b"3\n4\n5\n6"), Silence()),
        *(Silence(), Gives(b"7\n", 0.5), Silence()),
    )
    assert link.exchange(Heard(), 2.0).reply.values == (2.0,)
    looked_ns = clock.boot_ns()
    clock.advance(3.0)
    answer = link.exchange(Heard(), 2.0)
    assert answer.reply.values == (5.0,)
    assert answer.sent_ns == looked_ns
    assert answer.received_ns == clock.boot_ns()
    assert link.exchange(Heard(), 2.0).reply.values == (67.0,)


def test_lines_that_came_at_once_although_we_waited_may_have_come_at_any_time_of_the_wait() -> None:
    link, _, clock = scripted(
        *(Silence(), Gives(b"1\n"), Silence(), Gives(b"2\n"), Silence()),
        *(Silence(), Gives(b"3\n4\n", 0.7), Silence()),
        *(Silence(), Gives(b"5\n", 0.1), Silence()),
    )
    assert link.exchange(Heard(), 2.0).reply.values == (2.0,)
    wait_ns = clock.boot_ns()
    late = link.exchange(Heard(), 2.0)
    assert late.reply.values == (4.0,)
    assert (late.sent_ns, late.received_ns) == (wait_ns, wait_ns + 700_000_000)
    # nor is it known when the fourth had arrived, so the fifth may have been measured since the wait
    assert link.exchange(Heard(), 2.0).sent_ns == wait_ns


def test_lines_behind_a_garbled_one_are_not_left_lying_until_the_next_comes() -> None:
    link, _, clock = scripted(
        *(Silence(), Gives(b"1\n"), Silence(), Gives(b"2,\x80\n3\n4\n", 0.1)),
        *(Silence(),),
    )
    before_ns = clock.boot_ns()
    with pytest.raises(ReplyError):
        link.exchange(Strict(), 2.0)
    clock.advance(1.0)
    answer = link.exchange(Strict(), 2.0)
    assert answer.reply.values == (4.0,)
    assert (answer.sent_ns, answer.received_ns) == (before_ns, clock.boot_ns())


class Strict(Heard):
    """Lines of which a bad one is known to be a whole one."""

    def parse(self, received: bytes) -> Reply | None:
        try:
            return super().parse(received)
        except ReplyError as error:
            raise ReplyError(str(error), used=received.index(b"\n") + 1) from error


def test_a_garbled_line_is_an_error_once_and_the_next_line_is_whole() -> None:
    link, _, _ = scripted(
        *(Silence(), Gives(b"1\n"), Silence(), Gives(b"2,\x80\n3", 0.1), Silence(), Gives(b"3\n", 0.1)),
        *(Silence(), Silence(), Gives(b"44\n", 0.1), Silence()),
    )

    with pytest.raises(ReplyError):
        link.exchange(Strict(), 2.0)
    assert link.exchange(Strict(), 2.0).reply.values == (33.0,)
    assert link.exchange(Strict(), 2.0).reply.values == (44.0,)


def test_after_garbage_without_end_the_next_line_is_again_only_a_mark() -> None:
    link, _, _ = scripted(
        *(Silence(), Gives(b"1\n"), Silence(), Gives(b"\x80\n1", 0.1)),
        *(Silence(), Gives(b"3\n", 0.1), Silence(), Gives(b"44\n", 0.1), Silence()),
    )
    with pytest.raises(ReplyError):
        link.exchange(Heard(), 2.0)
    assert link.exchange(Heard(), 2.0).reply.values == (44.0,)


def test_silence_of_an_instrument_that_sends_by_itself_is_a_deadline_error_and_half_a_line_is_kept() -> None:
    link, _, _ = scripted(
        *(Silence(), Gives(b"1\n"), Silence(), Gives(b"2", 0.1), Silence(), Silence()),
        *(Silence(), Gives(b"3\n", 0.2), Silence()),
    )
    with pytest.raises(DeadlineError, match="only 1 bytes b'2'"):
        link.exchange(Heard(), 1.0)
    answer = link.exchange(Heard(), 1.0)
    assert answer.reply == Reply(values=(23.0,), statuses=(Status.GOOD,), used=3)


class Careless(Tagged):
    """What a driver of somebody's own may give."""

    def parse(self, received: bytes) -> Reply | None:
        return Reply(values=(1.0,), statuses=cast(tuple[Status, ...], (0,)), used=len(received))


def test_a_driver_that_gives_no_status_costs_the_reply_and_is_named_as_the_cause() -> None:
    link, _, _ = scripted(*OPENED, Sends(b"1\n"), Gives(b"1\n"))
    with pytest.raises(ReplyError, match=r"with status 0 of .*fault of the driver module"):
        link.exchange(Careless(1), 0.5)


def test_a_link_that_was_given_up_sends_nothing_any_more() -> None:
    link, transport, _ = scripted(*OPENED)
    link.abandon()
    with pytest.raises(BusError, match="abandoned while it hung"):
        link.exchange(Tagged(1), 0.5)
    assert transport.calls.count("abandon") == 1
    assert "send" not in transport.calls
