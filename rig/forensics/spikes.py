"""Single readings that strayed: out in one reading, inside in the one before and in the one after.

Such a reading is an excursion where its limit has no on-delay, and is counted as one. What made it cannot be
told from it: a disturbance on the line, a bad contact, a true peak shorter than the polling. So it blames
nobody, unless another channel stayed out at the same time: then it may be the first sign of what followed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import ChannelStory, CrossingExcursion
from rig.forensics.short_answer import moment

TOGETHER_POLLS = 2.0
"""Intervals of the slower channel within which another one must be out too (common practice, no source)."""
NAMED = 3
"""How many spikes of a channel are told one by one."""


def strays(
    stories: Mapping[str, ChannelStory], cycling: Collection[str]
) -> dict[str, tuple[CrossingExcursion, ...]]:
    """Return the spikes of each channel that stood alone; cycling: channels that go out at an even pace."""
    lasting = [
        (story, one)
        for story in stories.values()
        for one in story.excursions
        if one.sure and not one.is_spike
    ]
    found = {}
    for name, story in stories.items():
        spikes = [one for one in story.excursions if one.sure and one.is_spike and name not in cycling]
        alone = tuple(one for one in spikes if not any(_together(story, one, *other) for other in lasting))
        if alone:
            found[name] = alone
    return found


def _together(
    story: ChannelStory, spike: CrossingExcursion, other: ChannelStory, one: CrossingExcursion
) -> bool:
    """Return whether another channel that shares this one's unit (or the room) was out about a spike."""
    if other.channel == story.channel or not (other.unit == story.unit or None in {other.unit, story.unit}):
        return False
    slack = round(TOGETHER_POLLS * 1e9 * max(story.period_s, other.period_s))
    at_ns = spike.first_outside.t_ns
    begins, ends = one.first_outside.t_ns - slack, one.returned.t_ns + slack if one.returned else None
    return begins <= at_ns and (ends is None or at_ns <= ends)


def in_words(scene: AnalysisData, name: str, spike: CrossingExcursion) -> str:
    """Return a spike with the readings on either side of it."""
    measure = scene.layout.channels[name].unit_of_measure
    before, after = spike.last_inside, spike.returned
    around = f"{before.value:.6g} before and {after.value:.6g}" if before and after else "nothing"
    return (
        f"single-sample spike of {name} at {moment(spike.first_outside.t_ns)}: {spike.worst.value:.6g} "
        f"{measure}, {around} after it"
    )


def told(scene: AnalysisData, found: Mapping[str, Sequence[CrossingExcursion]]) -> list[str]:
    """Return what is to be said of spikes, one sentence each; of many of one channel the first ones."""
    said = []
    for name, spikes in found.items():
        said += [f"{in_words(scene, name, one)}; one reading blames nobody" for one in spikes[:NAMED]]
        if len(spikes) > NAMED:
            said.append(f"{len(spikes) - NAMED} more single-sample spikes of {name}")
    return said
