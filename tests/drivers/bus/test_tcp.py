"""TCP instruments over real sockets: every way to fail, and the way back."""

from __future__ import annotations

import socket
import time

import psutil
import pytest

from drivers.bus.exchange import Link
from drivers.bus.tcp import TcpTransport
from rig.errors import BusError, DeadlineError, ReplyError
from tests.drivers.peers import Conn, Tagged, echo_tags, tcp_peer

TIMEOUT_S = 0.2


def link_to(port: int) -> Link:
    link = Link(TcpTransport(host="127.0.0.1", port=port))
    link.open()
    return link


def asked(link: Link, tag: int) -> float:
    return link.exchange(Tagged(tag), TIMEOUT_S).reply.values[0]


def test_questions_are_answered_over_one_connection() -> None:
    connections = []

    def script(conn: Conn) -> None:
        connections.append(conn)
        echo_tags(conn)

    with tcp_peer(script) as port:
        link = link_to(port)
        assert [asked(link, tag) for tag in range(50)] == list(range(50))
        link.close()
    assert len(connections) == 1


def test_after_a_timeout_the_connection_is_made_anew_and_no_late_reply_is_taken() -> None:
    connections = []

    def script(conn: Conn) -> None:
        connections.append(conn)
        rest = b""
        while data := conn.ask():
            rest += data
            while b"\n" in rest:
                line, _, rest = rest.partition(b"\n")
                if line == b"3":
                    conn.pause(1.5 * TIMEOUT_S)
                conn.send(line + b"\n")

    with tcp_peer(script) as port:
        link = link_to(port)
        got: list[float | None] = []
        for tag in range(8):
            try:
                got.append(asked(link, tag))
            except DeadlineError:
                got.append(None)
        link.close()
    assert got[:4] == [0, 1, 2, None]
    assert all(value is None or value == tag for tag, value in enumerate(got))
    assert got[-2:] == [6, 7]
    assert len(connections) >= 2


def test_a_refused_connection_says_so() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(BusError, match=rf"^TCP 127.0.0.1:{port}: opening: cannot connect: Conn.* refused"):
        link_to(port)


def test_a_listener_that_never_accepts_costs_the_connect_timeout() -> None:
    with socket.create_server(("127.0.0.1", 0), backlog=0) as listener:
        port = listener.getsockname()[1]
        with socket.create_connection(("127.0.0.1", port)):  # fills the queue
            transport = TcpTransport(host="127.0.0.1", port=port, connect_timeout_s=0.2)
            with pytest.raises(BusError, match=r"no answer to a connection attempt within 0\.2 s"):
                Link(transport).open()


@pytest.mark.parametrize("said", [b"", b"+23.4"], ids=["nothing", "half a reply"])
def test_a_peer_that_closes_is_an_error_at_once_and_costs_no_processor_time(said: bytes) -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        conn.send(said)

    with tcp_peer(script) as port:
        link = link_to(port)
        began, cpu = time.monotonic(), time.thread_time()
        with pytest.raises(BusError, match="closed the connection") as caught:
            link.exchange(Tagged(1), 30.0)
        assert type(caught.value) is BusError
        assert time.monotonic() - began < 15.0
        assert time.thread_time() - cpu < 1.0
        link.close()


def test_a_peer_that_closes_between_questions_is_found_and_the_link_comes_back() -> None:
    def script(conn: Conn) -> None:
        line = conn.ask()
        conn.send(line)

    with tcp_peer(script) as port:
        link = link_to(port)
        assert asked(link, 1) == 1.0
        time.sleep(0.05)
        with pytest.raises(BusError, match="closed the connection"):
            asked(link, 2)
        assert asked(link, 3) == 3.0
        link.close()


def test_a_peer_that_accepts_and_closes_at_once_never_hangs_the_link() -> None:
    with tcp_peer(lambda _: None) as port:
        link = link_to(port)
        for tag in range(5):
            with pytest.raises(BusError):
                asked(link, tag)
        link.close()


def test_a_peer_that_never_reads_costs_the_timeout() -> None:
    class Long(Tagged):
        def request(self) -> bytes:
            return b"x" * 20_000_000

    def script(conn: Conn) -> None:
        conn.stopping.wait(20.0)

    with tcp_peer(script) as port:
        link = link_to(port)
        cpu = time.thread_time()
        with pytest.raises(DeadlineError, match=r"takes no more bytes: \d+ of 20000000 unsent"):
            link.exchange(Long(), 0.4)
        assert time.thread_time() - cpu < 0.3
        link.close()


def test_babble_without_a_line_end_is_cut_off() -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        while not conn.stopping.is_set():
            conn.send(b"\x55" * 4000)
            conn.pause(0.001)

    with tcp_peer(script) as port:
        link = link_to(port)
        with pytest.raises(ReplyError, match="no end of a reply"):
            link.exchange(Tagged(1), 5.0)
        link.close()


def test_a_dribbling_instrument_cannot_stretch_the_deadline() -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        while not conn.stopping.is_set():
            conn.send(b"1")
            conn.pause(0.2 * TIMEOUT_S)

    with tcp_peer(script) as port:
        link = link_to(port)
        with pytest.raises(DeadlineError, match="no whole reply"):
            asked(link, 1)
        link.close()


def test_a_command_followed_by_a_query_does_not_wait_for_delayed_acknowledgement() -> None:
    with tcp_peer(echo_tags) as port:
        transport = TcpTransport(host="127.0.0.1", port=port)
        transport.open()
        assert transport._socket is not None
        assert transport._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert transport._socket.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        transport.close()


def reopen(cycles: int) -> None:
    process = psutil.Process()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        refusing = listener.getsockname()[1]
    with tcp_peer(echo_tags) as port:

        def cycle(number: int) -> None:
            link = link_to(port)
            assert asked(link, number) == number
            link.close()
            with pytest.raises(BusError):
                link_to(refusing)

        cycle(0)
        before = process.num_fds()
        for number in range(cycles):
            cycle(number)
        deadline = time.monotonic() + 2.0
        while process.num_fds() > before and time.monotonic() < deadline:
            time.sleep(0.01)  # the peer closes its end a moment after us
        assert process.num_fds() <= before


def test_reopening_leaks_no_descriptor() -> None:
    reopen(100)


@pytest.mark.slow
def test_a_thousand_reopenings_leak_no_descriptor() -> None:
    reopen(1000)


def test_an_instrument_whose_asker_is_stuck_is_free_for_the_next_one() -> None:
    """The peer serves one connection after the other, as many instruments do."""
    with tcp_peer(echo_tags) as port:
        stuck = link_to(port)
        assert asked(stuck, 1) == 1
        stuck.abandon()
        second = link_to(port)
        assert asked(second, 2) == 2
        with pytest.raises(BusError, match="abandoned while it hung"):
            asked(stuck, 3)
        second.close()
        stuck.close()
