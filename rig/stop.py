"""Stop flag that ends a wait."""

from __future__ import annotations

import queue


class Stop:
    """A flag that is set once and ends every wait for it; a signal's handler may set it.

    ``threading.Event`` will not do for that: a handler runs in the middle of whatever the main thread is
    at, be it a method of the flag itself, whose lock it would then wait for forever. A SimpleQueue takes
    another word while it takes one.
    """

    def __init__(self) -> None:
        self._is_set = False
        self._words: queue.SimpleQueue[None] = queue.SimpleQueue()

    def set(self) -> None:
        """Set the flag for good."""
        self._is_set = True
        self._words.put(None)

    def is_set(self) -> bool:
        """Return whether the flag is set."""
        return self._is_set

    def wait(self, seconds: float) -> bool:
        """Return whether the flag is or becomes set within ``seconds``."""
        if self._is_set:
            return True
        try:
            self._words.get(timeout=seconds)
        except queue.Empty:
            return self._is_set
        self._words.put(None)  # for all other waiters
        return True
