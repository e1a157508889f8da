"""The room's probes: first-order lag on the true quantity, a short memory, and ways to fail."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.simulator.room_plan import RoomProbe

Row = NDArray[np.float64]
KEPT_S = 2.0
"""How far back a probe can be read."""
MODES = frozenset({"open", "stuck", "fallen-off"})
_AVERAGED_POINTS = 8


class Probes:
    """All probes of the room, in the order of the plan. Times are CLOCK_BOOTTIME ns."""

    def __init__(self, probes: Sequence[RoomProbe], *, step_ns: int) -> None:
        lags = np.array([probe.true_lag_s for probe in probes])
        slow = np.where(lags > 0.0, lags, 1.0)
        self._share = np.where(lags > 0.0, -np.expm1(-step_ns / 1e9 / slow), 1.0)
        self._places = {probe.channel: place for place, probe in enumerate(probes)}
        self._windows_ns = [round(probe.quantity.averaging_s * 1e9) for probe in probes]
        self._step_ns = step_ns
        self._now_ns = 0
        self._past: deque[Row] = deque(maxlen=round(KEPT_S * 1e9 / step_ns) + 2)
        self._fallen: list[int] = []
        self._open_since: dict[int, int] = {}
        self._held: dict[int, float] = {}

    def begin(self, true: Row, at_ns: int) -> None:
        """Start settled at the true quantities."""
        self._past.append(true.copy())
        self._now_ns = at_ns

    def feel(self, true: Row, ambient_c: float) -> None:
        """Move on by one step: each probe follows its quantity, a fallen one the air."""
        target = true
        if self._fallen:
            target = true.copy()
            target[self._fallen] = ambient_c
        last = self._past[-1]
        self._past.append(last + (target - last) * self._share)
        self._now_ns += self._step_ns

    def fail(self, channel: str, mode: str, at_ns: int) -> None:
        """Break a probe: ``open`` (no value), ``stuck`` (the value of now for ever) or ``fallen-off``."""
        place = self._places[channel]
        if mode == "open":
            self._open_since[place] = at_ns
        elif mode == "stuck":
            self._held[place] = self._at(place, at_ns)
        else:
            self._fallen.append(place)

    def read(self, channel: str, at_ns: int) -> float | None:
        """Return what the probe delivers at an instant already computed, before noise; None if open.

        It is the mean over the averaging window that ends there.
        """
        place = self._places[channel]
        if at_ns >= self._open_since.get(place, at_ns + 1):
            return None
        if place in self._held:
            return self._held[place]
        window_ns = self._windows_ns[place]
        if not window_ns:
            return self._at(place, at_ns)
        steps = range(_AVERAGED_POINTS)
        # Middle points of equal parts of the window: the mean of a ramp comes out exact.
        instants = (at_ns - window_ns * (2 * step + 1) // (2 * _AVERAGED_POINTS) for step in steps)
        return math.fsum(self._at(place, instant) for instant in instants) / _AVERAGED_POINTS

    def _at(self, place: int, at_ns: int) -> float:
        back = max((self._now_ns - at_ns) / self._step_ns, 0.0)
        whole = min(int(back), len(self._past) - 1)
        later = float(self._past[-1 - whole][place])
        if whole + 1 >= len(self._past):
            return later
        return later + (float(self._past[-2 - whole][place]) - later) * (back - whole)
