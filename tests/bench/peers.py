"""Instruments in a process of their own: as fast as can be, after a pause, or at the pace of a serial line.

``python -m tests.bench.peers SPEC`` (JSON) prints the addresses of its ports as JSON, then serves until its
input ends. A peer answers each request that ends with its mark by its reply.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.bench.figures import environment, python

CHARACTER_BITS = 10
"""Of a character of eight bits without parity on a serial line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peer:
    """What one port is: ``tcp`` or ``pty``. reply and mark in hex; pause_s: from request to reply.

    mark: what a request ends with; '' and request_bytes: how long it is. baud: of the line, 0 for none.
    """

    kind: str
    reply: str
    mark: str = "0a"
    request_bytes: int = 0
    pause_s: float = 0.0
    baud: int = 0


@contextlib.contextmanager
def serving(peers: list[Peer], scratch: Path) -> Iterator[list[str]]:
    """Yield the addresses of peers that run in a process of their own."""
    child = subprocess.Popen(
        python("-m", "tests.bench.peers", json.dumps([asdict(one) for one in peers])),
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment(scratch),
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdin is not None
    try:
        yield json.loads(child.stdout.readline())
    finally:
        child.stdin.close()
        child.stdout.close()
        child.wait(20)


class Port:
    """One port being served."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer
        self._reply = bytes.fromhex(peer.reply)
        self._mark = bytes.fromhex(peer.mark)
        self._heard = b""
        self._character_s = CHARACTER_BITS / peer.baud if peer.baud else 0.0

    def hear(self, data: bytes) -> list[int]:
        """Take bytes; return the lengths of the requests that are whole now."""
        self._heard += data
        lengths: list[int] = []
        while True:
            end = self._heard.find(self._mark) + len(self._mark) if self._mark else self._peer.request_bytes
            if end < max(len(self._mark), 1) or end > len(self._heard):
                return lengths
            lengths.append(end)
            self._heard = self._heard[end:]

    def answer(self, descriptor: int, length: int) -> None:
        """Send the reply, at the pace that line and instrument have."""
        peer = self._peer
        if not self._character_s and not peer.pause_s:
            os.write(descriptor, self._reply)
            return
        due = time.monotonic() + length * self._character_s + peer.pause_s
        _until(due)
        if not self._character_s:
            os.write(descriptor, self._reply)
            return
        for at, byte in enumerate(self._reply, 1):
            _until(due + at * self._character_s)
            os.write(descriptor, bytes([byte]))


def _until(moment: float) -> None:
    left = moment - time.monotonic()
    if left > 0:
        time.sleep(left)


def _serve_pty(port: Port, master: int) -> None:
    while True:
        with contextlib.suppress(OSError):
            for length in port.hear(os.read(master, 4096)):
                port.answer(master, length)


def _serve_tcp(peer: Peer, listening: socket.socket) -> None:
    while True:
        link, _ = listening.accept()
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=_serve_link, args=(Port(peer), link), daemon=True).start()


def _serve_link(port: Port, link: socket.socket) -> None:
    with link, contextlib.suppress(OSError):
        while data := link.recv(4096):
            for length in port.hear(data):
                port.answer(link.fileno(), length)


def main() -> None:
    """Serve until the input ends."""
    addresses, held = [], []
    for peer in (Peer(**one) for one in json.loads(sys.argv[1])):
        if peer.kind == "pty":
            master, slave = os.openpty()
            tty.setraw(slave)
            addresses.append(os.ttyname(slave))
            held.append(slave)  # an open slave keeps the master from reading end of file
            threading.Thread(target=_serve_pty, args=(Port(peer), master), daemon=True).start()
        else:
            listening = socket.create_server(("127.0.0.1", 0), backlog=128)
            held.append(listening.fileno())
            addresses.append(f"127.0.0.1:{listening.getsockname()[1]}")
            threading.Thread(target=_serve_tcp, args=(peer, listening), daemon=True).start()
    print(json.dumps(addresses), flush=True)
    select.select([sys.stdin], [], [])


if __name__ == "__main__":
    main()
