"""A recording as everybody reads it: one protocol, and one that is held in memory.

A running, finished, crashed or imported run fits ``Recording`` as it is. What judges a recording asks for no
more than this; what can read a long one faster offers ``InPieces`` as well.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from rig.domain.model import Event, EventKind, Layout, Series, Session

if TYPE_CHECKING:
    from rig.domain.channel_digest import Piece


class Recording(Protocol):
    """Read access to one recording."""

    @property
    def layout(self) -> Layout:
        """Units, channels and instruments as the newest session knew them."""
        ...

    @property
    def layouts(self) -> Mapping[int, Layout]:
        """The layout of each session by its number; ``layout`` stands in for one that is not there."""
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
        """Return the readings of one channel whose stamps lie in [start_ns, end_ns], as recorded."""
        ...

    def events(self) -> Sequence[Event]:
        """Return everything recorded beside readings, in recorded order."""
        ...


@runtime_checkable
class InPieces(Protocol):
    """A recording that can say of each of its files what a channel did there, without reading it all.

    What is found is the same with and without it; a long recording is searched in a fraction of the time.
    """

    def pieces(self, channel: str) -> Sequence[Piece]:
        """Return the readings of one channel file by file, in recorded order."""
        ...

    def events_of(
        self,
        kinds: Collection[EventKind] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> Sequence[Event]:
        """Return the events of some kinds stamped from ``start_ns`` to ``end_ns`` (None: all, no bound)."""
        ...


@dataclass(kw_only=True)
class MemoryRecording:
    """A recording held in memory.

    data: readings by channel; happened: events in recorded order; lived: sessions; layouts: by session where
    they differ. from_ns, to_ns: first and last record where they lie outside the readings, UTC ns.
    """

    layout: Layout
    data: Mapping[str, Series] = field(default_factory=dict)
    happened: Sequence[Event] = ()
    lived: Sequence[Session] = ()
    layouts: Mapping[int, Layout] = field(default_factory=dict)
    from_ns: int | None = None
    to_ns: int | None = None

    @property
    def span(self) -> tuple[int, int]:
        """First and last record, UTC ns; (0, 0) where there is neither a reading nor a bound."""
        ends = [(int(one.t_ns.min()), int(one.t_ns.max())) for one in self.data.values() if len(one)]
        first = min((start for start, _ in ends), default=0) if self.from_ns is None else self.from_ns
        last = max((end for _, end in ends), default=first) if self.to_ns is None else self.to_ns
        return first, last

    @property
    def sessions(self) -> Sequence[Session]:
        """The sessions in the order of their numbers."""
        return self.lived

    def series(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        """Return the readings of one channel whose stamps lie in [start_ns, end_ns]. Raises KeyError."""
        one = self.data[channel]
        keep = one.t_ns == one.t_ns
        if start_ns is not None:
            keep &= one.t_ns >= start_ns
        if end_ns is not None:
            keep &= one.t_ns <= end_ns
        return Series(
            channel=channel,
            t_ns=one.t_ns[keep],
            h_ns=one.h_ns[keep],
            value=one.value[keep],
            status=one.status[keep],
            session=one.session[keep],
        )

    def events(self) -> Sequence[Event]:
        """Return everything recorded beside readings, in recorded order."""
        return self.happened
