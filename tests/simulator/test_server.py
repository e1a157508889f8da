"""The room as a process: true protocols on real ports, seen by raw sockets and by other people's code."""

import contextlib
import json
import os
import re
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import psutil
import pytest
import serial
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from rig.clock import SYSTEM
from rig.errors import SoakrigError
from rig.simulator.instruments import IDENTITY_REGISTER, identity_word
from rig.simulator.running_room import RunningRoom, running, start

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningRoom]:
    with running(tmp_path_factory.mktemp("room"), scenario="quiet", units=3) as one:
        yield one


def port_of(room: RunningRoom, line: str) -> int:
    found = re.search(rf'  {line}: {{tcp: "127\.0\.0\.1:(\d+)"}}', room.rig_file.read_text("utf-8"))
    assert found is not None
    return int(found[1])


def line_of(room: RunningRoom, name: str) -> str:
    return str(room.folder / "dev" / name)


@contextlib.contextmanager
def lan(room: RunningRoom, line: str) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", port_of(room, line)), timeout=3.0) as connection:
        yield connection


def asked(connection: socket.socket, question: bytes, end: bytes = b"\n") -> bytes:
    connection.sendall(question)
    received = b""
    while not received.endswith(end):
        part = connection.recv(4096)
        assert part, received
        received += part
    return received


@contextlib.contextmanager
def serial_port(room: RunningRoom, name: str, baud: int) -> Iterator[serial.Serial]:
    with serial.Serial(line_of(room, name), baud, timeout=2.0) as port:
        yield port


def test_a_scanner_on_a_socket_says_who_it_is_and_scans(room: RunningRoom) -> None:
    with lan(room, "iron_port") as connection:
        assert asked(connection, b"*IDN?\n") == b"SIMULATED,IRON,SN-IRON-1,1.0\n"
        values = [float(text) for text in asked(connection, b"READ? (@101:103)\n").split(b",")]
    assert len(values) == 3
    assert all(70.0 < value < 105.0 for value in values)


def test_what_a_scanner_does_not_know_is_not_answered_and_stands_in_its_queue(room: RunningRoom) -> None:
    with lan(room, "stage_port") as connection:
        assert asked(connection, b"MEAS:NOTHING?\nSYST:ERR?\n") == b'-113,"Undefined header"\n'
        assert asked(connection, b"SYST:ERR?\n") == b'0,"No error"\n'


def test_a_scanner_on_a_serial_line_takes_the_time_it_takes(room: RunningRoom) -> None:
    with serial_port(room, "heat_line", 38400) as port:
        began_ns = SYSTEM.monotonic_ns()
        port.write(b"READ? (@101:103,201)\n")
        reply = port.readline()
        took_s = (SYSTEM.monotonic_ns() - began_ns) / 1e9
    assert len(reply.split(b",")) == 4
    assert took_s > 0.8 * 0.06 + len(reply) * 10 / 38400


def test_the_source_answers_a_compound_question(room: RunningRoom) -> None:
    with serial_port(room, "tone_line", 9600) as port:
        port.write(b"SOUR:LEV?;FREQ?\n")
        level, tone = port.readline().split(b";")
    assert float(tone) == pytest.approx(1000.0)
    assert 0.9 < float(level) < 1.4


def test_the_thermocouple_box_and_the_counter_answer_lines(room: RunningRoom) -> None:
    with serial_port(room, "box_line", 19200) as port:
        port.write(b"T?\r\n")
        assert re.fullmatch(rb"\+\d{4}\.\d,\+\d{4}\.\d,\+\d{4}\.\d\r\n", port.readline())
    with lan(room, "fans_port") as connection:
        assert asked(connection, b"ID?\r\n") == b"SIMULATED FANS\r\n"
        values = [int(text) for text in asked(connection, b"RPM?\r\n").split(b",")]
        assert asked(connection, b"XYZZY\r\n") == b"?\r\n"
    assert all(1400 < value < 1600 for value in values)


def test_the_mains_meter_sends_by_itself_with_a_checksum(room: RunningRoom) -> None:
    with serial_port(room, "mains_line", 9600) as port:
        port.readline()
        lines = [port.readline() for _ in range(3)]
    for line in lines:
        body, digits = re.fullmatch(rb"\$([^*]+)\*([0-9A-F]{2})\r\n", line).groups()  # type: ignore[union-attr]
        total = 0
        for byte in body:
            total ^= byte
        assert total == int(digits, 16)
        assert 220.0 < float(re.search(rb"U=([0-9.]+)", body)[1]) < 240.0  # type: ignore[index]


def float32(registers: Sequence[int]) -> float:
    (value,) = struct.unpack(">f", struct.pack(">HH", *registers))
    return float(value)


def test_pymodbus_reads_the_meters_of_the_rtu_line(room: RunningRoom) -> None:
    client = ModbusSerialClient(
        line_of(room, "out_line"), framer=FramerType.RTU, baudrate=38400, stopbits=2, timeout=1.0, retries=0
    )
    try:
        assert client.connect()
        for device in (1, 2, 3):
            who = client.read_holding_registers(IDENTITY_REGISTER, count=1, device_id=device)
            assert who.registers == [identity_word(f"out_A{device}")]
            reply = client.read_holding_registers(0, count=3, device_id=device)
            assert 18.0 < float32(reply.registers[:2]) < 26.0
        refused = client.read_holding_registers(50, count=1, device_id=1)
        assert refused.isError()
        assert refused.exception_code == 2
    finally:
        client.close()  # type: ignore[no-untyped-call]


def test_pymodbus_reads_the_intake_meter_and_switches_a_unit(room: RunningRoom) -> None:
    client = ModbusTcpClient("127.0.0.1", port=port_of(room, "intake_port"), timeout=2.0, retries=0)

    def current_a(place: int) -> float:
        low, high = client.read_holding_registers(2 * place, count=2, device_id=1).registers
        return (high << 16 | low) * 0.0001

    try:
        assert client.connect()  # type: ignore[no-untyped-call]
        assert 0.5 < current_a(1) < 1.6
        assert client.read_coils(0, count=3, device_id=1).bits[:3] == [True, True, True]
        assert not client.write_coil(1, False, device_id=1).isError()
        time.sleep(0.1)
        assert current_a(1) == pytest.approx(0.0, abs=0.01)
        assert current_a(0) > 0.5
        assert not client.write_coil(1, True, device_id=1).isError()
        lost = client.read_holding_registers(0, count=1, device_id=9)
        assert (lost.isError(), lost.exception_code) == (True, 0x0B)
    finally:
        client.close()  # type: ignore[no-untyped-call]


def test_a_device_that_is_not_on_the_line_and_a_broken_frame_get_silence(room: RunningRoom) -> None:
    with serial_port(room, "out_line", 38400) as port:
        port.timeout = 0.15
        port.write(bytes.fromhex("63030000000145B9"))
        assert port.read(1) == b""
        port.write(bytes.fromhex("0103000000010000"))
        assert port.read(1) == b""


def test_a_pulled_line_hangs_up_and_comes_back_under_the_same_name(room: RunningRoom) -> None:
    link = room.folder / "dev" / "tone_line"
    before = link.readlink()
    descriptor = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        room.say("pull tone_line")
        gone = select.poll()
        gone.register(descriptor, 0)
        assert gone.poll(3000)
        assert not link.exists()
    finally:
        os.close(descriptor)
    room.say("plug tone_line")
    deadline_ns = SYSTEM.monotonic_ns() + 3_000_000_000
    while not link.exists() and SYSTEM.monotonic_ns() < deadline_ns:
        time.sleep(0.01)
    assert link.exists(), before
    with serial_port(room, "tone_line", 9600) as port:
        port.write(b"*IDN?\n")
        assert port.readline().startswith(b"SIMULATED,TONE")


def test_a_pulled_network_refuses_and_listens_again_at_the_same_port(room: RunningRoom) -> None:
    with lan(room, "fans_port") as connection:
        room.say("pull fans_port")
        assert connection.recv(10) == b""
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port_of(room, "fans_port")), timeout=3.0)
    room.say("plug fans_port")
    deadline_ns = SYSTEM.monotonic_ns() + 3_000_000_000
    while SYSTEM.monotonic_ns() < deadline_ns:
        with contextlib.suppress(ConnectionRefusedError), lan(room, "fans_port") as connection:
            assert asked(connection, b"ID?\r\n") == b"SIMULATED FANS\r\n"
            return
        time.sleep(0.01)
    pytest.fail("the port did not come back")


def test_a_hung_instrument_is_silent_and_a_garbled_one_sends_rubbish_once(room: RunningRoom) -> None:
    with lan(room, "iron_port") as connection:
        room.say("garble iron")
        time.sleep(0.15)
        connection.sendall(b"*OPC?\n")
        assert connection.recv(10) == bytes(byte ^ 0x55 for byte in b"1\n")
        assert asked(connection, b"*OPC?\n") == b"1\n"
        room.say("hang iron 0.6")
        time.sleep(0.15)
        connection.settimeout(0.25)
        connection.sendall(b"*OPC?\n")
        with pytest.raises(TimeoutError):
            connection.recv(10)


def test_every_listening_port_is_on_the_loopback_only(room: RunningRoom) -> None:
    listening = [
        one.laddr.ip for one in psutil.Process(room.process.pid).net_connections("inet") if not one.raddr
    ]
    assert set(listening) == {"127.0.0.1"}
    assert len(listening) == 4


def test_the_truth_can_be_read_at_any_moment(room: RunningRoom) -> None:
    for _ in range(200):
        assert room.truth()["scenario"] == "quiet"


def left_behind(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*")}


def ended_within(process: subprocess.Popen[bytes], seconds: float = 5.0) -> int:
    return process.wait(seconds)


def test_it_ends_on_sigterm_with_its_last_truth_and_leaves_no_links(tmp_path: Path) -> None:
    with running(tmp_path, scenario="quiet", units=1) as one:
        assert one.truth()["ended"] is False
    assert one.process.returncode == 0
    assert one.truth()["ended"] is True
    assert left_behind(tmp_path) == {"rig.yaml", "truth.json", "room.log"}
    assert (tmp_path / "room.log").read_bytes() == b""


def test_it_ends_when_the_pipe_on_its_input_closes(tmp_path: Path) -> None:
    one = start(tmp_path, scenario="quiet", units=1)
    assert one.process.stdin is not None
    assert one.process.stdout is not None
    one.process.stdin.close()
    assert ended_within(one.process) == 0
    one.process.stdout.close()
    assert "dev" not in left_behind(tmp_path)


@pytest.mark.slow
def test_it_ends_when_its_starter_is_killed(tmp_path: Path) -> None:
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from rig.simulator.running_room import start\n"
        "room = start(Path(sys.argv[1]), scenario='quiet', units=1)\n"
        "print(room.process.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    starter = subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE)
    assert starter.stdout is not None
    served = psutil.Process(int(starter.stdout.readline()))
    starter.kill()
    starter.communicate()
    gone, _ = psutil.wait_procs([served], timeout=5.0)
    assert gone or served.status() == psutil.STATUS_ZOMBIE
    assert json.loads((tmp_path / "truth.json").read_text("utf-8"))["ended"] is True


def test_a_room_that_cannot_start_says_why(tmp_path: Path) -> None:
    with pytest.raises(SoakrigError, match="invalid choice"):
        start(tmp_path, scenario="no-such-thing")


def test_a_room_with_a_duration_ends_by_itself_without_a_pipe(tmp_path: Path) -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "rig.simulator.server",
            "--folder",
            str(tmp_path),
            "--units",
            "1",
            "--duration",
            "0.3",
        ],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=20,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"ready\n", b"")
