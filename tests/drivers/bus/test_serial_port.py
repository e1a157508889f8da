"""Serial ports over real ptys: locks, deadlines, unplugging, and the line after a late reply.

A pty has no baud rate, no parity and no modem lines: what depends on those is not shown here.
"""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
import termios
import time
from pathlib import Path

import psutil
import pytest

from drivers.bus.exchange import Link
from drivers.bus.serial_port import SerialTransport, holders
from rig.errors import BusError, BusInUseError, DeadlineError, ReplyError
from tests.drivers.peers import Conn, PtyConn, Tagged, echo_tags, opened, pty_peer

TIMEOUT_S = 0.2


def link_to(path: str | Path) -> Link:
    link = Link(SerialTransport(port=str(path)))
    link.open()
    return link


def asked(link: Link, tag: int) -> float:
    return link.exchange(Tagged(tag), TIMEOUT_S).reply.values[0]


def test_questions_are_answered_and_stamped_in_order() -> None:
    with pty_peer(echo_tags) as peer:
        link = opened(SerialTransport(port=peer.path))
        answers = [link.exchange(Tagged(tag), TIMEOUT_S) for tag in range(50)]
        link.close()
    assert [answer.reply.values[0] for answer in answers] == list(range(50))
    stamps = [stamp for answer in answers for stamp in (answer.sent_ns, answer.received_ns)]
    assert stamps == sorted(stamps)
    assert link.counts.failures == 0


def test_a_late_reply_is_never_taken_for_the_answer_to_the_next_question() -> None:
    """A peer that answers in order, once 1.3 times the timeout late, and answers the next at once."""

    def script(conn: Conn) -> None:
        first = True
        rest = b""
        while data := conn.ask():
            rest += data
            while b"\n" in rest:
                line, _, rest = rest.partition(b"\n")
                if first and line == b"3":
                    first = False
                    conn.pause(1.3 * TIMEOUT_S)
                conn.send(line + b"\n")

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        got: list[float | None] = []
        for tag in range(10):
            try:
                got.append(asked(link, tag))
            except DeadlineError:
                got.append(None)
        link.close()
    assert got == [0, 1, 2, None, 4, 5, 6, 7, 8, 9]
    assert link.counts.discarded == 2


def test_half_a_number_is_no_number_and_its_other_half_is_thrown_away() -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        conn.send(b"+23.4")
        conn.pause(1.4 * TIMEOUT_S)
        conn.send(b"5E+1\r\n")
        echo_tags(conn)

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        with pytest.raises(DeadlineError, match=r"only 5 bytes b'\+23\.4'"):
            asked(link, 1)
        assert asked(link, 2) == 2.0
        link.close()
    assert link.counts.discarded == 6


def test_a_dribbling_instrument_cannot_stretch_the_deadline() -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        while not conn.stopping.is_set():
            conn.send(b"1")
            conn.pause(0.25 * TIMEOUT_S)

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        began = time.monotonic()
        with pytest.raises(DeadlineError):
            asked(link, 1)
        link.close()
    # with a byte each quarter of the timeout a deadline per byte would never be over
    assert time.monotonic() - began < 20 * TIMEOUT_S


def test_a_babbling_line_is_a_bus_error_and_not_a_hang() -> None:
    def script(conn: Conn) -> None:
        while not conn.stopping.is_set():
            conn.send(b"\x55" * 200)
            conn.pause(0.005)

    with pty_peer(script) as peer:
        link = link_to(peer.path)
        with pytest.raises(BusError, match="never quiet"):
            asked(link, 1)
        link.close()


def test_bytes_that_are_no_text_are_a_reply_error_and_the_link_recovers() -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        conn.send(b"\xe5\xf8\x80\n")
        echo_tags(conn)

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        with pytest.raises(ReplyError, match="not ASCII text"):
            asked(link, 1)
        assert asked(link, 2) == 2.0
        link.close()


def test_an_unplugged_adapter_is_a_bus_error_at_once() -> None:
    def script(conn: Conn) -> None:
        conn.ask()
        conn.hang_up()

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        with pytest.raises(BusError, match="unplugged") as caught:
            link.exchange(Tagged(1), 5.0)
        assert type(caught.value) is BusError
        link.close()


def test_unplug_and_replug_through_a_link_that_then_points_elsewhere(tmp_path: Path) -> None:
    port = tmp_path / "usb-example-if00"
    with pty_peer(echo_tags, port) as first:
        link = link_to(port)
        assert asked(link, 1) == 1.0
        first.hang_up()
    with pytest.raises(BusError, match="unplugged"):
        asked(link, 2)
    port.unlink()
    with pytest.raises(BusError, match="no such device; is the adapter plugged in"):
        asked(link, 3)
    with pty_peer(echo_tags, port):
        assert asked(link, 4) == 4.0
        link.close()


def test_an_absent_port_is_named() -> None:
    with pytest.raises(BusError, match=r"^serial port /dev/no-such-port: opening: no such device"):
        Link(SerialTransport(port="/dev/no-such-port")).open()


def test_something_that_is_no_serial_port_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "plain"
    file.write_bytes(b"")
    with pytest.raises(BusError, match="cannot be opened"):
        Link(SerialTransport(port=str(file))).open()


def test_a_peer_that_never_reads_costs_the_timeout_and_no_processor_time() -> None:
    class Long(Tagged):
        def request(self) -> bytes:
            return b"x" * 300_000

    def script(conn: Conn) -> None:
        conn.stopping.wait(20.0)

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        began, cpu = time.monotonic(), time.thread_time()
        with pytest.raises(DeadlineError, match=r"takes no more bytes: \d+ of 300000 unsent"):
            link.exchange(Long(), 0.5)
        took, spent = time.monotonic() - began, time.thread_time() - cpu
        link.close()
    assert took < 5.0
    assert spent < 0.25 * took


def test_a_port_held_by_a_program_that_does_not_lock_is_refused_by_name() -> None:
    with pty_peer(echo_tags) as peer:
        code = (
            f"import os, sys; os.open({peer.path!r}, os.O_RDWR | os.O_NOCTTY);"
            "print(open('/proc/self/comm').read(), flush=True); sys.stdin.read()"
        )
        holder = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        try:
            assert holder.stdout is not None
            name = holder.stdout.readline().decode().strip()
            assert holders(peer.path) == [f"process {holder.pid} ({name})"]
            with pytest.raises(BusInUseError, match=rf"in use by process {holder.pid} \({name}\)"):
                link_to(peer.path)
        finally:
            holder.communicate()
        link = link_to(peer.path)
        assert asked(link, 1) == 1.0
        link.close()


def test_the_server_of_a_pty_does_not_count_as_its_holder() -> None:
    code = "import os,pty,sys; m,s=pty.openpty(); print(os.ttyname(s), flush=True); sys.stdin.read()"
    server = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert server.stdout is not None
        path = server.stdout.readline().decode().strip()
        assert holders(path) == []
        link = link_to(path)
        link.close()
    finally:
        server.communicate()


def test_two_links_of_one_process_cannot_have_one_port() -> None:
    with pty_peer(echo_tags) as peer:
        first = opened(SerialTransport(port=peer.path))
        with pytest.raises(BusInUseError, match=r"locked by .* or another bus of this rig"):
            link_to(peer.path)
        assert asked(first, 1) == 1.0
        first.close()
        second = link_to(peer.path)
        second.close()


def test_an_open_port_keeps_out_unprivileged_programs_that_do_not_lock() -> None:
    with pty_peer(echo_tags) as peer:
        link = link_to(peer.path)
        code = (
            "import os,sys\nos.setuid(65534) if os.getuid() == 0 else None\n"
            "try:\n os.open(sys.argv[1], os.O_RDWR|os.O_NOCTTY)\nexcept OSError as e:\n print(e.errno)"
        )
        Path(peer.path).chmod(0o666)
        got = subprocess.run([sys.executable, "-c", code, peer.path], capture_output=True, check=True)
        link.close()
    assert got.stdout.strip() == b"16", got  # EBUSY


def test_the_port_is_locked_against_lockers_and_modem_lines_stay_at_close() -> None:
    with pty_peer(echo_tags) as peer:
        transport = SerialTransport(port=peer.path, parity="even", baud=19200)
        transport.open()
        other = os.open(peer.path, os.O_RDWR | os.O_NOCTTY)
        with pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        mode = termios.tcgetattr(other)
        assert not mode[2] & termios.HUPCL
        assert mode[0] & termios.INPCK
        assert not mode[0] & (termios.IGNPAR | termios.PARMRK)
        os.close(other)
        transport.close()


@pytest.mark.parametrize(
    ("baud", "parity", "data_bits", "stop_bits", "bits"),
    [
        (9600, "none", 8, 1.0, 10),
        (9600, "even", 8, 1.0, 11),
        (19200, "none", 8, 2.0, 11),
        (300, "odd", 7, 1, 10),
    ],
)
def test_a_character_is_start_data_parity_and_stop_bits(
    baud: int, parity: str, data_bits: int, stop_bits: float, bits: int
) -> None:
    # start + data + parity + stop bits: definition of asynchronous serial transmission (no source needed)
    transport = SerialTransport(
        port="/dev/null", baud=baud, parity=parity, data_bits=data_bits, stop_bits=stop_bits
    )
    assert transport.character_s == pytest.approx(bits / baud)


def test_an_unknown_parity_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of none, even"):
        SerialTransport(port="/dev/null", parity="strange")


def reopen(cycles: int, plain: Path) -> None:
    """Open, ask and close; fail on an absent port; fail half-way on something that is no port."""
    process = psutil.Process()
    plain.write_bytes(b"")
    with pty_peer(echo_tags) as peer:

        def cycle(number: int) -> None:
            link = opened(SerialTransport(port=peer.path))
            assert asked(link, number) == number
            link.close()
            with pytest.raises(BusError):
                Link(SerialTransport(port="/dev/no-such-port")).open()
            if number % 10 == 0:
                with pytest.raises(BusError):
                    Link(SerialTransport(port=str(plain))).open()

        cycle(0)
        before = process.num_fds()
        for number in range(cycles):
            cycle(number)
        assert process.num_fds() == before


@pytest.mark.slow
def test_reopening_leaks_no_descriptor(tmp_path: Path) -> None:
    reopen(300, tmp_path / "plain")


@pytest.mark.slow
def test_a_thousand_reopenings_leak_no_descriptor(tmp_path: Path) -> None:
    reopen(1000, tmp_path / "plain")


def test_a_pty_conn_is_raw() -> None:
    peer = PtyConn()
    assert not termios.tcgetattr(peer.slave)[3] & termios.ICANON
    peer.hang_up()


def test_a_port_whose_owner_is_stuck_is_let_go_for_another_to_open() -> None:
    """As after a call that never returns: the thread, and with it its descriptor, stays for ever."""
    with pty_peer(echo_tags) as peer:
        stuck = link_to(peer.path)
        second = Link(SerialTransport(port=peer.path))
        with pytest.raises(BusInUseError):
            second.open()
        stuck.abandon()
        second.open()
        assert asked(second, 7) == 7
        with pytest.raises(BusError, match="abandoned while it hung"):
            asked(stuck, 8)
        second.close()
        stuck.close()
