"""The live view from end to end: a child process on a pseudo-terminal, following a real recording."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.cells import cell_len

from rig.domain.model import EventKind
from rig.view.live_view import Viewer, print_once
from rig.view.snapshot import Snapshot
from tests.view.recordings import Recording
from tests.view.rooms import busy_room
from tests.view.terminals import Child


@pytest.fixture
def recording(tmp_path: Path) -> Recording:
    made = Recording(tmp_path)
    for ago_s in range(30, 0, -1):
        made.scans({"A1.heatsink": 80 - ago_s * 0.1}, ago_s=ago_s)
    made.scans()
    return made


@pytest.fixture
def child(recording: Recording) -> Iterator[Child]:
    made = Child(recording.path, (80, 24))
    yield made
    made.close()


def test_start_new_data_resize_pages_and_quit(recording: Recording, child: Child) -> None:
    text = child.wait_for(r"\[o\]overview")
    assert child.screen.modes["1049"]
    assert not child.screen.modes["25"]
    assert text.startswith("RUNNING  hot-room  soak")
    assert len(text.split("\n")) == 24
    recording.scans({"A2.heatsink": 99.0})
    recording.event(EventKind.LIMIT_OUT, "A2.heatsink", "A2.heatsink above its limit", side="high")
    child.wait_for(r"(?m)^A2 .*heatsink .*OUT")
    assert "1 OUT" in child.screen.lines[2]
    child.resize((160, 48))
    text = child.wait_for(r"\A(.{160}\n){47}.{160}\Z")
    assert {cell_len(line) for line in text.split("\n")} == {160}
    child.resize((80, 24))
    child.press("i")
    child.wait_for(r"\[i\]instruments")
    child.press("\x1b[B")
    child.press("u")
    child.wait_for(r"\[u\]unit")
    assert "\nA2  serial 00" in child.screen.text()  # the one in trouble first
    child.press("q")
    assert child.ended() == 0
    assert child.is_restored()


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 0), (signal.SIGHUP, 129)]
)
def test_every_signal_gives_the_terminal_back(child: Child, number: int, code: int) -> None:
    child.wait_for(r"\[o\]overview")
    child.process.send_signal(number)
    assert child.ended() == code
    assert child.is_restored()


def test_suspend_gives_the_terminal_back_and_continue_takes_it_again(child: Child) -> None:
    child.wait_for(r"\[o\]overview")
    child.process.send_signal(signal.SIGTSTP)
    # an orphaned process group cannot be stopped by SIGTSTP (POSIX); the view must draw on all the same
    child.screen.lines.clear()
    child.wait_for(r"\[o\]overview")
    child.process.send_signal(signal.SIGCONT)
    child.press("q")
    assert child.ended() == 0
    assert child.is_restored()


def test_a_terminal_that_dies_ends_the_view(child: Child) -> None:
    child.wait_for(r"\[o\]overview")
    os.close(child.master)
    os.close(child.slave)
    assert child.process.wait(10) in {129, -signal.SIGHUP}
    assert child.process.stderr is not None
    assert b"Traceback" not in child.process.stderr.read()


def test_a_terminal_that_takes_nothing_does_not_hold_the_view(child: Child) -> None:
    """Somebody pressed the stop key: the view must still obey a signal, and draw again afterwards."""
    child.wait_for(r"\[o\]overview")
    child.press("\x13")  # Ctrl-S
    child.press("c")
    child.press("\x11")  # Ctrl-Q
    child.wait_for(r"\[c\]channels")
    child.press("\x13")
    child.process.send_signal(signal.SIGTERM)
    deadline = threading.Event()
    for _ in range(100):
        if child.process.poll() is not None:
            break
        deadline.wait(0.1)
    assert child.process.returncode == 143


def test_an_ascii_locale_still_gets_its_picture(recording: Recording) -> None:
    made = Child(
        recording.path,
        (80, 24),
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "NO_COLOR": "1"},
    )
    try:
        text = made.wait_for(r"\[o\]overview")
        assert "█" in text
        made.press("q")
        assert made.ended() == 0
    finally:
        made.close()


@pytest.mark.parametrize(
    "extra", [{}, {"TERM": "dumb"}, {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}]
)
def test_into_a_pipe_goes_one_plain_picture_of_everything(
    recording: Recording, extra: dict[str, str]
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rig.view.live_view", str(recording.path)],
        capture_output=True, stdin=subprocess.DEVNULL, env={**os.environ, **extra}, timeout=60, check=True,
    )  # fmt: skip
    text = done.stdout.decode("utf-8")
    assert "\x1b" not in text
    for name in recording.plan.channels:
        assert f"\n{name} " in text
    assert done.stderr == b""


class Faulty:
    """A source that fails now and then."""

    def __init__(self, answers: list[Snapshot | Exception]) -> None:
        self.answers = answers

    def move(self, key: str) -> bool:
        return False

    def look(self) -> Snapshot:
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer


class Paper:
    """Stands in for a terminal where only the lines matter."""

    size = (100, 30)

    def __init__(self) -> None:
        self.lines: list[str] = []

    def draw(self, lines: list[str], size: tuple[int, int]) -> bool:
        self.lines = lines
        return True


def test_a_fault_is_told_in_the_header_and_the_next_picture_is_taken() -> None:
    snapshot = busy_room().picture(300.9)
    paper = Paper()
    source = Faulty([OSError("made to fail"), snapshot, ValueError("again [/]"), snapshot])
    viewer = Viewer(source, paper, None)  # type: ignore[arg-type]
    seen = []
    for _ in range(4):
        viewer.refresh()
        viewer.draw()
        seen.append("\n".join(paper.lines))
    assert "no update: OSError: made to fail" in seen[0]
    assert "this view has a fault" not in seen[1]
    assert "fault of this view: no update: ValueError: again [/]" in seen[2]
    assert "A3" in seen[2]
    assert "this view has a fault" not in seen[3]


def test_a_page_that_cannot_be_drawn_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    from rig.view import live_view

    def broken(*_: object) -> None:
        raise KeyError("made to fail")

    monkeypatch.setattr(live_view, "frame", broken)
    paper = Paper()
    viewer = Viewer(Faulty([busy_room().picture(300.9)]), paper, None)  # type: ignore[arg-type]
    viewer.refresh()
    viewer.draw()
    assert "this page cannot be drawn: KeyError: 'made to fail'" in "\n".join(paper.lines)


def test_printing_once_writes_all_of_it_to_a_slow_reader() -> None:
    reading, writing = os.pipe()
    got: list[bytes] = []

    def read() -> None:
        while data := os.read(reading, 100):
            got.append(data)

    thread = threading.Thread(target=read)
    thread.start()
    assert print_once(Faulty([busy_room().picture(300.9)]), writing, None) == 0
    os.close(writing)
    thread.join()
    os.close(reading)
    assert b"".join(got).count(b"\n") > 70
