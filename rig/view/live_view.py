"""Loop of the live view: read, draw, wait for a key; once a second.

A process of its own that only reads. A fault of one picture is shown in the header of the next.
"""

from __future__ import annotations

import io
import os
import signal
import sys
from collections.abc import Sequence
from datetime import tzinfo
from pathlib import Path
from typing import Protocol

from rich.console import Console
from rich.text import Text

from rig.clock import SYSTEM
from rig.view.cell_lines import Cell, line
from rig.view.feed import Feed
from rig.view.header import Canvas
from rig.view.screen import ViewPosition, everything, frame
from rig.view.snapshot import Snapshot
from rig.view.snapshot_maker import picture
from rig.view.terminal import FALLBACK_SIZE, Ending, Terminal, TerminalGoneError

PERIOD_S = 1.0


class SnapshotSource(Protocol):
    """Source of snapshots."""

    def look(self) -> Snapshot:
        """Return the room now."""
        ...

    def move(self, key: str) -> bool:
        """Go elsewhere in time, where the key means that and the source can; return whether it did."""
        ...


class LiveSource:
    """Pictures of one run directory. Raises StoreError or FormatError if it cannot be shown at all."""

    def __init__(self, path: Path) -> None:
        self._feed = Feed(path)

    def look(self) -> Snapshot:
        """Return the room now. Raises whatever reading the files raises."""
        self._feed.update()
        return picture(self._feed.live, self._feed.surroundings())

    def move(self, key: str) -> bool:
        """Ignore keys that move in time."""
        return False


def main_loop(
    run_path: Path,
    *,
    once: bool = False,
    at: str | None = None,
    in_fd: int = 0,
    out_fd: int = 1,
    zone: tzinfo | None = None,
) -> int:
    """Show a run until a key or signal ends it; return the exit code.

    ``once``, or anything but a capable terminal: one picture of everything as plain UTF-8 text.
    at: a moment of the past instead (``past.moment_ns``). Raises StoreError, FormatError or UsageError
    before the screen is touched if there is nothing to show.
    """
    source = LiveSource(run_path) if at is None else _past(run_path, at, zone)
    capable = os.isatty(in_fd) and os.isatty(out_fd) and os.environ.get("TERM", "dumb") not in {"", "dumb"}
    if once or not capable:
        return print_once(source, out_fd, zone)
    return watch(source, in_fd, out_fd, zone)


def _past(run_path: Path, at: str, zone: tzinfo | None) -> SnapshotSource:
    from rig.view.past import PastSnapshots

    return PastSnapshots(run_path, at, zone)


def print_once(source: SnapshotSource, out_fd: int, zone: tzinfo | None) -> int:
    """Write one picture of everything as plain text; return the exit code."""
    width = FALLBACK_SIZE[0] + 20
    if os.isatty(out_fd):
        width = os.get_terminal_size(out_fd).columns or width
    lines = everything(source.look(), width, zone)
    data = "".join(f"{text.plain.rstrip()}\n" for text in lines).encode("utf-8", "replace")
    while data:
        data = data[os.write(out_fd, data) :]
    return 0


def watch(source: SnapshotSource, in_fd: int, out_fd: int, zone: tzinfo | None) -> int:
    """Draw until the user quits; return the exit code (128 + signal where one ended it)."""
    try:
        with Terminal(in_fd, out_fd) as terminal:
            return Viewer(source, terminal, zone).loop()
    except KeyboardInterrupt:
        return 0  # the usual way to leave, as good as the key
    except TerminalGoneError:
        return 128 + signal.SIGHUP
    except Ending as ending:
        return 0 if ending.number == signal.SIGINT else 128 + ending.number


class Viewer:
    """State of the loop: last good snapshot, position, faults."""

    def __init__(self, source: SnapshotSource, terminal: Terminal, zone: tzinfo | None) -> None:
        self._source = source
        self._terminal = terminal
        self._zone = zone
        self._look = ViewPosition()
        self._snapshot: Snapshot | None = None
        self._problems: list[str] = []

    def loop(self) -> int:
        """Draw once a second and after each key until the quit key."""
        while True:
            next_ns = SYSTEM.monotonic_ns() + round(PERIOD_S * 1e9)
            self.refresh()
            self.draw()
            while (left_s := (next_ns - SYSTEM.monotonic_ns()) / 1e9) > 0:
                key = self._terminal.key(left_s)
                if key in {"q", "Q"}:
                    return 0
                if key is not None:
                    if self._source.move(key):
                        self.refresh()
                    if self._snapshot is not None:
                        self._look = self._look.pressed(key, self._snapshot, self._terminal.size[1])
                    self.draw()

    def refresh(self) -> None:
        """Take a new picture; on a fault keep the old one and note the fault for the header."""
        self._problems = []
        try:
            self._snapshot = self._source.look()
        except Exception as error:
            self._problems = [f"no update: {type(error).__name__}: {error}"]

    def draw(self) -> None:
        """Put the picture on the terminal in its present size."""
        size = self._terminal.size
        self._terminal.draw(coloured(self._lines(size), size), size)

    def _lines(self, size: tuple[int, int]) -> list[Text]:
        canvas = Canvas(width=size[0], height=size[1], zone=self._zone)
        problems = list(self._problems)
        try:
            if self._snapshot is not None:
                return frame(self._snapshot, self._look, canvas, problems)
        except Exception as error:
            problems.append(f"this page cannot be drawn: {type(error).__name__}: {error}")
        words = ["soakrig watch: no picture (the recording is not affected)", *problems, "q quit"]
        return [line([Cell(text, "bold red")], size[0]) for text in words][: size[1]]


def coloured(lines: Sequence[Text], size: tuple[int, int]) -> list[str]:
    """Return the lines with the escape sequences for their styles, as far as the environment wants any."""
    console = Console(
        file=io.StringIO(),
        force_terminal=True,
        width=size[0],
        height=max(1, size[1]),
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    with console.capture() as capture:
        console.print(Text("\n").join(lines), no_wrap=True, overflow="crop", crop=True, end="")
    return capture.get().split("\n")


if __name__ == "__main__":
    sys.exit(main_loop(Path(sys.argv[1])))
