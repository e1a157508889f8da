"""Rises over ambient, as a recorder derives them from a lagging and another thermometer, and their truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Channel, ChannelKind, Limit, Series, Side, Status
from tests.verify.instruments import MARGIN, UNITS, Made, Scheme, Truth
from tests.verify.signals import at, departures

RISE = "rise"
CLOSE_S = 10.0
"""How near to its heatsink's own departure a rise's may be put, in seconds, either side."""


def add_rises(made: Made, rng: np.random.Generator) -> None:
    """Give every unit a rise of its heatsink over the air: the room's thermometer, or a slower one apart."""
    air = (-1, "ambient")
    if rng.random() < 0.5:
        poll_s = made.stratum.poll_s
        apart = Scheme("hall", [air], float(rng.uniform(0, poll_s)), min(0.3, 0.3 * poll_s), np.array([0.5]))
        every = float(rng.choice([1.0, 1.3, 3.0]))
        _poll_apart(made, rng, apart, every)
    for unit in range(UNITS):
        _add(made, rng, (unit, "heatsink"), air)


def _poll_apart(made: Made, rng: np.random.Generator, scheme: Scheme, every: float) -> None:
    """Record the air again, by an instrument of its own that is polled less often and lags differently."""
    known = made.stratum
    lag = str(rng.choice(["none", "short", "long"]))
    made.stratum = type(known)(**{**vars(known), "poll_s": known.poll_s * every, "lag": lag})
    made.poll(scheme)
    made.stratum = known


def _add(made: Made, rng: np.random.Generator, hot: tuple[int, str], air: tuple[int, str]) -> None:
    names = made.name(hot), made.name(air)
    one, two = (made.truth[name] for name in names)
    x = made.signals[hot] - made.signals[air]
    normal = made.normal[hot] - made.normal[air]
    name = f"{made.unit_names[hot[0]]}.{RISE}"
    series = computed(name, made.data[names[0]], made.data[names[1]])
    sigma = float(np.hypot(one.sigma, two.sigma))
    value = _limit(made, rng, (x, normal), (one, two), sigma)
    band = float(rng.uniform(0.05, 0.3)) * max(value - float(normal.max()), 0.5)
    limit = Limit(side=Side.HIGH, value=value, deadband=band)
    made.channels[name] = Channel(
        name=name,
        unit_of_measure="K",
        unit=made.unit_names[hot[0]],
        kind=ChannelKind.RESPONSE,
        formula=f"{names[0]} - {names[1]}",
        limits=(limit,),
    )
    made.data[name] = series
    made.truth[name] = Truth(
        x=x,
        seen=one.seen - two.seen,
        sigma=sigma,
        step=max(one.step, two.step),
        window_s=0.0,
        lag_s=one.lag_s,
        lag_tolerance_s=one.lag_tolerance_s,
        accuracy=one.accuracy + two.accuracy,
        offset=one.offset - two.offset,
        half_s=float(series.h_ns.mean() / 1e9),
        departures={("high", value): departures(x, made.room.dt, value, True, band)},
        onset_s=one.onset_s,
        blind=one.blind or two.blind,
    )


def _limit(
    made: Made,
    rng: np.random.Generator,
    signals: tuple[NDArray[np.float64], NDArray[np.float64]],
    truths: tuple[Truth, Truth],
    sigma: float,
) -> float:
    """Return a limit above all that is normal, where it can be one that is passed close to the heatsink's."""
    x, normal = signals
    least = 8 * sigma + 1.5 * sum(abs(one.offset) for one in truths)
    margin = max(float(rng.uniform(*MARGIN["heatsink"])), least)
    left = [s for found in truths[0].departures.values() for s in found]
    if left:
        near = float(at(x, made.room.dt, np.array([left[0] + rng.uniform(-CLOSE_S, CLOSE_S)]))[0])
        if near > float(normal.max()) + least:
            return near
    return float(normal.max()) + margin


def computed(name: str, hot: Series, air: Series) -> Series:
    """Return the difference as a recorder computes it: whenever both have given a new reading since the last.

    Its time is the hull of their times, its status the worse; one that is without a number leaves none.
    """
    ends = [
        (int(s.t_ns[k] + s.h_ns[k]), which, k) for which, s in enumerate((hot, air)) for k in range(len(s))
    ]
    newest = [-1, -1]
    waiting = {0, 1}
    rows = []
    for _, which, k in sorted(ends):
        newest[which] = k
        waiting.discard(which)
        if not waiting:
            waiting = {0, 1}
            rows.append((newest[0], newest[1]))
    a, b = (np.array([row[which] for row in rows], dtype=int) for which in (0, 1))
    sent = np.minimum(hot.t_ns[a] - hot.h_ns[a], air.t_ns[b] - air.h_ns[b])
    received = np.maximum(hot.t_ns[a] + hot.h_ns[a], air.t_ns[b] + air.h_ns[b])
    status = np.maximum(hot.status[a], air.status[b])
    status = np.where(status > Status.SUSPECT, Status.NOT_COMPUTED, status).astype(np.uint8)
    value = np.where(status <= Status.SUSPECT, hot.value[a] - air.value[b], np.nan)
    half = (received - sent + 1) // 2
    return Series(
        channel=name,
        t_ns=sent + half,
        h_ns=half,
        value=value,
        status=status,
        session=np.zeros(len(rows), np.int32),
    )
