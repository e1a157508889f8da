"""Numbers, quantities, times and foreign text as printed: the same on every screen and in every report."""

from __future__ import annotations

import math
from datetime import UTC, datetime, tzinfo
from decimal import Decimal

from rig.domain.units import PREFIXES, takes_prefix

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
NOTHING = "-"
"""What stands where there is no number to show."""

_WIDENERS = frozenset(range(0xFE00, 0xFE10)) | {0x200D, 0x20E3}
"""Variation selectors, joiner, keycap: terminals disagree about the width of what they make."""


def plain(text: str) -> str:
    """Return text that came from outside with everything replaced that could move a cursor or hide.

    Control characters, escape sequences' first bytes, direction overrides, lone surrogates and
    variation selectors become U+FFFD; the text keeps its number of characters.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c.isprintable() and ord(c) not in _WIDENERS else REPLACEMENT for c in text)


_CELLS = 10
"""Characters that a number may take as plain digits: the width of a column of values."""
_SMALLEST, _LARGEST = 1e-4, 1e9
"""Between these a number is always printed as plain digits; common practice, no source."""
_PREFIX_BELOW, _PREFIX_FROM = 1e-3, 1e6
"""Outside of these a value gets a unit with an SI prefix; common practice, no source."""


def number(value: float, resolution: float = 0.0, significant: int = 4) -> str:
    """Return a value rounded to its resolution, or to ``significant`` digits where that is unknown (0).

    Ordinary sizes are plain digits, never with an exponent; ``-`` for NaN and infinity.
    """
    if not math.isfinite(value):
        return NOTHING
    if resolution > 0:
        decimals = -math.floor(math.log10(resolution) + 1e-9)
    elif value == 0:
        decimals = 1
    else:
        decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    text = _digits(value, decimals)
    if len(text) > _CELLS and _SMALLEST <= abs(value) < _LARGEST:
        text = _digits(value, max(min(decimals, 0), decimals - (len(text) - _CELLS)))
    elif len(text) > _CELLS and float(text):
        resolved = math.floor(math.log10(abs(value))) + decimals
        text = f"{value:.{max(0, min(significant - 1, resolved))}e}"
    return text.removeprefix("-") if float(text) == 0 else text


def _digits(value: float, decimals: int) -> str:
    """Return plain digits, rounded to ``10 ** -decimals``."""
    if decimals < 0:
        scale = 10.0**-decimals
        value = round(value / scale) * scale
    return f"{value:.{max(0, decimals)}f}"


def quantity(value: float | None, unit: str, resolution: float = 0.0, significant: int = 4) -> str:
    """Return a reading with its unit of measure: ``95.3 degC``, ``12.5 uA``; ``no value`` for None and NaN.

    resolution: of the channel, in its unit of measure; 0 where it is unknown. Small values, and large ones
    of unknown resolution, get an SI prefix where the unit takes one.
    """
    if value is None or not math.isfinite(value):
        return "no value"
    size = abs(value)
    small = max(resolution / 2, 0.0) < size < _PREFIX_BELOW
    large = size >= _PREFIX_FROM and resolution <= 0
    if (small or large) and takes_prefix(unit):
        prefix, power = _prefix(size)
        value, resolution, unit = value / 10.0**power, resolution / 10.0**power, prefix + unit
    text = number(value, resolution, significant)
    if resolution <= 0 and "." in text and "e" not in text:
        text = text.rstrip("0").rstrip(".")  # zeros would claim a resolution that is unknown
    return _with_unit(text, unit)


def beside_limit(value: float, limit: float, unit: str, resolution: float = 0.0) -> str:
    """Return a reading next to its limit: ``0 W`` below 40 W, not ``1.125 uW``, where no resolution is known.

    Without a resolution the reading has the step of the limit's fourth digit, or a finer one where it would
    otherwise look equal to the limit.
    """
    if resolution > 0 or limit == 0 or not math.isfinite(value):
        return quantity(value, unit, resolution)
    first = 3 - math.floor(math.log10(abs(limit)))
    for decimals in range(first, first + 9):
        rounded = round(value, decimals)
        if rounded != limit or value == limit:
            break
    return _with_unit(setting(rounded), unit)


def setting(value: float, unit: str = "") -> str:
    """Return a configured value, such as a limit, with all its digits: ``252.5 V``, ``50 uA``."""
    if not math.isfinite(value):
        return "none"
    if 0 < abs(value) < _PREFIX_BELOW and takes_prefix(unit):
        prefix, power = _prefix(abs(value))
        value, unit = value / 10.0**power, prefix + unit
    text = f"{value:.12g}"
    if "e" in text and _SMALLEST * 1e-3 <= abs(value) < _LARGEST * 1e3:
        text = f"{Decimal(text):f}"
    return _with_unit(text, unit)


def with_tolerance(value: float, tolerance: float, unit: str) -> str:
    """Return a setting and how far it may be off: ``212 ± 4 V``."""
    return f"{setting(value)} ± {setting(tolerance, unit)}"


def _prefix(size: float) -> tuple[str, int]:
    """Return the largest SI prefix not above ``size``, and its power of ten."""
    fitting = [one for one in PREFIXES.items() if 10.0 ** one[1] <= size]
    return max(fitting or [("p", PREFIXES["p"])], key=lambda one: one[1])


def _with_unit(digits: str, unit: str) -> str:
    return digits if unit in {"", "1"} else f"{digits} {unit}"


_STEPS = ((60.0, "s", 1.0), (3600.0, "min", 60.0), (48 * 3600.0, "h", 3600.0), (math.inf, "d", 86400.0))


def duration(seconds: float) -> str:
    """Return a length of time in one unit, with two or three digits: ``0.8 s``, ``12 min``, ``3.4 h``."""
    if not math.isfinite(seconds):
        return NOTHING
    size = abs(seconds)
    sign = "-" if seconds < 0 else ""
    if size < 0.5e-6:
        return "0 s"
    if size < 0.9995e-3:
        return f"{sign}{size * 1e6:.0f} us"
    if size < 0.9995:
        return f"{sign}{size * 1e3:.0f} ms" if size < 0.0995 else f"{sign}{size:.2g} s"
    for bound, name, length in _STEPS:
        shown = size / length
        text = f"{shown:.1f}" if shown < 9.95 else f"{shown:.0f}"
        if size < bound and float(text) * length < bound:
            return f"{sign}{text.removesuffix('.0')} {name}"
    return NOTHING


_SPANS = ((120.0, "s", 1.0), (7200.0, "min", 60.0), (math.inf, "h", 3600.0))


def time_span(low_s: float, high_s: float) -> str:
    """Return an interval of lengths of time in one unit: ``9-15 min``, ``>9 min``, ``<15 min``.

    low_s 0: there is no lower bound worth naming; high_s infinite: no upper one.
    """
    if not math.isfinite(high_s):
        return f">{duration(low_s)}"
    if low_s <= 0:
        return f"<{duration(high_s)}"
    name, length = next((name, length) for bound, name, length in _SPANS if high_s < bound)
    decimals = int(high_s / length < 9.95 and name == "h")
    low, high = (f"{s / length:.{decimals}f}" for s in (low_s, high_s))
    return f"{high} {name}" if low == high else f"{low}-{high} {name}"


def moment(t_ns: int, zone: tzinfo | None = UTC) -> datetime:
    """Return UTC ns as a date and time in ``zone`` (None: the zone of this machine), cut to microseconds."""
    return (
        datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)
        .replace(microsecond=t_ns // 1000 % 1_000_000)
        .astimezone(zone)
    )


def clock_time(t_ns: int, zone: tzinfo | None = UTC, decimals: int = 0) -> str:
    """Return hours, minutes and seconds, cut (never rounded up) after ``decimals`` digits."""
    text = moment(t_ns, zone).strftime("%H:%M:%S.%f")
    return text[: 8 + (decimals + 1 if decimals else 0)]


def stamp(t_ns: int, zone: tzinfo | None = UTC, decimals: int = 0) -> str:
    """Return date, time and offset: ``2031-02-03 14:05:06 +01:00``, or ``... UTC`` where the zone is UTC."""
    when = moment(t_ns, zone)
    offset = when.strftime("%z")
    suffix = "UTC" if zone is UTC else f"{offset[:3]}:{offset[3:5]}"
    return f"{when:%Y-%m-%d} {clock_time(t_ns, zone, decimals)} {suffix}"


def counted(count: int, one: str, many: str = "") -> str:
    """Return ``1 reading``, ``2 readings``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def in_hours(hours: float) -> str:
    """Return a number of hours with the digits that mean something: ``12,345``, ``3.21``."""
    return f"{hours:,.0f}" if abs(hours) >= 100 else f"{hours:.3g}"


def size(count: int) -> str:
    """Return a number of bytes in words, in powers of ten."""
    for bound, name in ((1e3, "B"), (1e6, "kB"), (1e9, "MB"), (1e12, "GB")):
        if count < bound * 0.9995:
            return f"{count / (bound / 1e3):.3g} {name}"
    return f"{count / 1e12:.4g} TB"


_SMALL = 1e-6
"""Below this a figure keeps its exponent (common practice, no source)."""


def figure(value: float, digits: int = 5, *, near: float = 0.0) -> str:
    """Return a value to ``digits`` significant digits, without an exponent from 1e-6 on.

    near: a value of the usual size, such as the limit: ``digits`` count from its first, so that what is left
    of 72 W after a shutdown reads 0 and not 2.45e-05.
    """
    if not math.isfinite(value):
        return NOTHING
    if near and math.isfinite(near):
        value = round(value, digits - 1 - math.floor(math.log10(abs(near)))) + 0.0
    text = f"{float(f'{value:.{digits}g}'):.10g}"
    return text if abs(value) < _SMALL else f"{Decimal(text):f}"
