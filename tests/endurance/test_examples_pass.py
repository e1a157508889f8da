"""A flawless unit passes by every shipped example; the one with a program is run to its end elsewhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.cli.arguments import rig_file
from rig.domain.formula import Formula
from rig.domain.model import Channel, Layout, Series, Side
from rig.domain.recording import MemoryRecording
from rig.domain.signals import signals_of, wired
from rig.endurance.run_account import account, judged
from rig.endurance.verdict import Decision
from tests.endurance.rooms import START_NS, S, session

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = [one for one in sorted(CONFIGS.glob("*.yaml")) if "\nprogram:" not in one.read_text("utf-8")]
SECONDS = 4000


def inside(channel: Channel, layout: Layout) -> float:
    """Return a value between the limits of a measured channel, and above the levels of the signals it is."""
    low = next((one.value for one in channel.limits if one.side is Side.LOW), None)
    high = next((one.value for one in channel.limits if one.side is Side.HIGH), None)
    if low is not None and high is not None:
        return (low + high) / 2
    if high is not None:
        return 0.6 * high
    levels = [one for unit in layout.units.values() for one in wired(signals_of(layout, unit)).values()]
    on = max((one.on_above for one in levels if one.channel == channel.name), default=0.5)
    return max(1.5 * (low or 0.0), 2 * on)


def steady(layout: Layout) -> MemoryRecording:
    """Return an hour in which every channel reads what it should."""
    values = {one.name: inside(one, layout) for one in layout.channels.values() if one.source is not None}
    while len(values) < len(layout.channels):
        for one in layout.channels.values():
            known = one.formula and set(Formula(one.formula).names) <= set(values)
            if one.name not in values and known:
                value = Formula(one.formula or "0").evaluate(values)
                assert value is not None
                values[one.name] = value
    t_ns = START_NS + np.arange(SECONDS) * S
    return MemoryRecording(
        layout=layout,
        data={
            name: Series(
                channel=name, t_ns=t_ns, h_ns=np.full(SECONDS, S // 100), value=np.full(SECONDS, value),
                status=np.zeros(SECONDS, np.uint8), session=np.ones(SECONDS, np.int32),
            )
            for name, value in values.items()
        },
        lived=[session(1, 0, SECONDS - 1)],
    )  # fmt: skip


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda one: one.name)
def test_a_flawless_unit_passes(example: Path) -> None:
    recording = steady(rig_file(str(example)).layout)
    verdict = judged(recording, account(recording))
    against = [r.text for unit in verdict.units for r in unit.reasons if r.outcome is not Decision.PASS]
    assert verdict.outcome is Decision.PASS, against
