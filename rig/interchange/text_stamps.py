"""Texts of time stamps to UTC nanoseconds: pure, exact, and nothing guessed.

A ``StampReader`` says for every stamp when it was, to what step it is written, and whether something is
remarkable: a leap second, an hour that comes twice or never in its zone. Formats: ISO 8601 (also with a
space, decimal comma, ``Z``, offsets), seconds and their parts since 1970-01-01 UTC, elapsed seconds, and
patterns in the language of ``strptime``.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from decimal import Decimal, InvalidOperation

from rig.errors import shown
from rig.interchange.limits_file import EPOCHS

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
FIRST_NS = -9_000_000_000 * SECOND_NS
LAST_NS = 9_000_000_000 * SECOND_NS
"""1684-10-19 to 2255-03-14: what 64 bits of nanoseconds hold with room to spare."""
LEAP_NS = SECOND_NS
"""How much wider a stamp within a leap second is made: UTC nanoseconds have no name for it."""

_ISO = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)(?:[Tt ] ?(\d\d):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?)?"
    r"\s*(Z|z|UTC|[+-]\d\d(?::?\d\d)?)?",
    re.ASCII,
)
_ISO_BASIC = re.compile(
    r"(\d{4})(\d\d)(\d\d)[Tt](\d\d)(\d\d)(?:(\d\d)(?:[.,](\d+))?)?\s*(Z|z|UTC|[+-]\d\d(?::?\d\d)?)?", re.ASCII
)
_NUMBER = re.compile(r"[+-]?[0-9]{1,25}(?:[.,][0-9]{0,25})?(?:[eE][+-]?[0-9]{1,2})?", re.ASCII)
_FRACTION = re.compile(r"[.,](\d{1,9})(?:\D|$)")
_LEAP = re.compile(r"(\d\d[:.]?\d\d[:.]?)60")


@dataclass(frozen=True, slots=True)
class Stamp:
    """One stamp: UTC ns, the step (ns) it is written to, a remark (``leap``, ``twice``, ``never`` or '')."""

    t_ns: int
    step_ns: int
    remark: str = ""


class StampError(ValueError):
    """A text is no stamp of the expected form. The message says why."""


StampReader = Callable[[str, int | None], Stamp]
"""(text, the stamp before it or None) -> Stamp. Raises StampError."""


def reader(form: str, zone: tzinfo | None, start_ns: int = 0) -> StampReader:
    """Return the reader of a format as a limits file names it; ``zone``: of stamps without one."""
    here = Zoned(zone or UTC)
    if form == "iso":
        return lambda text, before: _iso(text, before, here)
    if form == "elapsed":
        return lambda text, _before: _count(text, SECOND_NS, start_ns)
    if form in EPOCHS:
        return lambda text, _before: _count(text, EPOCHS[form], 0)
    return lambda text, before: _pattern(text, before, form, here)


def names_zone(text: str) -> bool:
    """Return whether an ISO stamp carries its own zone."""
    match = _ISO.fullmatch(text.strip()) or _ISO_BASIC.fullmatch(text.strip())
    return bool(match and match[8])


def moment(text: str, zone: tzinfo | None) -> int:
    """Return the UTC ns of an ISO stamp; ``zone`` for those without (None: this machine's).

    Raises StampError.
    """
    return _iso(text, None, Zoned(zone)).t_ns


class Zoned:
    """Local clock readings to UTC, with hours that come twice settled by the stamp before.

    zone: None for the zone of this machine.
    """

    def __init__(self, zone: tzinfo | None) -> None:
        self._zone = zone
        self._offsets: dict[int, tuple[int, int]] = {}

    def utc(self, local_ns: int, before_ns: int | None) -> tuple[int, str]:
        """Return UTC ns of a local reading and a remark.

        Of two moments with the same reading the first is taken that is not before ``before_ns``. A
        reading that the clock skips is counted on from the hour before the skip (PEP 495).
        """
        early, late = self._at(local_ns)
        first, second = local_ns - early, local_ns - late
        if early == late:
            return first, ""
        if first > second:
            return first, "never"
        return (first if before_ns is None or first >= before_ns else second), "twice"

    def _at(self, local_ns: int) -> tuple[int, int]:
        quarter = local_ns // (900 * SECOND_NS)
        found = self._offsets.get(quarter)
        if found is None:
            naive = datetime(1970, 1, 1) + timedelta(seconds=quarter * 900)  # noqa: DTZ001 - local on purpose
            found = self._offset(naive, 0), self._offset(naive, 1)
            self._offsets[quarter] = found
        return found

    def _offset(self, naive: datetime, fold: int) -> int:
        local = naive.replace(tzinfo=self._zone, fold=fold)
        offset = (local if self._zone else local.astimezone()).utcoffset() or timedelta()
        return round(offset.total_seconds() * SECOND_NS)


_DAYS: dict[tuple[str, str, str], int] = {}


def _day_ns(year: str, month: str, day: str) -> int:
    known = _DAYS.get((year, month, day))
    if known is None:
        if len(_DAYS) > 10_000:
            _DAYS.clear()
        try:
            known = (date(int(year), int(month), int(day)) - date(1970, 1, 1)).days * DAY_NS
        except ValueError as error:
            raise StampError(f"no such day: {year}-{month}-{day} ({error})") from None
        _DAYS[year, month, day] = known
    return known


def _iso(text: str, before_ns: int | None, here: Zoned) -> Stamp:
    bare = text.strip()
    match = _ISO.fullmatch(bare) or _ISO_BASIC.fullmatch(bare)
    if match is None:
        raise StampError(f"{shown(text)} is not a date and time as ISO 8601 writes it")
    year, month, day, hour, minute, second, fraction, offset = match.groups()
    local_ns = _day_ns(year, month, day)
    if hour is None:
        return _settled(local_ns, DAY_NS, offset, before_ns, here)
    h, m, s = int(hour), int(minute), int(second or 0)
    if h > 23 or m > 59 or s > 60:
        raise StampError(f"{shown(text)} has no such time of day")
    step = 60 * SECOND_NS
    if second is not None:
        digits = (fraction or "")[:9]
        step = 10 ** (9 - len(digits))
        local_ns += int(digits or 0) * step
    if s == 60:
        return _leap(local_ns // DAY_NS * DAY_NS + (h * 60 + m + 1) * 60 * SECOND_NS, offset, before_ns, here)
    return _settled(local_ns + ((h * 60 + m) * 60 + s) * SECOND_NS, step, offset, before_ns, here)


def _leap(local_ns: int, offset: str | None, before_ns: int | None, here: Zoned) -> Stamp:
    """Return the end of a leap second; the step says that it is known to the second only."""
    stamp = _settled(local_ns, SECOND_NS, offset, before_ns, here)
    if stamp.t_ns % DAY_NS:
        raise StampError("a 60th second that is not the last of a day in UTC")
    return Stamp(stamp.t_ns, SECOND_NS, "leap")


def _settled(local_ns: int, step: int, offset: str | None, before_ns: int | None, here: Zoned) -> Stamp:
    if offset is None:
        t_ns, remark = here.utc(local_ns, before_ns)
        return _kept(t_ns, step, remark)
    if offset in {"Z", "z", "UTC"}:
        return _kept(local_ns, step)
    digits = offset[1:].replace(":", "").ljust(4, "0")
    size = (int(digits[:2]) * 60 + int(digits[2:])) * 60 * SECOND_NS
    if size > DAY_NS:
        raise StampError(f"no zone is {shown(offset)} from UTC")
    return _kept(local_ns - size if offset[0] == "+" else local_ns + size, step)


def _kept(t_ns: int, step: int, remark: str = "") -> Stamp:
    if not FIRST_NS <= t_ns <= LAST_NS:
        raise StampError("a time outside of 1685 to 2255, which cannot be kept")
    return Stamp(t_ns, step, remark)


def _count(text: str, unit_ns: int, start_ns: int) -> Stamp:
    bare = text.strip()
    if _NUMBER.fullmatch(bare) is None:
        raise StampError(f"{shown(text)} is not a number")
    try:
        number = Decimal(bare.replace(",", "."))
    except InvalidOperation:  # pragma: no cover - the pattern leaves nothing else
        raise StampError(f"{shown(text)} is not a number") from None
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    if number and number.adjusted() > 20:
        raise StampError(f"{shown(text)} is too large for a time")
    # A number without fraction may end in zeros and still mean every one of them.
    step = unit_ns * 10**exponent if exponent > 0 else max(1, unit_ns // 10 ** min(-exponent, 30))
    return _kept(start_ns + int((number * unit_ns).to_integral_value()), step)


def _pattern(text: str, before_ns: int | None, form: str, here: Zoned) -> Stamp:
    bare = " ".join(text.split())
    leap = ""
    try:
        when = datetime.strptime(bare, form)  # noqa: DTZ007 - the zone is settled below
    except ValueError:
        leap = _LEAP.sub(r"\g<1>59", bare, count=1)
        try:
            when = datetime.strptime(leap, form)  # noqa: DTZ007 - as above
        except (ValueError, OverflowError):
            raise StampError(f"{shown(text)} is not of the form {form}") from None
        if leap == bare or when.second != 59:
            raise StampError(f"{shown(text)} is not of the form {form}") from None
    except (OverflowError, re.error) as error:
        raise StampError(f"{shown(text)} cannot be read as {form}: {error}") from None
    step = _step(bare, form)
    offset = when.utcoffset()
    naive = when.replace(tzinfo=None)
    local_ns = (naive - datetime(1970, 1, 1)) // timedelta(microseconds=1) * 1000  # noqa: DTZ001 - local
    if offset is not None:
        local_ns -= round(offset.total_seconds() * SECOND_NS)
    place = None if offset is None else "Z"
    if leap:
        return _leap((local_ns // SECOND_NS + 1) * SECOND_NS, place, before_ns, here)
    return _settled(local_ns, step, place, before_ns, here)


def _step(bare: str, form: str) -> int:
    if "%f" in form:
        fractions = _FRACTION.findall(bare)
        return int(10 ** (9 - len(fractions[-1]))) if fractions else 1000
    if any(word in form for word in ("%S", "%c", "%X", "%T")):
        return SECOND_NS
    if "%M" in form or "%R" in form:
        return 60 * SECOND_NS
    return 3600 * SECOND_NS if "%H" in form or "%I" in form else DAY_NS
