"""Commands of the rig file: what is sent, what counts as taken, what is refused at desk and rack."""

from __future__ import annotations

from typing import Any

import pytest

from drivers import command_of
from drivers.bus.serial_port import SerialTransport
from rig.errors import InstrumentError, ReplyError
from tests.drivers.examples import made
from tests.drivers.peers import Conn, opened, pty_peer
from tests.drivers.test_real_peers import LINKS, TIMEOUT_S, modbus

FIELDS = {"c2": {"register": 2, "table": "coil", "type": "bit"}, "r1": {"register": 1}}
SCPI = {"identity": ".*", "terminator": "LF", "reads": [{"ask": "READ?", "fields": ["x"]}]}
LINES = {"terminator": "CRLF", "reads": [{"ask": "T", "fields": ["x"]}], "command-reply": "OK.*"}


@pytest.mark.parametrize(
    ("text", "pdu"),
    [
        # Modbus Application Protocol V1.1b3, 6.5: coil 173 on (address 0x00AC), the reply is an echo
        ("coil 172 on", "0500ACFF00"),
        # 6.6: register 2 (address 1) becomes 0003, the reply is an echo
        ("register 1 = 3", "0600010003"),
        # from memory: two's complement
        ("register 0 = -2", "060000FFFE"),
        ("coil 172 off", "0500AC0000"),
    ],
)
def test_modbus_writes_are_the_printed_requests(text: str, pdu: str) -> None:
    exchange = command_of(modbus(FIELDS, "tcp"), text)
    request = exchange.request()
    assert request[7:].hex() == pdu.lower()
    reply = exchange.parse(request)
    assert reply is not None
    assert reply.used == len(request)
    assert all(exchange.parse(request[:cut]) is None for cut in range(len(request)))
    wrong = request[:-1] + bytes([request[-1] ^ 1])
    with pytest.raises(ReplyError, match="does not repeat the request"):
        exchange.parse(wrong)


@LINKS
def test_pymodbuss_own_server_takes_writes_and_its_refusals_are_named(connected: Any, framing: str) -> None:
    with connected() as link:
        driver = modbus(FIELDS, framing)

        def read() -> dict[str, float]:
            found: dict[str, float] = {}
            for one in driver.polls:
                values = link.exchange(one, TIMEOUT_S, 0.002).reply.values
                found |= dict(zip(one.fields, values, strict=True))
            return found

        assert read()["c2"] == 1.0
        link.exchange(command_of(driver, "coil 2 off"), TIMEOUT_S, 0.002)
        link.exchange(command_of(driver, "register 1 = 2300"), TIMEOUT_S, 0.002)
        assert read() == {"c2": 0.0, "r1": 2300.0}
        with pytest.raises(InstrumentError, match=r"exception 2 \(illegal data address\)"):
            link.exchange(command_of(driver, "register 900 = 1"), TIMEOUT_S, 0.002)


@pytest.mark.parametrize(
    ("driver", "text", "says"),
    [
        (modbus(FIELDS, "rtu"), "coil 3", "coil 3 on"),
        (modbus(FIELDS, "rtu"), "coil 70000 on", "at most 65535"),
        (modbus(FIELDS, "rtu"), "register 1 = 70000", "65535"),
        (made("scpi", SCPI), "ROUT:OPEN? (@101)", "a question"),
        (made("scpi", SCPI), "ROUT:OPEN (@101)\n*RST", "one line"),
        (made("lines", LINES), "", "one line"),
        (made("lines", LINES), "öffnen", "printable ASCII"),
    ],
)
def test_texts_that_are_no_commands_are_refused_at_the_desk(driver: Any, text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        command_of(driver, text)


def test_a_driver_without_commands_only_reads() -> None:
    class OnlyReads:
        opening = polls = ()
        report = None
        quiet_s = 0.0

    with pytest.raises(ValueError, match="only read"):
        command_of(OnlyReads(), "coil 1 on")


def test_a_scpi_command_is_sent_as_it_stands_and_not_waited_for() -> None:
    heard: list[bytes] = []

    def script(conn: Conn) -> None:
        while data := conn.ask():
            heard.append(data)

    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path, baud=9600))
        answer = link.exchange(command_of(made("scpi", SCPI), "ROUT:OPEN (@101)"), 1.0)
        assert answer.reply.used == 0
        peer.pause(0.2)
        link.close()
    assert b"".join(heard) == b"ROUT:OPEN (@101)\n"


def test_a_line_command_counts_only_when_its_answer_says_so() -> None:
    def script(conn: Conn) -> None:
        while data := conn.ask():
            conn.send(b"OK 1\r\n" if b"OFF 1" in data else b"ERR\r\n")

    driver = made("lines", LINES)
    with pty_peer(script) as peer:
        link = opened(SerialTransport(port=peer.path, baud=9600))
        assert link.exchange(command_of(driver, "OFF 1"), 1.0).reply.text == "OK 1"
        with pytest.raises(InstrumentError, match="was answered with 'ERR', expected"):
            link.exchange(command_of(driver, "OFF 2"), 1.0)
        link.close()
