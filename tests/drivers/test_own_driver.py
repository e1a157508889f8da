"""The worked example of a driver of one's own keeps what every driver owes, and reads a real line."""

from __future__ import annotations

import importlib
import math
import sys
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

import drivers
from drivers.bus.exchange import Link
from drivers.bus.serial_port import SerialTransport
from rig.domain.model import Status
from rig.errors import ConfigError, ReplyError
from rig.rigfile import yaml_reader
from tests.drivers.peers import Conn, PtyConn

CONFIGS = Path(__file__).parents[2] / "configs"
REPLY = b"\x02\x00\x00\x00\x28\x28"


@pytest.fixture(scope="module")
def module() -> ModuleType:
    sys.path.insert(0, str(CONFIGS))
    try:
        return importlib.import_module("lab.tally")
    finally:
        sys.path.remove(str(CONFIGS))


def exchange(module: ModuleType, scale: float = 30.0) -> drivers.Exchange:
    made: drivers.Driver = module.Driver(module.Options(field="speed", scale=scale))
    return made.polls[0]


def test_the_rig_file_beside_it_has_no_fault(module: ModuleType) -> None:
    rig = yaml_reader.read(CONFIGS / "lab" / "tally.yaml", drivers.spec)
    assert rig.instruments["counter"].blocks[0].fields == ("speed",)


def test_options_that_make_no_sense_are_told_at_their_line(module: ModuleType, tmp_path: Path) -> None:
    text = (CONFIGS / "lab" / "tally.yaml").read_text("utf-8").replace("scale: 30", "scale: 0")
    (tmp_path / "rig.yaml").write_text(text, "utf-8")
    with pytest.raises(ConfigError, match="would make every count the same"):
        yaml_reader.read(tmp_path / "rig.yaml", drivers.spec)


def test_a_whole_reply_gives_the_value_and_a_part_of_one_nothing(module: ModuleType) -> None:
    asked = exchange(module)
    assert asked.request() == b"\x05"
    assert len(asked.request()) == asked.request_bytes
    for cut in range(len(REPLY)):
        assert asked.parse(REPLY[:cut]) is None
    reply = asked.parse(REPLY + b"more")
    assert reply is not None
    assert (reply.values, reply.statuses, reply.used) == ((1200.0,), (Status.GOOD,), len(REPLY))


def test_an_open_input_is_no_number(module: ModuleType) -> None:
    reply = exchange(module).parse(b"\x02\xff\xff\xff\xff\xfc")
    assert reply is not None
    assert reply.statuses == (Status.NO_VALUE,)
    assert math.isnan(reply.values[0])


@pytest.mark.parametrize("at", range(len(REPLY)))
@pytest.mark.parametrize("bit", range(8))
def test_no_flipped_bit_gives_a_number(module: ModuleType, at: int, bit: int) -> None:
    damaged = bytearray(REPLY)
    damaged[at] ^= 1 << bit
    with pytest.raises(ReplyError):
        exchange(module).parse(bytes(damaged))


@given(st.binary(max_size=30))
def test_any_bytes_give_a_reply_a_wait_or_a_named_error(received: bytes) -> None:
    asked = exchange(sys.modules["lab.tally"])
    try:
        reply = asked.parse(received)
    except ReplyError:
        return
    assert reply is None or 0 < reply.used <= len(received)


def test_it_reads_a_real_line(module: ModuleType) -> None:
    import threading

    conn = PtyConn()

    def box(conn: Conn) -> None:
        while data := conn.ask():
            for _ in range(data.count(b"\x05")):
                conn.send(REPLY)

    thread = threading.Thread(target=box, args=(conn,), daemon=True)
    thread.start()
    link = Link(
        SerialTransport(port=conn.path, baud=9600, parity="none", data_bits=8, stop_bits=1.0), settle_s=0.0
    )
    link.open()
    try:
        answers = [link.exchange(exchange(module), 1.0).reply.values for _ in range(3)]
    finally:
        link.close()
        conn.stopping.set()
        thread.join(5)
    assert answers == [(1200.0,)] * 3
