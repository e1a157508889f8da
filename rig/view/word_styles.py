"""Styles of the words on the screen. Each adds to a word that says the same; none is needed to read it.

Foreground colours without a background of their own must be legible on white and on black: red and magenta
are, green, yellow, cyan, white and blue are not in common palettes of 16 colours.
"""

from __future__ import annotations

from rig.view.snapshot import ChannelCondition, LinkState, RunState
from rig.view.state_words import StateWord

ALARM = "bold white on red"
NOTICE = "bold reverse"
"""What a person should see, in the terminal's own two colours exchanged."""
GOOD = "black on green"
STRONG = "bold"
FAINT = "dim"

STYLES: dict[ChannelCondition | LinkState | StateWord | RunState, str] = {
    ChannelCondition.OUT: ALARM,
    ChannelCondition.PENDING: "bold red",
    ChannelCondition.SILENT: "bold white on magenta",
    ChannelCondition.NOT_READ: "magenta",
    ChannelCondition.NO_NUMBER: "magenta",
    ChannelCondition.WARNING: NOTICE,
    ChannelCondition.SUSPECT: "bold underline",
    ChannelCondition.WAITING: FAINT,
    ChannelCondition.OK: "",
    ChannelCondition.UNJUDGED: FAINT,
    LinkState.OFFLINE: ALARM,
    LinkState.HUNG: ALARM,
    LinkState.SLOW: NOTICE,
    LinkState.WAITING: FAINT,
    LinkState.ONLINE: "",
    StateWord.FAILED: ALARM,
    StateWord.SUSPECTED: ALARM,
    StateWord.TRIPPED: "bold white on magenta",
    StateWord.OFF_UNEXPLAINED: NOTICE,
    StateWord.MUTED: NOTICE,
    StateWord.NO_MAINS: STRONG,
    StateWord.OFF: STRONG,
    StateWord.NOT_READ: "magenta",
    StateWord.IDLE: "",
    StateWord.DRIVEN: "",
    StateWord.ABSENT: FAINT,
    RunState.RUNNING: GOOD,
    RunState.STOPPED: NOTICE,
    RunState.FINISHED: NOTICE,
    RunState.PAST: NOTICE,
    RunState.CRASHED: ALARM,
}
"""In rows. In the header what is good is marked too, while the view is live: see ``counted_style``."""

BARS: dict[ChannelCondition, str] = {
    ChannelCondition.OUT: "bold red",
    ChannelCondition.PENDING: "bold red",
    ChannelCondition.WARNING: "bold",
}
"""Of the bar of a channel: a bar is drawn in the foreground, so it must not need a background."""


def counted_style(what: ChannelCondition | LinkState, *, live: bool) -> str:
    """Return the style of a count in the header; good counts are marked only while the view is live."""
    good = what in {ChannelCondition.OK, LinkState.ONLINE}
    return GOOD if good and live else STYLES[what]
