"""Accounts of a recording: what units endured, what that proves, how they differ. Pure functions.

Everything works on what was read back; a plan only says what to compare it with. Times are UTC ns on the
recording's time line, durations end in ``_s``. Names of channels in plans may hold ``{unit}``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from rig.core.model import Event, Layout, Series, Session


class Recording(Protocol):
    """What an account needs of a recording; whatever reads the store fits it."""

    @property
    def layout(self) -> Layout:
        """Units, channels and instruments by name."""
        ...

    @property
    def span(self) -> tuple[int, int]:
        """First and last record, UTC ns."""
        ...

    @property
    def sessions(self) -> Sequence[Session]:
        """The sessions in the order of their numbers; may be empty for a recording made by hand."""
        ...

    def series(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        """Return the readings of a channel, all of them or those of a stretch."""
        ...

    def events(self) -> Sequence[Event]:
        """Return everything that was recorded beside readings, oldest first."""
        ...
