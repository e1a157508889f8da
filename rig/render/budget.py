"""The measurement uncertainty of every channel of a rig file, item by item (``soakrig check --budget``)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from rig.domain.formatting import NOTHING, figure, plain
from rig.domain.model import Channel, Layout, Side
from rig.domain.uncertainty import COVERAGE_K, Budget, Contribution, MeasurementModel, ReadingBounds
from rig.domain.units import difference_unit
from rig.errors import UsageError
from rig.render.text_layout import table, terminal_width, titled, wrapped

_INTRO = (
    "What the rig file states of each channel's measurement: errors, each with its distribution, its bound, "
    "its standard uncertainty u, how far the channel moves with it (sensitivity), its share of the variance. "
    "Errors of one cause are added with their signs. Noise, mounting and drift are not in it."
)


def budgets(layout: Layout, at: Sequence[str] = (), width: int | None = None) -> str:
    """Return the uncertainty budget of every channel.

    at: ``CHANNEL=VALUE`` each, in the channel's unit: where the errors are wanted; others are taken at their
    limit or in the middle of what is plausible. Raises UsageError for a channel or a value that is none.
    """
    width = width or terminal_width()
    values = {**_usual(layout), **dict(_given(one, layout) for one in at)}
    lines = [f"{plain(layout.rig)}: measurement uncertainty", *wrapped(_INTRO, width)]
    for channel in layout.channels.values():
        lines += _channel(channel, MeasurementModel(channel, layout.channels), values, width)
    return "\n".join(lines)


def two_digits(value: float) -> str:
    """Return an uncertainty to two significant digits (GUM 7.2.6): 1.2254 is 1.2, 0.99999 is 1.0."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else NOTHING
    rounded = float(f"{value:.1e}")
    return f"{rounded:.{max(0, _last_place(rounded))}f}"


def beside(value: float, uncertainty: float) -> str:
    """Return a value to the decimal place that its uncertainty is given to (GUM 7.2.6)."""
    if not math.isfinite(value):
        return NOTHING
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return figure(value)
    places = _last_place(float(f"{uncertainty:.1e}"))
    return f"{round(value, places):.{max(0, places)}f}"


def _last_place(value: float) -> int:
    """Return the decimal place of the second significant digit: 1 for 1.2, 2 for 0.12, -1 for 120."""
    return 1 - math.floor(math.log10(abs(value)))


def _usual(layout: Layout) -> dict[str, float]:
    """Return the value of each measured channel that matters most: its limit, or the middle of its range."""
    found = {}
    for channel in layout.channels.values():
        if channel.formula is not None:
            continue
        limits = sorted(channel.limits, key=lambda limit: limit.side is not Side.HIGH)
        if limits:
            found[channel.name] = limits[0].value
        elif channel.plausible:
            found[channel.name] = sum(channel.plausible) / 2
    return found


def _given(text: str, layout: Layout) -> tuple[str, float]:
    name, _, number = text.partition("=")
    channel = layout.channels.get(name)
    if channel is None or channel.formula is not None:
        known = ", ".join(c.name for c in layout.channels.values() if c.formula is None)
        raise UsageError(f"--at {text}: there is no measured channel {name!r}; there are: {known}")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(
            f"--at {text}: {number!r} is not a number; write {name}=VALUE in {channel.unit_of_measure}"
        )
    return name, value


def _channel(channel: Channel, model: MeasurementModel, values: Mapping[str, float], width: int) -> list[str]:
    budget = model.budget(values)
    step = difference_unit(channel.unit_of_measure)
    title = channel.name if channel.formula is None else f"{channel.name} = {channel.formula}"
    lines = titled(title, width)
    lacking = [name for name in model.inputs if name not in values]
    if math.isnan(budget.standard):
        words = f"it depends on the values of {', '.join(lacking or model.inputs)}: write --at CHANNEL=VALUE"
        return lines + wrapped(words, width)
    if budget.contributions:
        lines += table(_rows(budget), width, frozenset({2, 3, 4, 5}))
        lines += wrapped(_sum(budget, channel.unit_of_measure, step), width)
    if channel.formula is not None and model.needs_values:
        inputs = ", ".join(f"{name} {figure(values[name])}" for name in model.inputs if name in values)
        lines += wrapped(f"worked out at {inputs}", width)
    if budget.not_stated:
        lines += wrapped(f"not stated: {', '.join(budget.not_stated)}", width)
    if words := _time(model.bounds(values), mixed=model.needs_rates):
        lines += wrapped(words, width)
    return lines


def _rows(budget: Budget) -> list[tuple[str, ...]]:
    titles = ("error", "distribution", "half-width", "u", "sensitivity", "share")
    return [titles, *(_row(budget, one) for one in budget.contributions)]


def _row(budget: Budget, one: Contribution) -> tuple[str, ...]:
    return (
        one.source,
        one.shape.value,
        two_digits(one.half_width),
        two_digits(one.standard),
        figure(one.sensitivity, 3),
        f"{100 * budget.share(one):.0f} %",
    )


def _sum(budget: Budget, unit: str, step: str) -> str:
    at = f"at {beside(budget.value, budget.standard)} {unit}: " if math.isfinite(budget.value) else ""
    if not math.isfinite(budget.standard):
        return f"{at}no uncertainty can be stated: within its errors the formula has no result"
    how = "; the formula bends over these errors: u by Monte Carlo (JCGM 101)" if budget.bends else ""
    return (
        f"{at}combined u = {two_digits(budget.standard)} {step}, U = {two_digits(budget.expanded)} {step} "
        f"(k = {COVERAGE_K:g}), bound of error {two_digits(budget.half_width)} {step}{how}"
    )


def _time(bounds: ReadingBounds, *, mixed: bool) -> str:
    parts = []
    if bounds.lag_s > 0:
        lag = f"lag {figure(bounds.lag_s, 3)} s +- {figure(bounds.lag_tolerance_s, 2)} s"
        parts.append(lag + (", between those of its inputs" if mixed else ""))
    if bounds.averaging_s > 0:
        least = f"{figure(bounds.averaging_least_s, 3)} to " if bounds.shift_tolerance_s else ""
        parts.append(f"averaged over {least}{figure(bounds.averaging_s, 3)} s")
    return "; ".join(parts)
