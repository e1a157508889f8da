"""State of the other units, the mains and the air in the minutes around a failure."""

from __future__ import annotations

from collections.abc import Mapping

from rig.domain.formatting import duration
from rig.domain.model import ChannelKind
from rig.domain.operating_state import Certainty
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import ChannelStory, Neighbour
from rig.forensics.stimulus import shifted_stimuli
from rig.forensics.unit_lives import UnitLife

_RANKS = {"failed": 0, "out": 1, "unread": 2}
"""Order of the lines on other units by their state: what happened to several comes first."""


def neighbours(
    data: AnalysisData,
    stories: Mapping[str, ChannelStory],
    *,
    lives: Mapping[str, UnitLife],
    unit: str | None,
    window_ns: tuple[int, int],
    at_ns: int,
) -> list[Neighbour]:
    """Return one line for each other unit, those that failed or are out first, and each stimulus of the room.

    window_ns: the minutes meant; at_ns: the moment of failure.
    """
    made = [
        _failed(lives.get(other), window_ns, at_ns) or _unit(data, stories, other, window_ns)
        for other in data.layout.units
        if other != unit
    ]
    made.sort(key=lambda one: _RANKS.get(one.state, len(_RANKS)))
    shifted = dict(shifted_stimuli(data, None, at_ns))
    made.extend(
        _stimulus(stories[channel.name], shifted.get(channel.name), window_ns)
        for channel in data.layout.channels.values()
        if channel.unit is None and channel.kind is ChannelKind.STIMULUS
    )
    return made


def _failed(life: UnitLife | None, window_ns: tuple[int, int], at_ns: int) -> Neighbour | None:
    """Return the line of a unit that had failed by the end of the window; None for one that had not."""
    if life is None or life.failed is None or life.failed_ns is None or life.failed_ns > window_ns[1]:
        return None
    apart_s = (life.failed_ns - at_ns) / 1e9
    when = f"{duration(abs(apart_s))} {'before' if apart_s < 0 else 'after'} this"
    sure = life.failed.certainty
    word = "failed" if sure is Certainty.CERTAIN else f"{sure} failure"
    return Neighbour(subject=life.unit, state="failed", text=f"{word}, {when}")


def _out_in(story: ChannelStory, window_ns: tuple[int, int]) -> bool:
    return any(
        e.sure
        and e.first_outside.t_ns <= window_ns[1]
        and (e.returned is None or e.returned.t_ns >= window_ns[0])
        for e in story.excursions
    )


def _unit(
    data: AnalysisData, stories: Mapping[str, ChannelStory], unit: str, window_ns: tuple[int, int]
) -> Neighbour:
    mine = [stories[n] for n in data.layout.units[unit].channels if n in stories]
    out = tuple(s.channel for s in mine if _out_in(s, window_ns))
    if out:
        return Neighbour(subject=unit, state="out", text=f"out of limits: {', '.join(out)}", channels=out)
    if mine and not any(s.usable for s in mine):
        return Neighbour(subject=unit, state="unread", text="no usable reading")
    return Neighbour(subject=unit, state="normal", text="within limits")


def _stimulus(story: ChannelStory, shifted: str | None, window_ns: tuple[int, int]) -> Neighbour:
    name = story.channel
    if not story.usable:
        return Neighbour(subject=name, state="unread", text="no usable reading")
    if _out_in(story, window_ns):
        return Neighbour(subject=name, state="out", text="out of limits", channels=(name,))
    if shifted is not None:
        return Neighbour(subject=name, state="changed", text=shifted, channels=(name,))
    return Neighbour(subject=name, state="normal", text="no change")
