"""A room of three like units in which a cause is plain, for the tests of the attribution."""

from __future__ import annotations

import numpy as np

from rig.domain.model import Channel, ChannelKind, Event, Series
from rig.forensics import analyse
from rig.forensics.answer import PostMortem, Role
from tests.forensics.rooms import Room, channel, high, low, series

N = 900
T = np.arange(N, dtype=float)
AT = 600


def noise(seed: int, sigma: float) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, N)


class Bench:
    """Three like units with a temperature, an output and a supply current; mains and air of the room."""

    def __init__(self) -> None:
        self.values: dict[str, np.ndarray] = {"mains": 230 + noise(1, 0.1), "air": 35 + noise(2, 0.05)}
        self.status: dict[str, np.ndarray] = {}
        for k, unit in enumerate(("A1", "A2", "A3")):
            self.values[f"{unit}.sink"] = np.round(80 + k + noise(10 + k, 0.1), 1)
            self.values[f"{unit}.out"] = np.round(28 + noise(20 + k, 0.01), 3)
            self.values[f"{unit}.line"] = np.round(1.1 + noise(30 + k, 0.003), 3)
            self.values[f"{unit}.signal"] = np.round(1 + noise(40 + k, 0.001), 4)
        self.events: list[Event] = []
        self.more: list[Channel] = []

    def channels(self) -> list[Channel]:
        made = [
            channel("mains", high(253), low(207), unit=None, kind=ChannelKind.STIMULUS, instrument="grid"),
            channel(
                "air",
                high(45),
                unit=None,
                kind=ChannelKind.STIMULUS,
                unit_of_measure="degC",
                instrument="scanner",
            ),
        ]
        for unit in ("A1", "A2", "A3"):
            made += [
                channel(
                    f"{unit}.sink", high(95), low(50), unit=unit, unit_of_measure="degC", instrument="scanner"
                ),
                channel(f"{unit}.out", low(20), unit=unit, instrument=f"meter-{unit}"),
                channel(f"{unit}.line", high(2), unit=unit, unit_of_measure="A", instrument=f"meter-{unit}"),
                channel(
                    f"{unit}.signal",
                    low(0.5),
                    unit=unit,
                    kind=ChannelKind.STIMULUS,
                    instrument=f"meter-{unit}",
                ),
            ]
        return [*made, *self.more]

    def analyse(self, unit: str | None = None) -> PostMortem:
        data: dict[str, Series] = {}
        for k, (name, value) in enumerate(self.values.items()):
            status = self.status.get(name, np.zeros(N, int))
            data[name] = series(
                name, T + 0.01 * k, np.where(status > 1, np.nan, value), h_s=0.005, status=list(status)
            )
        return analyse(Room(channels=self.channels(), data=data, happened=self.events), unit)


def main(answer: PostMortem) -> tuple[Role, str]:
    assert answer.main is not None
    assert answer.main.evidence or answer.main.role is Role.NONE
    assert answer.main.ruled_out_if
    return answer.main.role, answer.main.subject


def after(at: int = AT) -> np.ndarray:
    return np.arange(N) >= at


def rising(b: Bench, begin: int, rate: float) -> None:
    """Let the heat sink of A1 rise from a moment on, by so many kelvin per second."""
    b.values["A1.sink"] = np.round(b.values["A1.sink"] + np.where(after(begin), rate * (T - begin), 0), 1)
