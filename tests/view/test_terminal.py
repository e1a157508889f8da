"""A terminal taken over: only what differs is written, every key is understood, nothing blocks."""

import os
import pty
import select
import signal
import termios
from collections.abc import Iterator

import pytest

from rig.view.terminal import ENTER, LEAVE, Ending, Terminal, TerminalGoneError


class Line:
    """Both ends of a pseudo-terminal."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()

    def written(self) -> bytes:
        data = b""
        while select.select([self.master], [], [], 0.02)[0]:
            data += os.read(self.master, 65536)
        return data


@pytest.fixture
def line() -> Iterator[Line]:
    made = Line()
    yield made
    for descriptor in (made.master, made.slave):
        try:
            os.close(descriptor)
        except OSError:
            pass


def test_entering_and_leaving_are_each_others_mirror(line: Line) -> None:
    before = termios.tcgetattr(line.slave)
    handlers = [signal.getsignal(n) for n in (signal.SIGTERM, signal.SIGHUP, signal.SIGWINCH, signal.SIGTSTP)]
    with Terminal(line.slave, line.slave):
        assert line.written() == ENTER
        assert termios.tcgetattr(line.slave) != before
    assert line.written() == LEAVE
    assert termios.tcgetattr(line.slave) == before
    assert handlers == [
        signal.getsignal(n) for n in (signal.SIGTERM, signal.SIGHUP, signal.SIGWINCH, signal.SIGTSTP)
    ]


def test_an_exception_inside_gives_the_terminal_back(line: Line) -> None:
    before = termios.tcgetattr(line.slave)
    with pytest.raises(ZeroDivisionError), Terminal(line.slave, line.slave):
        raise ZeroDivisionError
    assert line.written().endswith(LEAVE)
    assert termios.tcgetattr(line.slave) == before


def test_only_lines_that_differ_are_written(line: Line) -> None:
    with Terminal(line.slave, line.slave) as terminal:
        line.written()
        assert terminal.draw(["one", "two", "three"], (10, 3))
        assert line.written().count(b"\x1b[2K") == 3
        terminal.draw(["one", "two", "three"], (10, 3))
        assert line.written() == b""
        terminal.draw(["one", "2", "three"], (10, 3))
        assert line.written() == b"\x1b[2;1H\x1b[0m\x1b[2K2"
        terminal.draw(["one", "2", "three"], (12, 3))
        assert line.written().count(b"\x1b[2K") == 3


def test_text_that_no_encoding_has_is_replaced_not_fatal(line: Line) -> None:
    with Terminal(line.slave, line.slave) as terminal:
        line.written()
        terminal.draw(["a\ud800b °"], (10, 1))
        assert line.written().endswith("a?b °".encode())


def test_a_stopped_terminal_costs_a_frame_and_is_drawn_whole_afterwards(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.view.terminal.PATIENCE_S", 0.05)
    with Terminal(line.slave, line.slave) as terminal:
        terminal.draw(["one", "two"], (10, 2))
        line.written()
        termios.tcflow(line.slave, termios.TCOOFF)
        assert terminal.draw(["one", "2"], (10, 2)) is False
        termios.tcflow(line.slave, termios.TCOON)
        assert terminal.draw(["one", "2"], (10, 2)) is True
        assert line.written().count(b"\x1b[2K") == 2


@pytest.mark.parametrize(
    ("typed", "keys"),
    [
        (b"q", ["q"]),
        (b"\x1b[A", ["up"]),
        (b"\x1bOB", ["down"]),
        (b"\x1b[5~\x1b[6~", ["page-up", "page-down"]),
        (b"\x1b[Bu\tq", ["down", "u", "tab", "q"]),
        (b"\x1b[1;5Cx", ["", "x"]),
        (b"\x1b", [""]),
        ("é".encode(), ["", ""]),
    ],
)
def test_keys_are_told_apart_however_they_arrive(line: Line, typed: bytes, keys: list[str]) -> None:
    with Terminal(line.slave, line.slave) as terminal:
        os.write(line.master, typed)
        assert [terminal.key(1.0) for _ in keys] == keys
        assert terminal.key(0.0) is None


def test_a_change_of_size_wakes_the_view(line: Line) -> None:
    with Terminal(line.slave, line.slave) as terminal:
        os.kill(os.getpid(), signal.SIGWINCH)
        assert terminal.key(5.0) == "resize"
        assert terminal.key(0.0) is None


def end_by(number: int, line: Line) -> None:
    with Terminal(line.slave, line.slave):
        os.kill(os.getpid(), number)
        select.select([], [], [], 1.0)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_to_end_leaves_by_an_exception(line: Line, number: int) -> None:
    with pytest.raises(Ending) as caught:
        end_by(number, line)
    assert caught.value.number == number
    assert line.written().endswith(LEAVE)


class Swallower:
    """What is raised while it is finalised is lost, as Python has it."""

    def __del__(self) -> None:
        os.kill(os.getpid(), signal.SIGINT)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_signal_that_comes_while_something_is_finalised_ends_the_view_all_the_same(line: Line) -> None:
    with Terminal(line.slave, line.slave) as terminal:
        gone = Swallower()
        del gone
        with pytest.raises(Ending) as found:
            terminal.key(5.0)
    assert found.value.number == signal.SIGINT


def listen_to_nobody(line: Line) -> None:
    with Terminal(line.slave, line.slave) as terminal:
        os.close(line.master)
        terminal.key(1.0)


def test_a_terminal_that_was_closed_is_gone(line: Line) -> None:
    with pytest.raises(TerminalGoneError):
        listen_to_nobody(line)
