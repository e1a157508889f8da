"""A small instrument that speaks VXI-11 (TCP/IP Instrument Protocol, 1995; ONC RPC of RFC 5531).

Written from the published specification: core channel only, without a port mapper. It keeps a reply that
nobody has fetched in its output queue, as IEEE 488.2 instruments may, until the queue is cleared.
"""

from __future__ import annotations

import contextlib
import struct
import threading
import time
from collections.abc import Callable, Iterator

from tests.drivers.peers import Conn, tcp_peer

CREATE_LINK, WRITE, READ, CLEAR, DESTROY_LINK = 10, 11, 12, 15, 23
IO_TIMEOUT = 15
END = 4


class Instrument:
    """answer: message -> (reply or b'', seconds until it is ready). ``dead``: answers no call any more."""

    def __init__(self, answer: Callable[[bytes], tuple[bytes, float]]) -> None:
        self.answer = answer
        self.dead = threading.Event()
        self.calls: list[int] = []
        self.queue: list[tuple[float, bytes]] = []

    def serve(self, conn: Conn) -> None:
        rest = b""
        while data := conn.ask():
            rest += data
            while len(rest) >= 4 and len(rest) >= 4 + (
                length := int.from_bytes(rest[:4], "big") & 0x7FFFFFFF
            ):
                call, rest = rest[4 : 4 + length], rest[4 + length :]
                if self.dead.is_set():
                    conn.stopping.wait(20.0)
                    return
                conn.send(self.reply(conn, call))

    def reply(self, conn: Conn, call: bytes) -> bytes:
        xid, procedure = call[:4], int.from_bytes(call[20:24], "big")
        self.calls.append(procedure)
        result = self.result(conn, procedure, call[40:])
        body = xid + struct.pack(">5I", 1, 0, 0, 0, 0) + result
        return (0x80000000 | len(body)).to_bytes(4, "big") + body

    def result(self, conn: Conn, procedure: int, arguments: bytes) -> bytes:
        if procedure == CREATE_LINK:
            return struct.pack(">iiII", 0, 1, 0, 1 << 20)
        if procedure == WRITE:
            length = int.from_bytes(arguments[16:20], "big")
            said, delay_s = self.answer(arguments[20 : 20 + length])
            if said:
                self.queue.append((time.monotonic() + delay_s, said))
            return struct.pack(">iI", 0, length)
        if procedure == READ:
            return self.read(conn, int.from_bytes(arguments[8:12], "big") / 1000)
        if procedure == CLEAR:
            self.queue.clear()
        return struct.pack(">i", 0)

    def read(self, conn: Conn, timeout_s: float) -> bytes:
        deadline = time.monotonic() + timeout_s
        while not self.queue or self.queue[0][0] > time.monotonic():
            if time.monotonic() > deadline or conn.stopping.is_set():
                return struct.pack(">iiI", IO_TIMEOUT, 0, 0)
            conn.pause(0.002)
        _, said = self.queue.pop(0)
        return struct.pack(">iiI", 0, END, len(said)) + said + b"\0" * (-len(said) % 4)


@contextlib.contextmanager
def vxi11_peer(instrument: Instrument) -> Iterator[str]:
    """Yield the VISA resource name of an instrument behind a free port."""
    with tcp_peer(instrument.serve) as port:
        yield f"TCPIP::127.0.0.1,{port}::inst0::INSTR"
