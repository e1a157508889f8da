"""Who deserves faster polls: channels on their way out, not noisy ones."""

import math
import random

from rig.domain.model import Channel, ChannelKind, Limit, Scan, Side
from rig.domain.urgency import Urgency

S = 1_000_000_000
HOT = Channel(
    name="hot",
    unit_of_measure="degC",
    unit="A1",
    kind=ChannelKind.RESPONSE,
    formula="1",
    limits=(Limit(side=Side.HIGH, value=95.0),),
)
FREE = Channel(name="free", unit_of_measure="V", unit="A1", kind=ChannelKind.RESPONSE, formula="1")
CHANNELS = {"hot": HOT, "free": FREE}


def feed(values: list[float], period_s: float = 0.5, horizon_s: float = 10.0) -> list[int]:
    """Return the indexes at which the channel was urgent."""
    urgency = Urgency([("hot", "free"), ("free",)], CHANNELS, horizon_s)
    found = []
    for at, value in enumerate(values):
        t_ns = round((at + 1) * period_s * S)
        scan = Scan(block=0, sent_ns=t_ns, received_ns=t_ns, values=(value, 1e6 * at), statuses=b"\0\0")
        if urgency.feed(scan):
            found.append(at)
    return found


def test_a_ramp_is_urgent_from_the_horizon_on() -> None:
    """1 K/s towards 95 degC: within 10 s of it from 85 degC on, give or take the smoothing."""
    urgent = feed([60.0 + 0.5 * at for at in range(68)])
    assert 85.0 - 0.5 <= 60.0 + 0.5 * urgent[0] <= 86.5
    assert urgent == list(range(urgent[0], 68))


def test_a_channel_moving_away_or_standing_still_is_not_urgent() -> None:
    assert feed([94.9] * 40) == []
    assert feed([94.0 - 0.1 * at for at in range(40)]) == []


def test_noise_far_from_the_limit_is_seldom_urgent() -> None:
    draw = random.Random(1)
    assert len(feed([80.0 + draw.gauss(0, 0.1) for _ in range(10_000)])) < 10


def test_a_jump_is_noticed_at_once() -> None:
    assert feed([60.0, 60.0, 60.0, 75.0, 90.0]) == [3, 4]


def test_missing_readings_are_neither_urgent_nor_do_they_end_the_watch() -> None:
    urgent = feed([60.0 + 0.5 * at if at % 7 else math.nan for at in range(68)])
    assert urgent
    assert all(at % 7 for at in urgent)


def test_channels_without_limits_are_never_urgent() -> None:
    urgency = Urgency([("free",)], CHANNELS, 10.0)
    for at in range(10):
        scan = Scan(block=0, sent_ns=at * S, received_ns=at * S, values=(10.0**at,), statuses=b"\0")
        assert urgency.feed(scan) == []
