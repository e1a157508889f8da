"""Target 1: polls a second of each transport beside the bare library on the same peer."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pyvisa
import serial

from drivers import Driver
from drivers.bus.exchange import Link
from drivers.bus.serial_port import SerialTransport
from drivers.bus.sums import crc16_modbus
from drivers.bus.tcp import TcpTransport
from drivers.bus.transport import Transport
from drivers.bus.visa import VisaTransport
from tests.bench.figures import Figure, at_least, plain, rates
from tests.bench.peers import CHARACTER_BITS, Peer, serving
from tests.drivers.examples import made
from tests.drivers.vxi11_peer import Instrument, vxi11_peer

REPLY = b"+2.3014E+02,+5.0020E+01\n"
ASK = b"READ?\n"
BUSES = 16
PAUSE_S = 0.005
TIMEOUT_S = 2.0
SILENCE = 3.5
"""Characters of silence between frames (MODBUS over Serial Line V1.02, 2.5.1.1)."""
Loop = Callable[[float], float]


def lines_driver() -> Driver:
    """Return the driver of a meter that answers a line with a line."""
    return made("lines", {"terminator": "LF", "reads": [{"ask": "READ?", "fields": ["a", "b"]}]})


def looped(once: Callable[[], object]) -> Loop:
    """Return a loop that says how often a second something could be done."""

    def loop(seconds: float) -> float:
        done, begun = 0, time.monotonic()
        while (now := time.monotonic()) < begun + seconds:
            once()
            done += 1
        return done / (now - begun)

    return loop


@contextlib.contextmanager
def ours(transport: Transport, driver: Driver) -> Iterator[Loop]:
    """Yield our polls over a transport."""
    link = Link(transport)
    (exchange,) = driver.polls
    link.open()
    link.exchange(exchange, TIMEOUT_S, driver.quiet_s)
    try:
        yield looped(lambda: link.exchange(exchange, TIMEOUT_S, driver.quiet_s))
    finally:
        link.close()


@contextlib.contextmanager
def bare_socket(address: str) -> Iterator[Loop]:
    """Yield the polls of a plain socket."""
    host, port = address.split(":")
    with socket.create_connection((host, int(port))) as link:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def once() -> None:
            link.sendall(ASK)
            heard = b""
            while not heard.endswith(b"\n"):
                heard += link.recv(4096)

        yield looped(once)


@contextlib.contextmanager
def bare_serial(address: str) -> Iterator[Loop]:
    """Yield the polls of pyserial, reading what has arrived."""
    with serial.Serial(address, timeout=TIMEOUT_S) as line:

        def once() -> None:
            line.write(ASK)
            heard = b""
            while not heard.endswith(b"\n"):
                heard += line.read(max(line.in_waiting, 1))

        yield looped(once)


@contextlib.contextmanager
def bare_visa(address: str) -> Iterator[Loop]:
    """Yield the polls of pyvisa with pyvisa-py."""
    manager = pyvisa.ResourceManager("@py")
    session = manager.open_resource(address)
    session.read_termination = session.write_termination = "\n"  # type: ignore[attr-defined]
    session.timeout = 2000
    try:
        yield looped(lambda: session.query("READ?"))  # type: ignore[attr-defined]
    finally:
        session.close()


def _tcp(address: str) -> Transport:
    host, port = address.split(":")
    return TcpTransport(host=host, port=int(port))


Bare = Callable[[str], contextlib.AbstractContextManager[Loop]]
KINDS: dict[str, tuple[str, Callable[[str], Transport], Bare]] = {
    "serial": ("pty", lambda address: SerialTransport(port=address), bare_serial),
    "TCP": ("tcp", _tcp, bare_socket),
    "VISA (VXI-11)": ("vxi-11", lambda address: VisaTransport(resource=address), bare_visa),
}


def buses(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the figures of target 1."""
    turns, seconds = (2, 0.5) if short else (5, 1.5)
    found: list[Figure] = []
    for name in KINDS:
        for pause_s, words in ((PAUSE_S, f"answers after {PAUSE_S * 1000:g} ms"), (0.0, "answers at once")):
            found += _one(name, pause_s, words, scratch, turns, seconds)
    for name in ("serial", "TCP"):
        found += _many(name, scratch, turns, seconds)
    return found + paced(scratch, turns, 3 * seconds)


@contextlib.contextmanager
def _two(kind: str, pause_s: float, scratch: Path) -> Iterator[list[str]]:
    """Yield the addresses of two instruments of a kind."""
    if kind == "vxi-11":  # served by threads of this process
        with (
            vxi11_peer(Instrument(lambda _: (REPLY, pause_s))) as first,
            vxi11_peer(Instrument(lambda _: (REPLY, pause_s))) as second,
        ):
            yield [first, second]
    else:
        with serving([Peer(kind=kind, reply=REPLY.hex(), pause_s=pause_s)] * 2, scratch) as found:
            yield found


def _one(name: str, pause_s: float, words: str, scratch: Path, turns: int, seconds: float) -> list[Figure]:
    kind, transport, bare = KINDS[name]
    with (
        _two(kind, pause_s, scratch) as (first, second),
        ours(transport(first), lines_driver()) as our_loop,
        bare(second) as bare_loop,
    ):
        found = rates({"ours": our_loop, "bare": bare_loop}, turns, seconds)
    text = f"{name}, one instrument that {words}: polls a second"
    ratio = found["ours"] / found["bare"]
    over = f"  over the bare library ({found['bare']:.4g} a second)"
    return [plain(text, found["ours"]), at_least(over, ratio, 0.95) if pause_s else plain(over, ratio)]


def _many(name: str, scratch: Path, turns: int, seconds: float) -> list[Figure]:
    """Return what 16 buses do at once, over 16 times what one does alone."""
    kind, transport, _ = KINDS[name]
    with contextlib.ExitStack() as stack:
        peers = [Peer(kind=kind, reply=REPLY.hex(), pause_s=PAUSE_S)] * BUSES
        addresses = stack.enter_context(serving(peers, scratch))

        def together(count: int) -> Loop:
            def loop(seconds: float) -> float:
                done = [0.0] * count

                def poll(k: int) -> None:
                    with ours(transport(addresses[k]), lines_driver()) as own:
                        ready.wait()
                        done[k] = own(seconds)

                ready = threading.Barrier(count)
                threads = [threading.Thread(target=poll, args=(k,)) for k in range(count)]
                for thread in threads:
                    thread.start()
                for thread in threads:
                    thread.join()
                return sum(done)

            return loop

        found = rates({"one": together(1), "all": together(BUSES)}, turns, seconds)
    return [
        plain(f"{name}, {BUSES} instruments at once ({PAUSE_S * 1000:g} ms): polls a second", found["all"]),
        at_least(f"  over {BUSES} times one alone", found["all"] / (BUSES * found["one"]), 0.85),
    ]


def paced(scratch: Path, turns: int, seconds: float) -> list[Figure]:
    """Return what is polled over a line of 9600 baud, over what line time and turn-round allow."""
    baud, turn_s = 9600, 0.010
    character_s = CHARACTER_BITS / baud
    driver = made("modbus", {
        "device": 3, "framing": "rtu",
        "fields": {
            "volts": {"register": 0, "type": "float32", "order": "ABCD"},
            "hertz": {"register": 2, "type": "float32", "order": "ABCD"},
        },
    })  # fmt: skip
    (exchange,) = driver.polls
    body = bytes([3, 3, 8]) + bytes.fromhex("436628f6424814 7b".replace(" ", ""))
    frame = body + crc16_modbus(body).to_bytes(2, "little")
    request = len(exchange.request())
    cases = {
        "text lines": (lines_driver(), Peer(kind="pty", reply=REPLY.hex(), pause_s=turn_s, baud=baud), 0.0),
        "Modbus RTU": (
            driver,
            Peer(kind="pty", reply=frame.hex(), mark="", request_bytes=request, pause_s=turn_s, baud=baud),
            SILENCE,
        ),
    }
    found = []
    for name, (one, peer, silence) in cases.items():
        asked = len(one.polls[0].request()) + len(bytes.fromhex(peer.reply))
        allowed = 1 / ((asked + silence) * character_s + turn_s)
        with (
            serving([peer], scratch) as (address,),
            ours(SerialTransport(port=address, baud=baud), one) as loop,
        ):
            rate = rates({name: loop}, turns, seconds)[name]
        found += [
            plain(f"{name} at {baud} baud, {turn_s * 1000:g} ms turn-round: polls a second", rate),
            at_least(f"  over what the line allows ({allowed:.4g} a second)", rate / allowed, 0.95),
        ]
    return found
