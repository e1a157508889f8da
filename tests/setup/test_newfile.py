"""A new rig file: right as it stands, asked for with real peers, and no port opened unasked."""

from __future__ import annotations

import os
import pty
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

import drivers
from rig.errors import UsageError
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig
from rig.setup import found_ports as ports
from rig.setup import newfile
from rig.setup.draft import scalar, suggested
from rig.setup.found_ports import Port, serial_ports

IDENTITY = "EXAMPLE,METER 5-B,0017,1.2"


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "PATIENCE_S", 0.2)


def defaults(_question: str, default: str) -> str:
    return default


def scripted(
    answers: Mapping[str, str | list[str]], asked: list[str] | None = None
) -> Callable[[str, str], str]:
    """Answer the questions that hold a key; a list is used up one by one; others get their default."""
    left = {key: [one] if isinstance(one, str) else list(one) for key, one in answers.items()}

    def ask(question: str, default: str) -> str:
        if asked is not None:
            asked.append(question)
        for key, waiting in left.items():
            if key in question and waiting:
                return waiting.pop(0)
        return default

    return ask


def create(path: Path, **more: object) -> RigConfig:
    newfile.create(path, **{"ask": defaults, "say": lambda _text: None, "ports": [], **more})  # type: ignore[arg-type]
    return yaml_reader.read(path, drivers.spec)


@contextmanager
def peer(answer: bytes | None = f"{IDENTITY}\n".encode()) -> Iterator[tuple[str, list[bytes]]]:
    """A socket that answers each line; yields its address and what it was sent."""
    heard: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            try:
                connection = server.accept()[0]
            except OSError:
                return
            with connection:
                while data := connection.recv(100):
                    heard.append(data)
                    if answer is not None:
                        connection.sendall(answer)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"127.0.0.1:{server.getsockname()[1]}", heard
        server.shutdown(socket.SHUT_RDWR)
    thread.join(5)


def test_what_is_written_without_a_single_answer_has_no_fault(tmp_path: Path) -> None:
    rig = create(tmp_path / "rig.yaml")
    assert rig.layout.channels
    assert "# Mains, heat, stored energy" in rig.text


@pytest.mark.parametrize("driver", drivers.available())
def test_every_driver_brings_an_example_to_begin_with(tmp_path: Path, driver: str) -> None:
    port = Port(path="/dev/serial/by-id/usb-example-if00", device="/dev/ttyUSB7")
    rig = create(tmp_path / "rig.yaml", ports=[port], ask=scripted({"driver:": driver}))
    assert [one.driver for one in rig.instruments.values()] == [driver]
    assert rig.buses["line1"].serial == port.path


def test_every_key_that_may_be_added_stands_in_the_file_as_a_comment_with_what_it_means(
    tmp_path: Path,
) -> None:
    port = Port(path="/dev/serial/by-id/usb-example-if00", device="/dev/ttyUSB7")
    text = create(tmp_path / "rig.yaml", ports=[port], ask=scripted({"driver:": "lines"})).text
    for line in ("# parity: none", "# fast-poll: ...", "# checksum: none", "; keys: kind, mark, start"):
        assert line in text


def test_an_instrument_on_the_network_is_asked_who_it_is(tmp_path: Path) -> None:
    with peer() as (address, heard):
        rig = create(tmp_path / "rig.yaml", lan=[address])
    assert heard == [b"*IDN?\n"]
    instrument = rig.instruments["scpi-net1"]
    assert instrument.options.identity == r"EXAMPLE,METER 5-B,.*"
    assert f"Answers *IDN? with {IDENTITY}" in rig.text


def test_one_that_does_not_answer_is_written_down_all_the_same(tmp_path: Path) -> None:
    said: list[str] = []
    with peer(None) as (address, _):
        rig = create(tmp_path / "rig.yaml", lan=[address], say=said.append)
    assert "No answer to *IDN?" in rig.text
    assert any("no answer to *IDN?" in one for one in said)


@pytest.mark.parametrize("address", ["192.168.7.20", "nonsense", "meter:0"])
def test_an_address_that_cannot_be_one_is_refused_before_anything_is_asked_or_written(
    tmp_path: Path, address: str
) -> None:
    with peer() as (good, heard), pytest.raises(UsageError, match=r"--lan .*; write "):
        create(tmp_path / "rig.yaml", lan=[good, address])
    assert heard == []
    assert not (tmp_path / "rig.yaml").exists()


@pytest.mark.parametrize("driver", ["modbus", "lines"])
def test_what_speaks_another_language_is_not_asked_in_this_one(tmp_path: Path, driver: str) -> None:
    with peer() as (address, heard):
        rig = create(tmp_path / "rig.yaml", lan=[address], ask=scripted({"driver:": driver}))
    assert heard == []
    assert next(iter(rig.instruments.values())).driver == driver


def test_the_port_of_modbus_is_taken_for_modbus_over_tcp(tmp_path: Path) -> None:
    rig = create(tmp_path / "rig.yaml", lan=["192.168.7.20:502"])
    assert rig.instruments["modbus-net1"].options.framing == "tcp"


@pytest.mark.parametrize(("answer", "sent"), [("n", b""), ("y", b"*IDN?\n")])
def test_a_serial_port_is_spoken_to_only_after_a_yes(tmp_path: Path, answer: str, sent: bytes) -> None:
    master, slave = pty.openpty()
    (tmp_path / "by-id").mkdir()
    (tmp_path / "by-id" / "usb-example-if00").symlink_to(os.ttyname(slave))
    try:
        found = serial_ports([tmp_path / "by-id", tmp_path / "absent"])
        assert [one.device for one in found] == [os.ttyname(slave)]
        rig = create(tmp_path / "rig.yaml", ports=found, ask=scripted({"open it now": answer}))
        assert (os.read(master, 100) if select.select([master], [], [], 0)[0] else b"") == sent
        assert rig.buses["line1"].serial == found[0].path
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.slow
@pytest.mark.parametrize("answer", ["n", "y"])
def test_a_serial_port_is_opened_only_after_a_yes(tmp_path: Path, answer: str) -> None:
    """An audit hook of the interpreter sees every file that is opened."""
    port = tmp_path / "port"
    port.touch()
    code = f"""
import sys
def seen(event, args):
    if event == "open" and args[0] == {str(port)!r}:
        print("OPENED")
sys.addaudithook(seen)
from pathlib import Path
from rig.setup import newfile
from rig.setup.found_ports import Port
def ask(question, default):
    return {answer!r} if "open it" in question else default
newfile.create(Path("rig.yaml"), ask=ask, say=print, ports=[Port(path={str(port)!r}, device="/dev/example")])
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert ("OPENED" in done.stdout) == (answer == "y")


def test_two_names_for_one_port_are_offered_once_and_by_id(tmp_path: Path) -> None:
    for folder in ("by-id", "by-path"):
        (tmp_path / folder).mkdir()
    (tmp_path / "port").touch()
    (tmp_path / "twin").touch()
    (tmp_path / "by-id" / "usb-example-if00").symlink_to(tmp_path / "port")
    (tmp_path / "by-path" / "usb-1").symlink_to(tmp_path / "port")
    (tmp_path / "by-path" / "usb-2").symlink_to(tmp_path / "twin")
    found = serial_ports([tmp_path / "by-id", tmp_path / "by-path"])
    assert [Path(one.path).name for one in found] == ["usb-example-if00", "usb-2"]


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text("mine\n")
    with pytest.raises(UsageError, match="is there already"):
        create(path)
    assert path.read_text() == "mine\n"


def test_channels_get_their_units_and_units_of_measure(tmp_path: Path) -> None:
    answers: dict[str, str | list[str]] = {
        "driver:": "lines",
        "value1 is": ["A1.heat sink", "A1.heatsink degrees", "A1.heatsink degC"],
        "value2 is": ["A1.heatsink degC", "ambient degC"],
        "serial number of A1": "0017",
    }
    said: list[str] = []
    port = Port(path="/dev/serial/by-id/usb-example-if00", device="/dev/ttyUSB7")
    rig = create(tmp_path / "rig.yaml", ports=[port], ask=scripted(answers), say=said.append)
    assert rig.layout.units["A1"].serial == "0017"
    assert rig.layout.channels["A1.heatsink"].unit_of_measure == "degC"
    assert rig.layout.channels["ambient"].unit is None
    assert (
        len([one for one in said if one.startswith("  ")]) == 3
    )  # each wrong answer was told and asked again


def test_wrong_answers_are_asked_again(tmp_path: Path) -> None:
    answers: dict[str, str | list[str]] = {
        "Name of the rig": ["hot room", "hot-room"],
        "bits per second": ["fast", "19200"],
        "driver:": ["telepathy", "modbus"],
        "device:": ["300", "7"],
        "use it": ["maybe", "y"],
    }
    port = Port(path="/dev/serial/by-id/usb-example-if00", device="/dev/ttyUSB7")
    rig = create(tmp_path / "rig.yaml", ports=[port], ask=scripted(answers))
    assert rig.rig == "hot-room"
    assert rig.buses["line1"].baud == 19200
    assert next(iter(rig.instruments.values())).options.device == 7


@pytest.mark.slow
def test_a_person_at_a_terminal_is_asked_and_gets_a_file_that_passes_the_check(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "rig.cli", "new", "room.yaml"]
    with peer() as (address, _):
        process = subprocess.Popen(command, cwd=tmp_path, stdin=slave, stdout=slave, stderr=slave)
        os.close(slave)
        # name, address, driver, instrument, terminator, no more addresses, channel
        os.write(master, f"hot-room\n{address}\n\n\n\n\nmains V\n\n".encode())
        screen = b""
        while process.poll() is None or select.select([master], [], [], 0)[0]:
            try:
                screen += os.read(master, 1000)
            except OSError:
                break
        os.close(master)
        assert process.wait(10) == 0, screen.decode()
    assert IDENTITY in screen.decode()
    check = [sys.executable, "-m", "rig.cli", "check", "room.yaml", "--no-probe"]
    done = subprocess.run(check, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "hot-room: file valid" in done.stdout


def test_without_a_terminal_nobody_is_asked_and_the_error_says_what_to_write(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "rig.cli", "new", "room.yaml"]
    done = subprocess.run(
        command, cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "--yes" in done.stderr
    assert not (tmp_path / "room.yaml").exists()


def test_texts_that_mean_something_to_yaml_are_quoted() -> None:
    assert [scalar(one) for one in ("9600", "a b", "a: b", "", "# no", 'say "x"')] == [
        "9600", "a b", '"a: b"', '""', '"# no"', '"say \\"x\\""',
    ]  # fmt: skip


def test_an_identity_is_proposed_for_maker_and_model_and_any_serial_number() -> None:
    assert suggested("EXAMPLE,METER (B),0017,1.2") == r"EXAMPLE,METER \(B\),.*"
    assert suggested("box+1") == r"box\+1"
