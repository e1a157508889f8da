"""The drivers against servers that nobody here wrote, and against devices that misbehave, on real lines."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import pytest
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from scpipy.server import Router
from scpipy.server import Server as ScpiServer

from drivers import Driver
from drivers.bus.exchange import Answer, Link
from drivers.bus.serial_port import SerialTransport
from drivers.bus.sums import crc16_modbus
from drivers.bus.tcp import TcpTransport
from rig.domain.model import Status
from rig.errors import BusError, DeadlineError, InstrumentError, ReplyError
from tests.drivers.examples import made
from tests.drivers.peers import Conn, PtyConn, opened, pty_peer

TIMEOUT_S = 0.25
FIELDS: dict[str, Any] = {
    "volts": {"register": 0, "type": "float32", "order": "ABCD"},
    "hertz": {"register": 2, "type": "uint16", "scale": 0.01},
    "phase": {"register": 3, "type": "int16"},
    "far": {"register": 100, "type": "float64", "order": "CDAB", "table": "input"},
}


@contextlib.contextmanager
def served(make: Callable[[], Any]) -> Iterator[Any]:
    """Run an asyncio server of ``make`` in a thread of its own until the block ends."""
    loop = asyncio.new_event_loop()
    ready: threading.Event = threading.Event()
    box: list[Any] = []

    async def run() -> None:
        server = make()
        box.append(server)
        await server.serve_forever(background=True)
        ready.set()

    async def stop() -> None:
        await box[0].shutdown()

    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        asyncio.run_coroutine_threadsafe(run(), loop).result(10.0)
        assert ready.wait(10.0)
        yield box[0]
    finally:
        asyncio.run_coroutine_threadsafe(stop(), loop).result(10.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10.0)
        loop.close()


async def refuse_some(
    function: int, start: int, address: int, count: int, registers: list[int], values: Any
) -> Any:
    """Be busy when register 50 is asked for."""
    del function, start, count, registers, values
    return ExcCodes.DEVICE_BUSY if address == 50 else None


def devices() -> list[SimDevice]:
    holding = [
        SimData(0, values=[0x4366, 0x0000, 5002, 0xFFFD], datatype=DataType.REGISTERS),
        SimData(50, values=[1], datatype=DataType.REGISTERS),
    ]
    # -118.625 as float64 is C05DA80000000000 (IEEE 754), its words turned around
    inputs = [SimData(100, values=[0x0000, 0x0000, 0xA800, 0xC05D], datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=[True, False, True, True], datatype=DataType.BITS)]
    return [SimDevice(device, simdata=(bits, bits, holding, inputs), action=refuse_some) for device in (1, 3)]


@pytest.fixture(autouse=True)
def _quiet() -> None:
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


@contextlib.contextmanager
def tcp_link() -> Iterator[Link]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with served(lambda: ModbusTcpServer(devices(), address=("127.0.0.1", port))):
        link = opened(TcpTransport(host="127.0.0.1", port=port))
        yield link
        link.close()


@contextlib.contextmanager
def rtu_link() -> Iterator[Link]:
    """Two ptys back to back: the server opens one, the link the other."""
    ends = PtyConn(), PtyConn()
    stopping = threading.Event()

    def carry(source: PtyConn, sink: PtyConn) -> None:
        while not stopping.is_set():
            source.stopping = stopping
            if data := source.ask():
                os.write(sink.master, data)

    threads = [
        threading.Thread(target=carry, args=ends),
        threading.Thread(target=carry, args=ends[::-1]),
    ]
    for thread in threads:
        thread.start()
    try:
        with served(lambda: ModbusSerialServer(devices(), port=ends[0].path, baudrate=115200)):
            link = opened(SerialTransport(port=ends[1].path, baud=115200))
            yield link
            link.close()
    finally:
        stopping.set()
        for thread in threads:
            thread.join(5.0)
        for end in ends:
            end.hang_up()


LINKS = pytest.mark.parametrize(("connected", "framing"), [(tcp_link, "tcp"), (rtu_link, "rtu")])


def modbus(fields: dict[str, Any], framing: str, device: int = 1, **more: Any) -> Driver:
    return made("modbus", {"device": device, "framing": framing, "fields": fields, **more})


def polled(link: Link, driver: Driver) -> dict[str, float]:
    values: dict[str, float] = {}
    for exchange in driver.polls:
        answer: Answer = link.exchange(exchange, TIMEOUT_S, driver.quiet_s)
        values |= dict(zip(exchange.fields, answer.reply.values, strict=True))
    return values


@LINKS
def test_pymodbuss_own_server_is_read_and_its_refusals_are_named(connected: Any, framing: str) -> None:
    with connected() as link:
        for device in (1, 3):
            driver = modbus(FIELDS, framing, device)
            assert polled(link, driver) == {
                "volts": 230.0,
                "hertz": pytest.approx(50.02),
                "phase": -3.0,
                "far": -118.625,
            }
        with pytest.raises(InstrumentError, match=r"exception 2 \(illegal data address\)"):
            polled(link, modbus({"none": {"register": 900}}, framing))
        with pytest.raises(InstrumentError, match=r"exception 6 \(server device busy\)"):
            polled(link, modbus({"busy": {"register": 50}}, framing))
        bits = {f"b{n}": {"register": n, "table": "coil", "type": "bit"} for n in range(4)}
        assert list(polled(link, modbus(bits, framing)).values()) == [1.0, 0.0, 1.0, 1.0]
        identity = modbus(FIELDS, framing, identity={"register": 2, "equals": 5002}).opening[0]
        assert link.exchange(identity, TIMEOUT_S, 0.002).reply.text == "5002"
        other = modbus(FIELDS, framing, identity={"register": 2, "equals": 5003}).opening[0]
        with pytest.raises(ReplyError, match="another instrument answers"):
            link.exchange(other, TIMEOUT_S, 0.002)
        assert polled(link, modbus(FIELDS, framing))["volts"] == 230.0


# A device on a line that answers in order, whatever it costs ------------------------------------------


def slave(conn: Conn, *, late: dict[int, float], deaf: set[int] | None = None) -> None:
    """Register n of devices not in ``deaf`` holds n; the k-th request is answered ``late[k]`` s late."""
    rest, count = b"", 0
    while data := conn.ask():
        rest += data
        while len(rest) >= 8:
            request, rest = rest[:8], rest[8:]
            assert crc16_modbus(request) == 0
            count += 1
            conn.pause(late.get(count, 0.0))
            if deaf and request[0] in deaf:
                continue
            first, length = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
            body = bytes([request[0], request[1], 2 * length])
            body += b"".join((first + n).to_bytes(2, "big") for n in range(length))
            conn.send(body + crc16_modbus(body).to_bytes(2, "little"))


def test_a_late_reply_of_an_rtu_device_is_no_data_and_never_another_registers_number() -> None:
    """All reads of one length, so that nothing in a frame tells a late reply from the right one."""
    drivers = [modbus({f"r{n}": {"register": n}}, "rtu") for n in (10, 20, 30, 40, 50)]
    got: list[float | None] = []
    with pty_peer(lambda conn: slave(conn, late={2: 1.2 * TIMEOUT_S, 6: 1.5 * TIMEOUT_S})) as peer:
        link = opened(SerialTransport(port=peer.path, baud=115200))
        for driver in drivers * 2:
            try:
                got += polled(link, driver).values()
            except DeadlineError:
                got.append(None)
        link.close()
    assert got == [10, None, 30, 40, 50, None, 20, 30, 40, 50]


def test_a_device_that_is_always_too_slow_gives_no_data_at_all() -> None:
    drivers = [modbus({f"r{n}": {"register": n}}, "rtu") for n in (10, 20)]
    late = dict.fromkeys(range(1, 100), 1.3 * TIMEOUT_S)
    with pty_peer(lambda conn: slave(conn, late=late)) as peer:
        link = opened(SerialTransport(port=peer.path, baud=115200))
        for driver in drivers:
            with pytest.raises(DeadlineError):
                polled(link, driver)
        link.close()


def test_a_silent_device_does_not_put_words_into_its_neighbours_mouth() -> None:
    good, silent = modbus({"a": {"register": 7}}, "rtu", 1), modbus({"a": {"register": 9}}, "rtu", 2)
    with pty_peer(lambda conn: slave(conn, late={}, deaf={2})) as peer:
        link = opened(SerialTransport(port=peer.path, baud=115200))
        with pytest.raises(DeadlineError, match=r"device 2 holding 9: no reply .* not a single byte"):
            polled(link, silent)
        assert polled(link, good) == {"a": 7.0}
        link.close()


@pytest.mark.parametrize(
    ("damage", "error"),
    [
        (lambda frame: frame[:-1] + bytes([frame[-1] ^ 1]), ReplyError),
        (lambda frame: frame[:-2], DeadlineError),
        (lambda frame: b"\x02" + frame[1:], ReplyError),
        (lambda frame: frame + frame, ReplyError),
        (lambda frame: b"\xaa\x55" + frame, ReplyError),
    ],
    ids=["checksum", "cut", "other device", "twice", "noise before"],
)
def test_a_damaged_rtu_reply_is_a_named_error_and_the_next_read_is_right(damage: Any, error: Any) -> None:
    class Damaging:
        def __init__(self, conn: Conn) -> None:
            self.conn, self.count = conn, 0
            self.stopping, self.ask, self.pause, self.hang_up = (
                conn.stopping,
                conn.ask,
                conn.pause,
                conn.hang_up,
            )

        def send(self, data: bytes) -> None:
            self.count += 1
            self.conn.send(damage(data) if self.count == 1 else data)

    driver = modbus({"a": {"register": 7}}, "rtu")
    with pty_peer(lambda conn: slave(Damaging(conn), late={})) as peer:
        link = opened(SerialTransport(port=peer.path, baud=115200))
        with pytest.raises(error):
            polled(link, driver)
        assert polled(link, driver) == {"a": 7.0}
        link.close()


def test_the_line_is_silent_for_three_and_a_half_characters_before_each_request() -> None:
    # Modbus over Serial Line V1.02, 2.5.1.1: at 1200 baud, 11 bits a character, 32.08 ms
    arrived: list[int] = []

    def script(conn: Conn) -> None:
        while data := conn.ask():
            arrived.append(time.monotonic_ns())
            body = b"\x01\x03\x02\x00" + data[3:4]
            conn.send(body + crc16_modbus(body).to_bytes(2, "little"))
            arrived.append(time.monotonic_ns())

    driver = modbus({"a": {"register": 7}}, "rtu")
    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path, baud=1200, parity="even"))
        for _ in range(5):
            polled(link, driver)
        link.close()
    gaps = [(later - earlier) / 1e6 for earlier, later in zip(arrived[1::2], arrived[2::2], strict=False)]
    assert len(gaps) == 4
    # a stamp on our side is a little later than the reply's last byte: allow 1 ms
    assert min(gaps) > 32.08 - 1.0


# A SCPI server that nobody here wrote -------------------------------------------------------------------


@contextlib.contextmanager
def scpipy_server() -> Iterator[int]:
    def idn(context: Any) -> str:
        return "EXAMPLE,METER,0017,1.0"

    def volts(context: Any) -> float:
        return 12.5

    async def slow(context: Any) -> str:
        await asyncio.sleep(1.6 * TIMEOUT_S)
        return "777"

    def configure(context: Any) -> None:
        return None

    router = Router()
    for header, handler in {
        "*IDN?": idn,
        "MEASure:VOLTage:DC?": volts,
        "SLOW?": slow,
        "CONFigure:VOLTage": configure,
    }.items():
        router.register(header)(handler)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    box: list[Any] = []
    up = threading.Event()

    async def run() -> None:
        server = ScpiServer("127.0.0.1", port)
        server.include_router(router)
        box.extend([server, asyncio.get_running_loop()])
        task = asyncio.ensure_future(server._listen())
        while server._server is None:
            await asyncio.sleep(0.005)
        up.set()
        await task

    thread = threading.Thread(target=lambda: asyncio.run(run()))
    thread.start()
    try:
        assert up.wait(10.0)
        yield port
    finally:
        box[1].call_soon_threadsafe(box[0].stop)
        thread.join(10.0)


def meter(ask: str = "MEAS:VOLT:DC?", **more: Any) -> Driver:
    reads = [{"ask": ask, "fields": ["volts"]}]
    return made("scpi", {"identity": "EXAMPLE,METER,0017,.*", "terminator": "LF", "reads": reads, **more})


def connected_to(port: int) -> Link:
    return opened(TcpTransport(host="127.0.0.1", port=port))


def test_a_scpi_server_of_others_is_identified_set_up_and_read() -> None:
    with scpipy_server() as port:
        link, driver = connected_to(port), meter(setup=["CONF:VOLT"])
        texts = [link.exchange(exchange, TIMEOUT_S).reply.text for exchange in driver.opening]
        assert texts[0] == "EXAMPLE,METER,0017,1.0"
        reply = link.exchange(driver.polls[0], TIMEOUT_S).reply
        assert (reply.values, reply.statuses) == ((12.5,), (Status.GOOD,))
        link.close()


def test_a_set_up_command_that_it_does_not_know_is_reported_by_its_number() -> None:
    with scpipy_server() as port:
        link, driver = connected_to(port), meter(setup=["FORM ASCX"])
        for exchange in driver.opening[:-1]:
            link.exchange(exchange, TIMEOUT_S)
        with pytest.raises(InstrumentError, match="a set-up command was refused: -1"):
            link.exchange(driver.opening[-1], TIMEOUT_S)
        link.close()


def test_a_bad_query_is_silence_and_then_an_entry_in_the_error_queue() -> None:
    with scpipy_server() as port:
        link, driver = connected_to(port), meter(ask="BAD:QUERY?")
        report = driver.report
        assert report is not None
        with pytest.raises(DeadlineError):
            link.exchange(driver.polls[0], TIMEOUT_S)
        # the server keeps a queue for each connection, and the link has opened another one by now
        assert link.exchange(report, TIMEOUT_S).reply.text == ""
        link.close()


def test_its_late_reply_is_never_the_answer_to_the_next_question() -> None:
    with scpipy_server() as port:
        link = connected_to(port)
        slow, quick = meter(ask="SLOW?").polls[0], meter().polls[0]
        for _ in range(2):
            with pytest.raises(DeadlineError):
                link.exchange(slow, TIMEOUT_S)
            for _ in range(3):
                assert link.exchange(quick, TIMEOUT_S).reply.values == (12.5,)
        link.close()


def test_another_instruments_identity_is_refused() -> None:
    with scpipy_server() as port:
        link = connected_to(port)
        driver = meter(identity="EXAMPLE,SCANNER,.*")
        with pytest.raises(ReplyError, match="another instrument answers: its identity is 'EXAMPLE,METER"):
            link.exchange(driver.opening[0], TIMEOUT_S)
        link.close()


def test_a_server_that_is_gone_is_a_bus_error() -> None:
    with scpipy_server() as port:
        link = connected_to(port)
        link.exchange(meter().polls[0], TIMEOUT_S)
    with pytest.raises(BusError, match="closed the connection"):
        link.exchange(meter().polls[0], TIMEOUT_S)
    with pytest.raises(BusError, match="cannot connect"):
        link.exchange(meter().polls[0], TIMEOUT_S)
    link.close()


# An instrument that sends by itself, on a real line -------------------------------------------------------


def test_an_instrument_that_sends_by_itself_is_heard_line_by_line() -> None:
    def script(conn: Conn) -> None:
        number = 0
        conn.send(b"9.5\n")  # the second half of 29.5
        while not conn.stopping.is_set():
            number += 1
            line = f"{number},230.{number % 10}\r\n".encode()
            conn.send(line[:3])
            conn.pause(0.005)
            conn.send(line[3:])
            conn.pause(0.015)

    driver = made("lines", {"terminator": "LF", "reads": [{"fields": ["number", "volts"]}]})
    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path))
        answers = [link.exchange(driver.polls[0], 1.0) for _ in range(20)]
        link.close()
    numbers = [answer.reply.values[0] for answer in answers]
    assert numbers == sorted(set(numbers))
    assert all(answer.sent_ns < answer.received_ns for answer in answers)
    assert all(a.received_ns <= b.received_ns for a, b in pairwise(answers))
    assert link.counts.failures == 0
