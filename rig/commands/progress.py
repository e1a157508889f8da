"""Signs of life on long work: on a terminal, after a second, on the error stream, gone when it is done."""

from __future__ import annotations

import contextlib
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
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal or console.is_dumb_terminal:
        yield _nothing
        return
    bar = _bar(console)
    task = bar.add_task(words, total=None)

    def done(count: int, of: int) -> None:
        bar.update(task, completed=count, total=of)

    later = threading.Timer(PATIENCE_S, bar.start)
    later.daemon = True
    later.start()
    try:
        yield done
    finally:
        later.cancel()
        later.join()
        bar.stop()


def _nothing(_count: int, _of: int) -> None:
    """Tell nobody."""


def _bar(console: object) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    assert isinstance(console, Console)
    text = TextColumn("{task.description}", markup=False)
    columns = (text, BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    return Progress(*columns, console=console, transient=True)
