"""Terminal in full-screen mode: alternate screen, single keys, changed lines only.

Everything is undone on every way out. A terminal that takes no more (stopped by the user, a dead line)
never blocks for longer than a moment; one that has gone raises TerminalGoneError.
"""

from __future__ import annotations

import os
import re
import select
import signal
import termios
import tty
from collections.abc import Sequence
from types import FrameType, TracebackType
from typing import Any, Self

FALLBACK_SIZE = (80, 24)
PATIENCE_S = 0.5
"""How long a terminal may refuse to take bytes before a frame is given up."""
CHUNK = 256
"""A terminal that is writable at all takes this much without blocking."""

ENTER = b"\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J"
LEAVE = b"\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"
CLEAR = b"\x1b[0m\x1b[2J"

KEYS = {
    b"\x1b[A": "up", b"\x1bOA": "up", b"\x1b[B": "down", b"\x1bOB": "down",
    b"\x1b[5~": "page-up", b"\x1b[6~": "page-down", b"\x1b[H": "home", b"\x1bOH": "home", b"\x1b[1~": "home",
    b"\x1b[C": "right", b"\x1bOC": "right", b"\x1b[D": "left", b"\x1bOD": "left",
    b"\t": "tab", b" ": "page-down",
}  # fmt: skip
"""What terminals send (ECMA-48 cursor keys, normal and application mode; VT220 editing keys)."""

KEY = re.compile(rb"\x1b\[[0-?]*[ -/]*[@-~]|\x1bO.|\x1b|.", re.DOTALL)
"""One key: a control sequence (ECMA-48, 5.4), a shifted key, the escape key alone, or a byte."""


class TerminalGoneError(Exception):
    """The terminal was closed, or its line died."""


class Ending(BaseException):
    """A signal asked the view to end; ``number`` says which."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(number)


class Terminal:
    """A terminal by its descriptors. As a context manager it is taken over, and given back at the end."""

    def __init__(self, in_fd: int = 0, out_fd: int = 1) -> None:
        self._in, self._out = in_fd, out_fd
        self._shown: list[bytes] = []
        self._size = (0, 0)
        self._saved: list[Any] | None = None
        self._handlers: dict[int, Any] = {}
        self._wake_in, self._wake_out = -1, -1
        self._suspended = False
        self._asked_to_end: int | None = None
        self._typed = b""

    def __enter__(self) -> Self:
        self._wake_in, self._wake_out = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._saved = termios.tcgetattr(self._in)
        try:
            for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
                self._handlers[number] = signal.signal(number, self._end)
            for number in (signal.SIGWINCH, signal.SIGTSTP):
                self._handlers[number] = signal.signal(number, self._note)
            self._take()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._give_back()
        finally:
            for number, handler in self._handlers.items():
                signal.signal(number, handler)
            self._handlers.clear()
            for descriptor in (self._wake_in, self._wake_out):
                if descriptor >= 0:
                    os.close(descriptor)
            self._wake_in = self._wake_out = -1

    def _take(self) -> None:
        tty.setcbreak(self._in, termios.TCSANOW)
        self._shown = []
        self._write(ENTER)

    def _give_back(self) -> None:
        try:
            self._write(LEAVE)
        except TerminalGoneError:
            pass  # nobody is left to see it
        if self._saved is not None:
            try:
                termios.tcsetattr(self._in, termios.TCSANOW, self._saved)
            except termios.error:
                pass  # the same

    def _end(self, number: int, _frame: FrameType | None) -> None:
        self._asked_to_end = number  # what is raised in a finaliser is lost: ``key`` looks here as well
        raise Ending(number)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self._suspended = self._suspended or number == signal.SIGTSTP
        try:
            os.write(self._wake_out, b"\0")
        except OSError:
            pass  # full: it will wake up anyway

    def _suspend(self) -> None:
        """Do what the user asked for with the suspend key; come back when he comes back."""
        self._suspended = False
        self._give_back()
        ours = signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)
        signal.signal(signal.SIGTSTP, ours)
        self._take()

    @property
    def size(self) -> tuple[int, int]:
        """Columns and lines, asked anew each time."""
        try:
            columns, lines = os.get_terminal_size(self._out)
        except OSError:
            return FALLBACK_SIZE
        return (columns or FALLBACK_SIZE[0], lines or FALLBACK_SIZE[1])

    def draw(self, lines: Sequence[str], size: tuple[int, int]) -> bool:
        """Show these lines, made for this size; write only what differs from the last frame.

        Returns False if the terminal takes nothing at present (the next frame is then written whole).
        """
        encoded = [text.encode("utf-8", "replace") for text in lines[: size[1]]]
        pieces: list[bytes] = []
        if size != self._size or len(encoded) != len(self._shown):
            pieces.append(CLEAR)
            self._shown = [b""] * len(encoded)
        for at, text in enumerate(encoded):
            if text != self._shown[at]:
                pieces.append(b"\x1b[%d;1H\x1b[0m\x1b[2K%s" % (at + 1, text))
        if pieces and not self._write(b"".join(pieces)):
            self._shown, self._size = [], (0, 0)
            return False
        self._shown, self._size = encoded, size
        return True

    def _write(self, data: bytes) -> bool:
        try:
            while data:
                _, ready, _ = select.select([], [self._out], [], PATIENCE_S)
                if not ready:
                    return False
                data = data[os.write(self._out, data[:CHUNK]) :]
        except (OSError, ValueError) as error:
            raise TerminalGoneError(f"the terminal takes no more: {error}") from error
        return True

    def key(self, timeout_s: float) -> str | None:
        """Return the name of a key pressed within the time, ``resize`` after a change of size, or None.

        Letters stand for themselves; keys without a meaning come as an empty string.
        """
        if self._asked_to_end is not None:
            raise Ending(self._asked_to_end)
        if not self._typed:
            ready, _, _ = select.select([self._in, self._wake_in], [], [], max(0.0, timeout_s))
            if self._wake_in in ready:
                os.read(self._wake_in, 4096)
                if self._suspended:
                    self._suspend()
                return "resize"
            if self._in not in ready:
                return None
            try:
                self._typed = os.read(self._in, 256)
            except OSError as error:
                raise TerminalGoneError(f"the terminal gives no more: {error}") from error
            if not self._typed:
                raise TerminalGoneError("the terminal was closed")
        found = KEY.match(self._typed)
        assert found is not None
        self._typed = self._typed[found.end() :]
        pressed = found[0]
        if pressed in KEYS:
            return KEYS[pressed]
        return pressed.decode("ascii") if len(pressed) == 1 and 0x20 < pressed[0] < 0x7F else ""
