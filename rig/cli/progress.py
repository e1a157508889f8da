"""Progress of long work: on a terminal, after a second, on the error stream, removed at the end."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

PATIENCE_S = 1.0
"""Work that is done within this shows nothing."""

Done = Callable[[int, int], None]
"""(how much is done, of how much)."""


@contextlib.contextmanager
def shown(words: str) -> Iterator[Done]:
    """Show ``words`` with the time passed, and with a bar once the work says how far it is.

    Anything but a terminal sees nothing. The work itself is never held up by what is shown.
    """
    if not sys.stderr.isatty() or os.environ.get("TERM", "dumb") in {"dumb", "unknown"}:
        yield _nothing
        return
    sign = _Sign(words)
    later = threading.Timer(PATIENCE_S, sign.show)
    later.daemon = True
    later.start()
    try:
        yield sign.done
    finally:
        later.cancel()
        later.join()
        sign.hide()


def _nothing(_count: int, _of: int) -> None:
    """Tell nobody."""


class _Sign:
    """What stands on the terminal; what draws it is loaded only for work that takes long."""

    def __init__(self, words: str) -> None:
        self._words = words
        self._far: tuple[int, int | None] = (0, None)
        self._bar: Progress | None = None

    def done(self, count: int, of: int) -> None:
        """Take note of how far the work is."""
        self._far = (count, of)
        if self._bar is not None:
            self._bar.update(self._bar.task_ids[0], completed=count, total=of)

    def show(self) -> None:
        """Put it up, on another thread than the work's."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

        text = TextColumn("{task.description}", markup=False)
        columns = (text, BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
        bar = Progress(*columns, console=Console(stderr=True), transient=True)
        count, of = self._far
        bar.add_task(self._words, completed=count, total=of)
        self._bar = bar
        bar.start()

    def hide(self) -> None:
        """Take it away."""
        if self._bar is not None:
            self._bar.stop()
