"""VISA resources: against pyvisa-sim, which nobody here wrote, against a small VXI-11 instrument on a real
socket, and against sessions that fail.

No HiSLIP, USBTMC or GPIB instrument can be had on this machine: how those fail is played by a stand-in for
the library's session.
"""

from __future__ import annotations

import gc
import struct
import time
from types import SimpleNamespace
from typing import Any

import psutil
import pytest
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from drivers import Reply
from drivers.bus import visa
from drivers.bus.exchange import Link
from drivers.bus.visa import VisaTransport
from rig.errors import BusError, DeadlineError
from tests.drivers.examples import made
from tests.drivers.peers import Conn, Tagged, echo_tags, tcp_peer
from tests.drivers.vxi11_peer import CLEAR, CREATE_LINK, DESTROY_LINK, Instrument, vxi11_peer

SUPPLY = {
    "identity": "SCPI,MOCK,VERSION_1\\.0",
    "terminator": "LF",
    "error-queue": "no",
    "setup": [":VOLT:IMM:AMPL 2.500"],
    "reads": [
        {"ask": ":VOLT:IMM:AMPL?", "fields": ["volts"]},
        {"ask": ":CURR:IMM:AMPL?", "fields": ["amps"]},
    ],
}


@pytest.mark.parametrize(
    "resource", ["GPIB::9::INSTR", "USB::0x1111::0x2222::0x2468::INSTR", "TCPIP::localhost:2222::INSTR"]
)
def test_a_bundled_device_of_pyvisa_sim_is_identified_set_up_and_read(resource: str) -> None:
    driver = made("scpi", SUPPLY)
    link = Link(VisaTransport(resource=resource, backend="@sim"))
    link.open()
    identity = link.exchange(driver.opening[0], 1.0).reply
    assert identity.text == "SCPI,MOCK,VERSION_1.0"
    for exchange in driver.opening[1:]:
        link.exchange(exchange, 1.0)
    answers = [link.exchange(exchange, 1.0).reply.values for exchange in driver.polls]
    link.close()
    assert answers == [(2.5,), (1.0,)]


def test_a_device_with_an_error_queue_is_drained() -> None:
    """pyvisa-sim's fourth device answers ``:SYST:ERR?`` only; a question of that form is asked here."""
    report = made("scpi", {**SUPPLY, "error-queue": "yes", "setup": []}).report
    assert report is not None
    parse = report.parse
    link = Link(VisaTransport(resource="GPIB::4::INSTR", backend="@sim"))
    link.open()

    class Wrong(Tagged):
        def request(self) -> bytes:
            return b"BAD:CMD\n"

        reply_bytes = 0
        fields = ()

    class Colon:
        def __init__(self) -> None:
            self.label, self.fields, self.request_bytes, self.reply_bytes = ":SYST:ERR?", (), 11, 30

        def request(self) -> bytes:
            return b":SYST:ERR?\n"

        def parse(self, received: bytes) -> Reply | None:
            return parse(received)

    link.exchange(Wrong(), 1.0)
    texts = [link.exchange(Colon(), 1.0).reply.text for _ in range(2)]
    link.close()
    assert texts == ["1 Command error", ""]


def test_a_question_that_is_not_answered_is_a_deadline_error_and_the_next_one_is_answered() -> None:
    class Unanswered(Tagged):
        def request(self) -> bytes:
            return b"*RST\n"  # a command: the simulated device says nothing

    driver = made("scpi", SUPPLY)
    link = Link(VisaTransport(resource="GPIB::9::INSTR", backend="@sim"))
    link.open()
    with pytest.raises(DeadlineError, match=r"^VISA GPIB::9::INSTR: tag 0: no reply within 0\.2 s"):
        link.exchange(Unanswered(), 0.2)
    assert link.exchange(driver.opening[0], 0.2).reply.text == "SCPI,MOCK,VERSION_1.0"
    link.close()


def test_a_left_over_reply_is_read_off_where_the_resource_knows_no_clear() -> None:
    transport = VisaTransport(resource="GPIB::9::INSTR", backend="@sim")
    transport.open()
    now = time.monotonic_ns()
    transport.send(b"*IDN?\n", now + 10**9)
    assert transport.resync(time.monotonic_ns(), time.monotonic_ns() + 10**9) == len(
        "SCPI,MOCK,VERSION_1.0\n"
    )
    assert transport.receive(time.monotonic_ns() + 10**7) == b""
    transport.close()


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_absent_instrument_is_a_bus_error_with_the_resource_in_it() -> None:
    resource = "TCPIP::127.0.0.1,1::inst0::INSTR"
    with pytest.raises(BusError, match=rf"^VISA {resource}: opening: cannot be opened: ConnectionRef"):
        Link(VisaTransport(resource=resource)).open()
    gc.collect()  # the library leaves its socket to the garbage collector


def test_opening_and_closing_leaves_neither_sessions_nor_descriptors_behind() -> None:
    """Over a socket resource, the only one that needs no instrument; the daemon never opens one by VISA."""
    with tcp_peer(echo_tags) as port:
        resource = f"TCPIP::127.0.0.1::{port}::SOCKET"
        table = visa._resource_manager("@py").visalib.sessions

        def cycle() -> None:
            transport = VisaTransport(resource=resource)
            transport.open()
            transport.close()

        cycle()
        sessions, descriptors = len(table), psutil.Process().num_fds()
        for _ in range(50):
            cycle()
        assert len(table) == sessions
        assert psutil.Process().num_fds() <= descriptors + 5  # the peer closes its ends a moment later


class Locked(Instrument):
    """An instrument that somebody else has: it takes the connection and refuses the link (error 11)."""

    def result(self, conn: Conn, procedure: int, arguments: bytes) -> bytes:
        if procedure == CREATE_LINK:
            return struct.pack(">iiII", 11, 0, 0, 0)
        return super().result(conn, procedure, arguments)


def test_openings_that_fail_leave_neither_sessions_nor_descriptors_behind() -> None:
    """An instrument that is away for weeks is tried some ten thousand times."""
    table = visa._resource_manager("@py").visalib.sessions
    with vxi11_peer(Locked(lambda message: (message, 0.0))) as locked:
        for resource in (locked, "TCPIP::127.0.0.1,1::inst0::INSTR"):

            def fail(resource: str = resource) -> None:
                with pytest.raises(BusError, match="cannot be opened"):
                    VisaTransport(resource=resource).open()

            fail()
            sessions, descriptors = len(table), psutil.Process().num_fds()
            for _ in range(40):
                fail()  # the peer serves one connection after the other: each must have been let go
            assert len(table) == sessions
            assert psutil.Process().num_fds() <= descriptors + 5  # the peer closes its ends a moment later


def test_all_links_of_a_process_share_one_resource_manager_which_is_never_closed() -> None:
    first, second = (VisaTransport(resource="GPIB::9::INSTR", backend="@sim") for _ in range(2))
    first.open()
    second.open()
    first.close()
    second.send(b"*IDN?\n", time.monotonic_ns() + 10**9)
    assert second.receive(time.monotonic_ns() + 10**9) == b"SCPI,MOCK,VERSION_1.0\n"
    second.close()
    assert visa._resource_manager("@sim") is visa._resource_manager("@sim")


def tags_late(*late: tuple[int, float]) -> Instrument:
    """Return an instrument that repeats each question, some of them late."""
    delays = dict(late)
    return Instrument(lambda message: (message, delays.pop(int(message), 0.0)))


def test_a_vxi_11_instrument_is_asked_over_a_real_socket() -> None:
    instrument = tags_late()
    with vxi11_peer(instrument) as resource:
        link = Link(VisaTransport(resource=resource))
        link.open()
        assert [link.exchange(Tagged(tag), 1.0).reply.values[0] for tag in range(20)] == list(range(20))
        link.close()
    assert instrument.calls[0] == CREATE_LINK
    assert instrument.calls[-1] == DESTROY_LINK


def test_a_late_vxi_11_reply_is_cleared_and_never_the_answer_to_the_next_question() -> None:
    instrument = tags_late((3, 0.3), (6, 0.35))
    with vxi11_peer(instrument) as resource:
        link = Link(VisaTransport(resource=resource))
        link.open()
        got: list[float | None] = []
        for tag in range(9):
            try:
                got.append(link.exchange(Tagged(tag), 0.2).reply.values[0])
            except DeadlineError:
                got.append(None)
        link.close()
    assert got == [0, 1, 2, None, 4, 5, None, 7, 8]
    assert instrument.calls.count(CLEAR) == 3  # after opening and after each timeout


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_dead_vxi_11_instrument_is_a_bus_error_and_closing_does_not_wait_for_it() -> None:
    instrument = tags_late()
    with vxi11_peer(instrument) as resource:
        link = Link(VisaTransport(resource=resource))
        link.open()
        link.exchange(Tagged(1), 0.3)
        instrument.dead.set()
        began = time.monotonic()
        with pytest.raises(BusError, match=r"tag 2: VisaIOError: VI_ERROR_IO"):
            link.exchange(Tagged(2), 0.3)
        link.close()
        # the library gives a call one second more than asked; saying farewell would take it five more
        assert time.monotonic() - began < 4.0
    gc.collect()


class FailingSession:
    """Stands in for the library's session where no real instrument can be made to fail."""

    def __init__(self, replies: list[bytes | Exception], *, clears: bool = True) -> None:
        self.replies = replies
        self.clears = clears
        self.calls: list[str] = []
        self.timeout = 0
        self.session = 7
        self.visalib = SimpleNamespace(sessions={7: self})

    def write_raw(self, data: bytes) -> int:
        self.calls.append("write")
        return len(data)

    def read_raw(self) -> bytes:
        self.calls.append("read")
        reply = self.replies.pop(0) if self.replies else timeout()
        if isinstance(reply, Exception):
            raise reply
        return reply

    def clear(self) -> None:
        self.calls.append("clear")
        if not self.clears:
            raise VisaIOError(StatusCode.error_nonsupported_operation)

    def close(self) -> None:
        self.calls.append("close")


def timeout() -> VisaIOError:
    return VisaIOError(StatusCode.error_timeout)


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> list[FailingSession]:
    sessions: list[FailingSession] = []

    class Manager:
        def open_resource(self, resource: str, **_: Any) -> FailingSession:
            assert resource == "GPIB0::22::INSTR"
            return sessions[0]

    monkeypatch.setattr(visa, "_resource_manager", lambda _: Manager())
    return sessions


def test_after_a_timeout_the_instrument_is_left_alone_and_then_told_to_clear(
    failing: list[FailingSession],
) -> None:
    failing.append(FailingSession([timeout(), b"2\n"]))
    link = Link(VisaTransport(resource="GPIB0::22::INSTR"))
    link.open()
    with pytest.raises(DeadlineError):
        link.exchange(Tagged(1), 0.05)
    assert link.exchange(Tagged(2), 0.05).reply.values == (2.0,)
    # nothing is read unasked: some USB instruments do not recover from that
    assert failing[0].calls == ["clear", "write", "read", "clear", "write", "read"]
    link.close()


@pytest.mark.parametrize(
    "error",
    [
        VisaIOError(StatusCode.error_io),
        VisaIOError(StatusCode.error_connection_lost),
        RuntimeError("connection dropped"),
        BrokenPipeError(32, "Broken pipe"),
        UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range"),
        Exception("error creating link: 3"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_whatever_the_library_raises_is_a_bus_error_and_closes_the_session(
    failing: list[FailingSession], error: Exception
) -> None:
    failing.append(FailingSession([error]))
    link = Link(VisaTransport(resource="GPIB0::22::INSTR"))
    link.open()
    with pytest.raises(BusError, match=r"^VISA GPIB0::22::INSTR: tag 1: ") as caught:
        link.exchange(Tagged(1), 0.05)
    assert type(caught.value) is BusError
    assert failing[0].calls[-1] == "close"
    link.close()


def test_an_instrument_that_never_stops_talking_is_a_bus_error(failing: list[FailingSession]) -> None:
    class Endless(FailingSession):
        def read_raw(self) -> bytes:
            time.sleep(0.001)
            return b"again\n"

    failing.append(Endless([], clears=False))
    link = Link(VisaTransport(resource="GPIB0::22::INSTR"))
    link.open()
    with pytest.raises(BusError, match="never quiet"):
        link.exchange(Tagged(1), 0.05)
    link.close()


@pytest.mark.parametrize("kind", ["INSTR", "hislip0::INSTR"])
def test_a_host_that_nobody_knows_is_told_as_one(kind: str) -> None:
    # .invalid never resolves: RFC 6761, section 6.4
    with pytest.raises(BusError, match=r"host 'no-such-host\.invalid' is not known"):
        VisaTransport(resource=f"TCPIP::no-such-host.invalid::{kind}").open()
