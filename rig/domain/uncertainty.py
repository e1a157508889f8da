"""What is known of a channel's measurement: bounds of error, standard uncertainty, lag, averaging, step.

One model for all who widen, compare or judge. JCGM 100:2008 (GUM) to first order with correlation;
JCGM 101:2008 (Monte Carlo) where a formula bends. What the rig file does not state is not in it: noise,
mounting and drift never are.

Errors have causes. What two inputs of a formula owe to the same cause (the cold junction that they share,
one certificate, the same channel used twice) is one error: it is added with its sign (GUM 5.2.2, NOTE 1).
Different causes are independent. The bound of error adds the sizes of all causes; the standard uncertainty
takes the root of the sum of their squares.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rig.domain.conversions import thermocouple_mv
from rig.domain.derivative import Expression
from rig.domain.formula import FormulaError
from rig.domain.model import Channel, Layout
from rig.domain.propagation import TOP, ErrorShape, SourceError, Spread, by_cause
from rig.domain.units import difference_unit

BOUND_K = 3.0
"""Standard uncertainties that the bound of a normally distributed error takes: 99.73 % (GUM, table G.1)."""
COVERAGE_K = 2.0
"""Coverage factor of an expanded uncertainty U = k u: about 95 % (GUM 6.3.3)."""
JUNCTION_C = 25.0
"""Where a cold junction is taken to be whose temperature is not known (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One error of one input. half_width, standard: in the unit of the channel that it stands at.

    source: in words; cause: errors of equal cause are one error; sensitivity: of the asked quantity to it.
    """

    source: str
    cause: tuple[str, ...]
    shape: ErrorShape
    half_width: float
    standard: float
    sensitivity: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The measurement uncertainty of one value, item by item.

    standard: combined standard uncertainty; half_width: bound of error; both infinite where an error may
    leave the formula without a result, NaN where an input's value is missing. bends: whether the formula
    departs from its tangent, so that ``standard`` comes from a Monte Carlo run. not_stated: in words.
    """

    value: float
    contributions: tuple[Contribution, ...]
    not_stated: tuple[str, ...]
    standard: float
    half_width: float
    bends: bool

    @property
    def expanded(self) -> float:
        """Return the expanded uncertainty U for k = 2."""
        return COVERAGE_K * self.standard

    def share(self, one: Contribution) -> float:
        """Return the share of the first-order variance that a contribution makes; all together are 1.

        It is negative for one that makes up for another of the same cause.
        """
        effects = by_cause([(c.cause, c.sensitivity * c.standard) for c in self.contributions])
        whole = math.fsum(effect**2 for effect in effects.values())
        return one.sensitivity * one.standard * effects[one.cause] / whole if whole > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingBounds:
    """What keeps a reading from being the true quantity of its moment, near one operating point.

    half_width: bound of error in the channel's unit, the display's rounding apart; step: display step;
    lag_level: bound of what inputs of different lags leave in the level when one lag is undone.
    lag_s, lag_tolerance_s: time constant. A reading belongs to the stretch of time that ends with it and
    is averaging_least_s to averaging_s long.
    """

    half_width: float = 0.0
    step: float = 0.0
    lag_s: float = 0.0
    lag_tolerance_s: float = 0.0
    averaging_s: float = 0.0
    averaging_least_s: float = 0.0
    lag_level: float = 0.0

    @property
    def margin(self) -> float:
        """Return how far a reading's level, its lag undone, may lie from the quantity's at most."""
        return self.half_width + self.lag_level

    @property
    def shift_s(self) -> float:
        """Return how much earlier than its stamp a reading belongs: half of the averaging window."""
        return (self.averaging_least_s + self.averaging_s) / 4

    @property
    def shift_tolerance_s(self) -> float:
        """Return how far ``shift_s`` may be off; 0 for a single window."""
        return (self.averaging_s - self.averaging_least_s) / 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """A time constant, its tolerance, and what it leaves in the level: bound of error in the unit."""

    lag_s: float
    tolerance_s: float
    level: float


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of "somewhere within +- half_width": a / sqrt 3 (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    """Return the standard uncertainty of a triangular distribution: a / sqrt 6 (GUM 4.3.9)."""
    return half_width / math.sqrt(6)


def resolution(step: float) -> float:
    """Return the standard uncertainty of a display with this step: step / sqrt 12 (GUM F.2.2.1)."""
    return step / math.sqrt(12)


def combined(parts: Sequence[float]) -> float:
    """Return the root of the sum of squares: uncertainties that do not depend on each other (GUM 5.1.2)."""
    return math.hypot(*parts)


class MeasurementModel:
    """The measurement of one quantity: a channel, or a formula over channels.

    channels: all that the formula may lead to, by name. inputs: the measured channels whose values
    ``budget`` and ``bounds`` ask for. needs_values: whether these matter; needs_rates: whether the rates of
    change of the inputs do (they lag by different times).
    """

    def __init__(self, quantity: Channel | str, channels: Mapping[str, Channel]) -> None:
        self.channel = quantity if isinstance(quantity, Channel) else None
        self._channels = channels if self.channel is None else {**channels, self.channel.name: self.channel}
        formula = quantity if isinstance(quantity, str) else quantity.formula
        self._expression = _expression(formula, self._channels) if formula is not None else None
        if self._expression is not None:
            self.inputs = self._expression.names
        else:
            self.inputs = (self.channel.name,) if self.channel and formula is None else ()
        self._measured = [self._channels[name] for name in self.inputs if name in self._channels]
        self._computed = [self._channels[name] for name in self._inner()]
        if self.channel is not None and formula is not None:
            self._computed.append(self.channel)
        straight = self._expression is None or self._expression.is_linear
        on_value = (c.accuracy_share > 0 for c in (*self._measured, *self._computed))
        self.needs_values = not straight or any(on_value) or any(map(_junction, self._measured))
        mixed = len({c.lag_s for c in self._measured}) > 1
        unsure = any(c.lag_tolerance_s for c in self._measured)
        self.needs_rates = len(self._measured) > 1 and (mixed or unsure)

    # ---- level

    @property
    def is_stated(self) -> bool:
        """Whether the rig file states anything of the errors of this quantity."""
        ones = dict.fromkeys(self.inputs, 1.0)
        return any(error.half_width > 0 for error in self._errors([*self.inputs, *self._inner(), TOP], ones))

    def half_width(self, values: Mapping[str, float] | None = None) -> float:
        """Return the bound of error at the values of the inputs; NaN where one that matters is missing."""
        return self._found(values or {}, standard=False).half_width

    def standard(self, values: Mapping[str, float] | None = None) -> float:
        """Return the combined standard uncertainty at the values of the inputs; NaN likewise."""
        return self._found(values or {}).standard

    def step(self, values: Mapping[str, float] | None = None) -> float:
        """Return the display step: those of all inputs, each as far as it moves the quantity."""
        slopes = self._slopes(values or {})
        own = [e for e in self._errors(slopes, values or {}) if _is_rounding(e)]
        return math.fsum(2 * e.half_width * abs(slopes[e.variable]) for e in own)

    def budget(self, values: Mapping[str, float] | None = None) -> Budget:
        """Return the budget at the values of the inputs (cold junctions' channels may be among them)."""
        return self._found(values or {})

    def _found(self, values: Mapping[str, float], *, standard: bool = True, rounding: bool = True) -> Budget:
        slopes = self._slopes(values)
        errors = [e for e in self._errors(slopes, values) if rounding or not _is_rounding(e)]
        parts = tuple(
            Contribution(
                source=e.source,
                cause=e.cause,
                shape=e.shape,
                half_width=e.half_width,
                standard=e.standard,
                sensitivity=slopes[e.variable] * e.coefficient,
            )
            for e in errors
            if e.half_width > 0 or math.isnan(e.half_width)
        )
        bound = math.fsum(
            map(abs, by_cause([(p.cause, p.sensitivity * p.half_width) for p in parts]).values())
        )
        sigma = combined([*by_cause([(p.cause, p.sensitivity * p.standard) for p in parts]).values()])
        bends = False
        if self._expression is not None and not self._expression.is_linear and not math.isnan(bound):
            spread = Spread(self._expression, [e for e in errors if e.half_width > 0], slopes, values)
            bends = spread.bends(sigma)
            bound = max(bound, spread.farthest())
            if bends:
                sigma = spread.drawn() if standard else math.nan
        return Budget(
            value=self._value(values),
            contributions=parts,
            not_stated=tuple(self._not_stated()),
            standard=sigma,
            half_width=bound,
            bends=bends,
        )

    def _value(self, values: Mapping[str, float]) -> float:
        if self._expression is not None:
            return float(self._expression.values(values))
        return values.get(self.inputs[0], math.nan) if self.inputs else math.nan

    def _inner(self) -> list[str]:
        return list(self._expression.inner) if self._expression else []

    def _slopes(self, values: Mapping[str, float]) -> dict[str, float]:
        """Return the derivative by every variable; NaN by what a missing value decides."""
        if self._expression is None:
            return dict.fromkeys(self.inputs, 1.0)
        missing = any(math.isnan(values.get(name, math.nan)) for name in self.inputs)
        if missing and not self._expression.is_linear:
            return {**dict.fromkeys([*self.inputs, *self._inner()], math.nan), TOP: 1.0}
        return {**self._expression.gradient(values), TOP: 1.0}

    def _errors(self, variables: Iterable[str], values: Mapping[str, float]) -> list[SourceError]:
        found: list[SourceError] = []
        for name in variables:
            channel = self.channel if name == TOP else self._channels.get(name)
            if channel is None:
                continue
            value = values.get(name, math.nan)
            if channel.formula is not None and channel.accuracy_share > 0:
                computed = _expression(channel.formula, self._channels)
                value = float(computed.values(values)) if computed else math.nan
            found += _errors_of(channel, name, value)
            junction = self._junction_of(channel)
            if junction is not None:
                cold = values.get(junction.name, JUNCTION_C)
                slope = junction_slope(channel, value, cold)
                found += _errors_of(junction, name, cold, slope)
        return found

    def _junction_of(self, channel: Channel) -> Channel | None:
        """Return the channel that reads the cold junction of a thermocouple."""
        wanted = _junction(channel)
        if wanted is None:
            return None
        for one in self._channels.values():
            source = one.source
            if source is not None and (source.instrument, source.field) == wanted:
                return one
        return None

    def _not_stated(self) -> Iterator[str]:
        for name in self.inputs:
            channel = self._channels.get(name)
            if channel is None:
                yield f"everything of {name}"
                continue
            if not (channel.accuracy or channel.accuracy_share):
                yield f"accuracy of {name}"
            if not channel.resolution:
                yield f"resolution of {name}"
            if not channel.calibration.uncertainty:
                yield f"uncertainty of the calibration of {name}"
            wanted, junction = _junction(channel), self._junction_of(channel)
            if wanted and not (junction and (junction.accuracy or junction.accuracy_share)):
                yield f"accuracy of the cold junction of {name} ({'.'.join(wanted)})"

    # ---- time

    def lag(self, values: Mapping[str, float] | None = None, rates: Mapping[str, float] | None = None) -> Lag:
        """Return the time constant of the quantity.

        rates: how fast each input changes at most near the moment, in its unit a second. With x = y + tau y'
        for each input, the quantity is f + sum tau_i f_i y_i'. That is f + tau f' for one input's tau, but
        for sum (tau_i - tau) f_i y_i', which ``level`` bounds; the input is chosen that leaves the least of
        it. Without rates the lag lies anywhere between the inputs' least and greatest, and ``level`` is 0:
        that holds only as long as inputs that work against each other do not move at once.
        """
        lags = [(c.lag_s, c.lag_tolerance_s) for c in self._measured]
        own = [(c.lag_s, c.lag_tolerance_s) for c in self._computed if c.lag_s > 0]
        if own:  # a lag that is written at a formula stands for inputs of which none is known
            lags, rates = [*(lag for lag in lags if lag[0] > 0), *own], None
        least = min((lag - tolerance for lag, tolerance in lags), default=0.0)
        most = max((lag + tolerance for lag, tolerance in lags), default=0.0)
        hull = Lag(lag_s=(least + most) / 2, tolerance_s=(most - least) / 2, level=0.0)
        if rates is None or not self.needs_rates:
            return hull
        slopes = self._slopes(values or {})
        moves = [abs(slopes[c.name]) * rates.get(c.name, math.inf) for c in self._measured]
        choices = []
        for mine, (lag, tolerance) in enumerate(lags):
            spans = [abs(other - lag) + off + tolerance for other, off in lags]
            rest = [
                span * move
                for k, (span, move) in enumerate(zip(spans, moves, strict=True))
                if k != mine and span > 0
            ]
            level = math.fsum(rest) if not any(map(math.isnan, rest)) else math.inf
            choices.append(Lag(lag_s=lag, tolerance_s=tolerance, level=level))
        return min(choices, key=lambda one: one.level)

    def bounds(
        self, values: Mapping[str, float] | None = None, rates: Mapping[str, float] | None = None
    ) -> ReadingBounds:
        """Return what bounds a reading near these values of the inputs, which change so fast at most.

        An error that cannot be told because an input's value is missing counts as not stated.
        """
        lag, step = self.lag(values, rates), self.step(values)
        half = self._found(values or {}, standard=False, rounding=False).half_width
        windows = [c.averaging_s for c in self._measured]
        windows += [c.averaging_s for c in self._computed if c.averaging_s > 0]
        return ReadingBounds(
            half_width=0.0 if math.isnan(half) else half,
            lag_level=lag.level,
            step=step if math.isfinite(step) else 0.0,
            lag_s=lag.lag_s,
            lag_tolerance_s=lag.tolerance_s,
            averaging_s=max(windows, default=0.0),
            averaging_least_s=min(windows, default=0.0),
        )


def display_steps(layout: Layout) -> dict[str, float]:
    """Return the display step of every channel; 0 where none is known, or the readings would have to say."""
    steps = {name: MeasurementModel(one, layout.channels).step() for name, one in layout.channels.items()}
    return {name: step if math.isfinite(step) else 0.0 for name, step in steps.items()}


def accuracy_words(channel: Channel) -> str:
    """Return the accuracy as the rig file states it, "" where it states none."""
    parts = []
    if channel.accuracy_share:
        parts.append(f"{100 * channel.accuracy_share:.4g} % of reading")
    if channel.accuracy:
        parts.append(f"{channel.accuracy:.4g} {difference_unit(channel.unit_of_measure)}")
    return " + ".join(parts)


def certificate_words(channel: Channel) -> tuple[str, ...]:
    """Return the calibration's certificate and its standard uncertainty, as far as they are stated."""
    found, unit = channel.calibration, difference_unit(channel.unit_of_measure)
    certificate = (f"certificate {found.certificate}",) if found.certificate else ()
    return (*certificate, f"u = {found.uncertainty:.2g} {unit}") if found.uncertainty else certificate


def junction_slope(channel: Channel, hot_c: float, cold_c: float) -> float:
    """Return how far a thermocouple's temperature moves with that of its cold junction, in K/K.

    That is the ratio of the slopes of the emf there; 1 where the temperatures are not known.
    """
    curve = channel.source.convert if channel.source else None
    if curve is None or not curve.startswith("thermocouple "):
        return 1.0
    letter = curve.removeprefix("thermocouple ")[0]
    try:
        here, there = (_emf_slope(letter, at) for at in (cold_c, hot_c))
    except ValueError:
        return 1.0
    return here / there * channel.calibration.gain if there > 0 else 1.0


def _emf_slope(letter: str, at_c: float) -> float:
    """Return the slope of a thermocouple's emf in mV/K, by central differences over 1 K."""
    return thermocouple_mv(letter, at_c + 0.5) - thermocouple_mv(letter, at_c - 0.5)


def _is_rounding(error: SourceError) -> bool:
    """Return whether an error is the rounding of a reading that the formula takes (or that it is)."""
    return error.cause[0] == "resolution" and error.variable in {error.cause[1], TOP}


def _junction(channel: Channel) -> tuple[str, str] | None:
    """Return instrument and field of a channel's cold junction."""
    source = channel.source
    return (source.instrument, source.cold_junction) if source and source.cold_junction else None


def _expression(
    formula: str, channels: Mapping[str, Channel], within: tuple[str, ...] = ()
) -> Expression | None:
    """Return a formula with those of its inputs put in; None for what is no formula."""
    try:
        bare = Expression(formula)
        inner = {}
        for name in bare.names:
            text = channels[name].formula if name in channels and name not in within else None
            found = _expression(text, channels, (*within, name)) if text is not None else None
            if found is not None:
                inner[name] = found
        return Expression(formula, inner)
    except FormulaError:
        return None


def _errors_of(channel: Channel, variable: str, value: float, coefficient: float = 1.0) -> list[SourceError]:
    """Return the errors that the rig file states for one channel at a value."""
    share = channel.accuracy_share * abs(value) if channel.accuracy_share > 0 else 0.0
    half, step = channel.accuracy + share, channel.resolution / 2
    sigma = channel.calibration.uncertainty
    certificate = channel.calibration.certificate
    known = (
        ("accuracy", channel.name, ErrorShape.RECTANGULAR, half, rectangular(half)),
        ("resolution", channel.name, ErrorShape.RECTANGULAR, step, rectangular(step)),
        ("calibration", certificate or channel.name, ErrorShape.NORMAL, BOUND_K * sigma, sigma),
    )
    at = channel.name if variable in {channel.name, TOP} else f"{channel.name}, cold junction of {variable}"
    return [
        SourceError(
            variable=variable,
            source=f"{what} of {at}"
            + (f" (certificate {who})" if what == "calibration" and certificate else ""),
            cause=(what, who) if what != "calibration" or not certificate else ("certificate", who),
            shape=shape,
            half_width=bound,
            standard=standard,
            coefficient=coefficient,
        )
        for what, who, shape, bound, standard in known
    ]
