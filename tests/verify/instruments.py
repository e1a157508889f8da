"""What the instruments of the simulated room recorded of it, and the truth beside every channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Channel, ChannelKind, ChannelSource, InstrumentFacts, Limit, Series, Side, Status
from tests.verify.physics import MEASURE, STIMULI, Room
from tests.verify.scenarios import Trouble
from tests.verify.signals import Signal, at, averaged, departures, lagged

START_NS = 1_750_000_000_000_000_000
UNITS = 3
TEMPERATURES = ("heatsink", "device", "transformer")
METERED = ("vout", "iout", "load", "drive")
SUPPLIED = ("rail", "ripple", "line", "bias", "offset")
SCATTER = {
    "heatsink": 0.05, "device": 0.05, "transformer": 0.05, "ambient": 0.05, "vout": 0.01, "iout": 0.002,
    "rail": 0.02, "ripple": 0.004, "line": 0.003, "bias": 0.2, "offset": 0.004, "load": 0.0, "drive": 0.0005,
    "mains": 0.1,
}  # fmt: skip
STEP = {
    "heatsink": 0.1, "device": 0.1, "transformer": 0.1, "ambient": 0.1, "vout": 0.01, "iout": 0.001,
    "rail": 0.01, "ripple": 0.001, "line": 0.001, "bias": 0.1, "offset": 0.001, "load": 0.0, "drive": 0.0001,
    "mains": 0.1,
}  # fmt: skip
MARGIN = {
    "heatsink": (6, 14), "device": (8, 18), "transformer": (6, 12), "ambient": (8, 12), "ripple": (0.4, 0.8),
    "line": (0.5, 1.0), "bias": (25, 50), "offset": (0.5, 2.0), "mains": (8, 14),
}  # fmt: skip
MARGIN_LOW = {"vout": (3, 6), "iout": (0.5, 1.0), "rail": (5, 9), "mains": (12, 24), "drive": (0.2, 0.4)}


@dataclass(frozen=True)
class Stratum:
    """What the instruments were like."""

    poll_s: float
    jitter: str
    noise: str
    resolution: str
    lag: str
    drops: str
    accuracy: str


@dataclass
class Truth:
    """The truth of one channel: its signal, what its sensor made of it, and when it left its limits."""

    x: Signal
    seen: Signal
    sigma: float
    step: float
    window_s: float
    lag_s: float
    lag_tolerance_s: float
    accuracy: float
    offset: float
    half_s: float
    departures: dict[tuple[str, float], list[float]]
    onset_s: tuple[float, float] | None
    blind: bool
    undefined: NDArray[np.bool_] | None = None


def _limits(
    rng: np.random.Generator, quantity: str, nominal: Signal, sigma: float, offset: float, wait_s: float
) -> tuple[Limit, ...]:
    warm = nominal[:, nominal.shape[1] // 50 :]
    least = 8 * sigma + 1.5 * abs(offset)
    found = []
    delay = float(rng.choice([0.0, 0.0, wait_s]))
    if quantity == "load":
        return (
            Limit(side=Side.LOW, value=float(rng.uniform(5, 6)), deadband=0.2, on_delay_s=delay),
            Limit(side=Side.HIGH, value=float(rng.uniform(12, 20)), deadband=0.5, on_delay_s=delay),
        )
    if quantity in MARGIN:
        margin = max(rng.uniform(*MARGIN[quantity]), least)
        band = margin * rng.uniform(0.05, 0.3)
        found.append(
            Limit(side=Side.HIGH, value=float(nominal.max() + margin), deadband=band, on_delay_s=delay)
        )
    if quantity in MARGIN_LOW:
        margin = max(rng.uniform(*MARGIN_LOW[quantity]), least)
        band = margin * rng.uniform(0.05, 0.3)
        found.append(Limit(side=Side.LOW, value=float(warm.min() - margin), deadband=band, on_delay_s=delay))
    return tuple(found)


@dataclass
class Scheme:
    """How one instrument is polled."""

    name: str
    channels: list[tuple[int, str]]
    phase_s: float
    takes_s: float
    places: NDArray[np.float64]


def schemes(rng: np.random.Generator, poll_s: float) -> list[Scheme]:
    temps = [(u, q) for u in range(UNITS) for q in TEMPERATURES] + [(-1, "ambient")]
    plans: list[tuple[str, list[tuple[int, str]], tuple[float, float]]] = [("scanner", temps, (0.02, 0.4))]
    for u in range(UNITS):
        plans.append((f"meter{u}", [(u, q) for q in METERED], (0.01, 0.15)))
        plans.append((f"supply{u}", [(u, q) for q in SUPPLIED], (0.01, 0.15)))
    plans.append(("grid", [(-1, "mains")], (0.01, 0.1)))
    made = []
    for name, channels, (low, high) in plans:
        places = np.sort(rng.uniform(0.02, 0.98, len(channels)))
        takes = min(rng.uniform(low, high), 0.6 * poll_s)
        made.append(Scheme(name, channels, rng.uniform(0, poll_s), takes, places))
    return made


NOISE = {"tiny": 0.02, "small": 1.0, "medium": 4.0, "large": 12.0}
LAG_S = {"none": (0.0, 0.0), "short": (1.0, 4.0), "eight": (8.0, 8.0), "long": (5.0, 20.0)}
DROP = {"none": 0.0, "few": 0.01, "many": 0.1, "bursts": 0.005}
JITTER = {"none": 0.0, "small": 0.01, "large": 0.1}


class Made:
    """What the instruments recorded, built up instrument by instrument."""

    def __init__(
        self,
        rng: np.random.Generator,
        stratum: Stratum,
        room: Room,
        trouble: Trouble,
        signals: dict[tuple[int, str], Signal],
        normal: dict[tuple[int, str], Signal],
        unit_names: list[str],
        words: dict[str, str],
    ) -> None:
        self.rng, self.stratum, self.room, self.trouble = rng, stratum, room, trouble
        self.signals, self.normal, self.unit_names, self.words = signals, normal, unit_names, words
        self.channels: dict[str, Channel] = {}
        self.instruments: dict[str, InstrumentFacts] = {}
        self.data: dict[str, Series] = {}
        self.truth: dict[str, Truth] = {}
        self.window_s = (
            0.0 if rng.random() < 0.6 else float(rng.uniform(0.05, 0.3)) * min(stratum.poll_s, 1.0)
        )

    def poll(self, scheme: Scheme) -> None:
        """Record one instrument's readings."""
        rng, stratum, room = self.rng, self.stratum, self.room
        end = (room.n - 2) * room.dt - scheme.takes_s * 2
        sent = np.arange(scheme.phase_s, end - stratum.poll_s, stratum.poll_s)
        if JITTER[stratum.jitter]:
            sent = sent + np.abs(rng.normal(0, JITTER[stratum.jitter] * stratum.poll_s, len(sent))).clip(
                0, 0.3 * stratum.poll_s
            )
        takes = scheme.takes_s * rng.uniform(0.9, 1.1, len(sent))
        # A stamp is known to the nanosecond; the half-width is rounded up.
        t_ns = START_NS + np.round((sent + takes / 2) * 1e9).astype(np.int64)
        h_ns = np.ceil(takes / 2 * 1e9).astype(np.int64) + 1
        lost = rng.random(len(sent)) < DROP[stratum.drops]
        if stratum.drops == "bursts":
            lost = np.convolve(lost, np.ones(int(rng.integers(3, 12))))[: len(sent)] > 0
        if self.trouble.hang == scheme.name:
            lost |= sent > self.trouble.begins * room.dt
        self.instruments[scheme.name] = InstrumentFacts(
            name=scheme.name, bus=f"{scheme.name}-bus", driver="lines", poll_s=stratum.poll_s, timeout_s=0.5
        )
        for place, key in zip(scheme.places, scheme.channels, strict=True):
            moments = sent + takes * place
            self.record(scheme, key, moments, t_ns, h_ns, lost)

    def record(
        self,
        scheme: Scheme,
        key: tuple[int, str],
        moments: NDArray[np.float64],
        t_ns: NDArray[np.int64],
        h_ns: NDArray[np.int64],
        lost: NDArray[np.bool_],
    ) -> None:
        """Record one channel and its truth."""
        rng, stratum, room = self.rng, self.stratum, self.room
        unit, quantity = key
        x = self.signals[key]
        sigma = SCATTER[quantity] * NOISE[stratum.noise]
        step = STEP[quantity] * (5.0 if stratum.resolution == "coarse" else 0.1)
        hot = MEASURE[quantity] == "degC"
        nominal_lag = float(rng.uniform(*LAG_S[stratum.lag])) if hot and stratum.lag != "none" else 0.0
        tolerance = 0.15 * nominal_lag
        true_lag = nominal_lag + rng.uniform(-tolerance, tolerance)
        accuracy = float(rng.uniform(0.3, 1.5)) if stratum.accuracy == "stated" and hot else 0.0
        offset = rng.uniform(-accuracy, accuracy)
        window = self.window_s if not hot and quantity != "load" else 0.0
        seen = lagged(x, true_lag, room.dt)
        ideal = averaged(seen, room.dt, moments, window) + offset
        value = ideal + rng.normal(0, 1, len(moments)) * sigma
        if step:
            value = np.round(value / step) * step
        status = np.where(lost, Status.NO_REPLY, Status.GOOD).astype(np.uint8)
        if quantity == "load":
            value, status = self.derive_load(unit, status)
        plausible = (-40.0, 400.0) if hot and rng.random() < 0.5 else None
        value, status = self.sabotage(key, moments, value, status, plausible)
        value = np.where((status <= Status.SUSPECT), value, np.nan)
        wait_s = 2.2 * stratum.poll_s
        limits = _limits(rng, quantity, self.normal[key], sigma + step / 3, offset, wait_s)
        if self.trouble.fallen_channel == key and not room.cold_start and rng.random() < 0.5:
            floor = float(self.normal[key].min() - 8 - 8 * sigma - accuracy)
            limits += (Limit(side=Side.LOW, value=floor, deadband=1.0),)
        if quantity in {"ambient", "mains", "drive", "load"} and rng.random() < 0.25:
            limits = ()  # nobody thought of a limit for what the rig does
        name = self.name(key)
        self.channels[name] = Channel(
            name=name,
            unit_of_measure=MEASURE[quantity],
            unit=self.unit_names[unit] if unit >= 0 else None,
            kind=ChannelKind.STIMULUS if unit < 0 or quantity in STIMULI else ChannelKind.RESPONSE,
            source=None if quantity == "load" else ChannelSource(instrument=scheme.name, field=quantity),
            formula=f"{self.name((unit, 'vout'))} / {self.name((unit, 'iout'))}"
            if quantity == "load"
            else None,
            limits=limits,
            lag_s=nominal_lag,
            lag_tolerance_s=tolerance,
            averaging_s=window,
            resolution=step if rng.random() < 0.7 else 0.0,
            accuracy=accuracy,
            plausible=plausible,
        )
        self.data[name] = Series(
            channel=name,
            t_ns=t_ns,
            h_ns=h_ns,
            value=value,
            status=status,
            session=np.zeros(len(value), np.int32),
        )
        self.truth[name] = self.true_of(
            key, x, seen, sigma, step, window, offset, self.channels[name], float(h_ns.mean() / 1e9)
        )

    def name(self, key: tuple[int, str]) -> str:
        unit, quantity = key
        return self.words[quantity] if unit < 0 else f"{self.unit_names[unit]}.{self.words[quantity]}"

    def derive_load(
        self, unit: int, status: NDArray[np.uint8]
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Return the load as the daemon derives it from the readings of voltage and current."""
        volts, amps = (self.data[self.name((unit, q))].value for q in ("vout", "iout"))
        none = (status == Status.GOOD) & ~(np.abs(amps) > 0.03)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = volts / amps
        return np.where(none, np.nan, value), np.where(none, Status.NOT_COMPUTED, status).astype(np.uint8)

    def sabotage(
        self,
        key: tuple[int, str],
        moments: NDArray[np.float64],
        value: NDArray[np.float64],
        status: NDArray[np.uint8],
        plausible: tuple[float, float] | None,
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Return what a sick sensor or instrument makes of the readings."""
        trouble, room, rng = self.trouble, self.room, self.rng
        after = moments > trouble.begins * room.dt
        good = status == Status.GOOD
        if key == trouble.open_channel:
            if rng.random() < 0.5:
                said = rng.choice([Status.NO_VALUE, Status.OVER])
                status = np.where(after & good, said, status).astype(np.uint8)
            else:
                value = np.where(after, 1372.0, value)
                if plausible:
                    status = np.where(after & good, Status.SUSPECT, status).astype(np.uint8)
        if key == trouble.fallen_channel:
            ambient = at(self.signals[(-1, "ambient")], room.dt, moments)
            tau = rng.uniform(20, 60)
            share = np.exp(-np.maximum(moments - trouble.begins * room.dt, 0) / tau)
            scatter = rng.normal(0, SCATTER[key[1]] * NOISE[self.stratum.noise], len(moments))
            value = np.where(after, ambient + (value - ambient) * share + scatter * (1 - share), value)
        if key == trouble.stuck_channel:
            held = np.flatnonzero(~after & good)
            value = np.where(after, value[held[-1]], value)
        if trouble.jolt == "scanner" and (key[1] in TEMPERATURES or key[1] == "ambient"):
            value = np.where(after, value + trouble.jolt_by, value)
        return value, status

    def true_of(
        self,
        key: tuple[int, str],
        x: Signal,
        seen: Signal,
        sigma: float,
        step: float,
        window: float,
        offset: float,
        channel: Channel,
        half_s: float,
    ) -> Truth:
        dt = self.room.dt
        if key[1] == "load":
            volts, amps = (self.signals[(key[0], q)] for q in ("vout", "iout"))
            scale = NOISE[self.stratum.noise]
            v, a = float(volts[1, 0]), float(amps[1, 0])
            sigma = v / a * float(np.hypot(SCATTER["vout"] * scale / v, SCATTER["iout"] * scale / a))
        out = {
            (limit.side.value, limit.value): departures(
                x, dt, limit.value, limit.side is Side.HIGH, limit.deadband
            )
            for limit in channel.limits
        }
        apart = np.abs(x - self.normal[key]).max(axis=0)
        visible = apart > max(sigma, step / 3, 1e-6)
        first = None
        if visible.any():  # from where the fault moves it at all to where that exceeds one standard deviation
            shown = int(np.argmax(visible))
            begun = np.flatnonzero(apart[:shown] <= 0.02 * max(sigma, step / 3))
            first = (float(begun[-1]) * dt if len(begun) else 0.0, shown * dt)
        return Truth(
            x=x,
            seen=seen,
            sigma=sigma,
            step=step,
            window_s=window,
            lag_s=channel.lag_s,
            lag_tolerance_s=channel.lag_tolerance_s,
            accuracy=channel.accuracy,
            offset=offset,
            half_s=half_s,
            departures=out,
            onset_s=first,
            blind=key in self.trouble.blind,
            undefined=np.abs(self.signals[(key[0], "iout")][1]) < 0.3 if key[1] == "load" else None,
        )
