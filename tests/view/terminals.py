"""A child process on a pseudo-terminal, and just enough of a terminal to see what it shows."""

from __future__ import annotations

import codecs
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

TOKEN = re.compile(r"\x1b\[(?P<args>[?0-9;]*)(?P<final>[A-Za-z])|(?P<text>[^\x1b]+)|(?P<other>\x1b)")


class Screen:
    """The escape sequences the view uses, as ECMA-48 and DEC private modes define them."""

    def __init__(self) -> None:
        self.lines: dict[int, str] = {}
        self.modes: dict[str, bool] = {}
        self._row = 1
        self._decode = codecs.getincrementaldecoder("utf-8")()
        self._rest = ""

    def feed(self, data: bytes) -> None:
        text = self._rest + self._decode.decode(data)
        cut = text.rfind("\x1b")
        # keep an unfinished sequence for the next piece
        if cut >= 0 and not re.match(r"\x1b\[[?0-9;]*[A-Za-z]", text[cut:]):
            text, self._rest = text[:cut], text[cut:]
        else:
            self._rest = ""
        for token in TOKEN.finditer(text):
            args, final = token["args"], token["final"]
            if token["text"] is not None:
                self.lines[self._row] = self.lines.get(self._row, "") + token["text"]
            elif final == "H":
                self._row = int((args or "1").split(";")[0])
            elif final == "K":
                self.lines[self._row] = ""
            elif final == "J":
                self.lines.clear()
            elif final in "hl" and args.startswith("?"):
                self.modes[args[1:]] = final == "h"
            else:
                assert final == "m", f"unexpected sequence {token[0]!r}"

    def text(self) -> str:
        last = max(self.lines, default=0)
        return "\n".join(self.lines.get(row, "") for row in range(1, last + 1))


class Child:
    """A soakrig view running on a pty of a given size (columns, lines)."""

    def __init__(
        self,
        path: Path,
        size: tuple[int, int],
        env: Mapping[str, str] | None = None,
        more: Sequence[str] = (),
    ) -> None:
        self.master, slave = pty.openpty()
        self.resize(size, tell=False)
        self.before = termios.tcgetattr(slave)
        self.screen = Screen()
        self.received = 0
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", "watch", str(path), *more],
            stdin=slave, stdout=slave, stderr=subprocess.PIPE, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 - one thread here
            env={**os.environ, "TERM": "xterm-256color", "TZ": "UTC", **(env or {})},
        )  # fmt: skip
        self.slave = slave

    def resize(self, size: tuple[int, int], *, tell: bool = True) -> None:
        """Change the size; the kernel sends SIGWINCH to the foreground process."""
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        if tell:
            self.process.send_signal(signal.SIGWINCH)

    def press(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def read(self, seconds: float) -> None:
        """Take what comes within a time."""
        if select.select([self.master], [], [], seconds)[0]:
            try:
                data = os.read(self.master, 65536)
            except OSError:
                return
            self.received += len(data)
            self.screen.feed(data)

    def wait_for(self, pattern: str, seconds: float = 20.0) -> str:
        """Return the screen's text once it holds the pattern."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            self.read(0.1)
            if re.search(pattern, self.screen.text()):
                return self.screen.text()
            assert self.process.poll() is None, self.process.communicate()[1]
        raise AssertionError(f"{pattern!r} never came; the screen:\n{self.screen.text()}")

    def ended(self, seconds: float = 10.0) -> int:
        """Return the exit code; keeps reading so that the child is not held up by a full terminal."""
        deadline = time.monotonic() + seconds
        while self.process.poll() is None and time.monotonic() < deadline:
            self.read(0.05)
        self.read(0.1)
        assert self.process.poll() is not None, "it did not end"
        return self.process.returncode

    def is_restored(self) -> bool:
        """Return whether the terminal is as before: settings, cursor shown, wrap on, main screen."""
        modes = self.screen.modes
        back = (modes["25"], modes["7"], modes["1049"]) == (True, True, False)
        return back and termios.tcgetattr(self.slave) == self.before

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()
        for descriptor in (self.master, self.slave):
            try:
                os.close(descriptor)
            except OSError:
                pass
