"""What each column of a table is for: stamps, channels, statuses; by name, by content, by the limits file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Channel, Status
from rig.domain.units import UnitError, unit_of_measure
from rig.errors import ConfigError, ConfigFault, UsageError, shown
from rig.interchange import text_stamps
from rig.interchange.dialect import bare
from rig.interchange.limits_file import Meaning, TableSection
from rig.interchange.text_stamps import StampError, StampReader
from rig.rigfile.node import near

STATUS_SUFFIX = " status"
_HINT = re.compile(r"time|date|stamp|utc|epoch", re.IGNORECASE)
_CLOCK = re.compile(r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[AaPp][Mm])?", re.ASCII)
_WHOLE = re.compile(r"\d{9,20}(?:[.,]\d*)?", re.ASCII)
_EPOCH_FROM = {"epoch-s": 3e8, "epoch-ms": 3e11, "epoch-us": 3e14, "epoch-ns": 3e17}
"""Smallest number taken for a stamp of each kind: 1979. Each kind ends below the next."""
_DATES = ("%d.%m.%Y", "%d.%m.%y", "%d/%m/%Y", "%m/%d/%Y", "%d/%m/%y", "%m/%d/%y", "%Y/%m/%d", "%Y.%m.%d",
          "%d-%m-%Y", "%m-%d-%Y", "%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%b %d %Y")  # fmt: skip
_TIMES = (" %H:%M:%S", " %H:%M:%S.%f", " %H:%M:%S,%f", " %H:%M", " %I:%M:%S %p", " %I:%M %p", "T%H:%M:%S",
          ", %H:%M:%S", "")  # fmt: skip
PATTERNS = tuple(day + time for day in _DATES for time in _TIMES)
_TRIED = 300
"""How many lines of the sample the patterns are tried on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StampColumns:
    """Where the stamps are and how they are read. said: sentences on what was found out."""

    columns: tuple[int, ...]
    form: str
    read: StampReader
    said: tuple[str, ...]

    def text(self, row: Sequence[str]) -> str:
        """Return the text of a row's stamp; '' where cells are missing."""
        if len(self.columns) == 1:
            at = self.columns[0]
            return row[at] if at < len(row) else ""
        return " ".join(row[at].strip() for at in self.columns if at < len(row))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wide:
    """Columns of the wide form: channels, their columns, and the columns of their statuses (-1: none)."""

    channels: tuple[str, ...]
    columns: tuple[int, ...]
    statuses: tuple[int, ...]
    scales: tuple[tuple[float, float], ...]
    unused: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Long:
    """Columns of the long form (-1: none). named: text in the channel column -> channel."""

    channel: int
    value: int
    status: int
    half_width: int
    named: Mapping[str, str]


def clock(names: Sequence[str], rows: Sequence[Sequence[str]], meaning: Meaning, name: str) -> StampColumns:
    """Return where the stamps of a text table are. Raises UsageError with what to write if that is open."""
    wanted = meaning.time.column
    rows = [row for row in rows if any(cell.strip() for cell in row)][:_TRIED]
    said: list[str] = []
    if wanted:
        listed = (wanted,) if isinstance(wanted, str) else wanted
        columns = tuple(_index(one, names, "time.column", name) for one in listed)
        form = meaning.time.format or _form(_texts(rows, columns), name, listed[0])
        if not form:
            raise UsageError(_no_form(name, " + ".join(listed), _texts(rows, columns)))
    else:
        columns, form, said = _search(names, rows, meaning.time.format, name)
    start_ns = 0
    if meaning.time.start:
        try:
            start_ns = text_stamps.moment(meaning.time.start, meaning.time.zone or UTC)
        except StampError as error:
            raise UsageError(f"{meaning.file}: time.start: {error}") from None
    texts = _texts(rows, columns)
    joined = " + ".join(repr(names[k]) for k in columns)
    said.insert(0, f"stamps from {joined}, format {form}")
    if _is_naive(form, texts):
        zone = meaning.time.zone
        said.append(
            f"timestamps without a zone: taken as {zone or 'UTC, because the limits file names none'}"
        )
    return StampColumns(
        columns=columns,
        form=form,
        read=text_stamps.reader(form, meaning.time.zone, start_ns),
        said=tuple(said),
    )


def _is_naive(form: str, texts: Sequence[str]) -> bool:
    if form == "iso":
        return not all(text_stamps.names_zone(one) for one in texts if one.strip())
    return "%" in form and "%z" not in form


def _index(wanted: str, names: Sequence[str], key: str, file: str) -> int:
    for k, one in enumerate(names):
        if wanted in {one, bare(one)}:
            return k
    raise UsageError(
        f"{file}: there is no column {wanted!r} ({key} in the limits file); {near(wanted, names)}"
    )


def _texts(rows: Sequence[Sequence[str]], columns: Sequence[int]) -> list[str]:
    return [" ".join(row[k].strip() for k in columns if k < len(row)) for row in rows]


def _search(
    names: Sequence[str], rows: Sequence[Sequence[str]], wanted: str, file: str
) -> tuple[tuple[int, ...], str, list[str]]:
    """Return columns and format of the stamps, and sentences."""
    found: dict[int, str] = {}
    for k, one in enumerate(names):
        form = _form(_texts(rows, (k,)), file, one, wanted, number_ok=bool(_HINT.search(one)) or k == 0)
        if form:
            found[k] = form
    if not found:
        first = " | ".join(rows[0]) if rows else ""
        raise UsageError(
            f"{file}: no column with recognisable timestamps; the first data line is {shown(first)}; write "
            "time: {column: ..., format: ...} (elapsed with a start for seconds that begin at 0)"
        )
    # a column that names its zone, then one called utc, then the leftmost
    best = min(found, key=lambda k: (not _named_zone(rows, k), "utc" not in names[k].lower(), k))
    others = [names[k] for k in found if k != best]
    clock_column = next(
        (k for k in range(len(names)) if k not in found and _all_clock(_texts(rows, (k,)))), None
    )
    if clock_column is not None and ":" not in _texts(rows, (best,))[0]:
        form = _form(_texts(rows, (best, clock_column)), file, names[best], wanted)
        if form:
            return (best, clock_column), form, []
    said = [f"{one!r} holds times too and was not used" for one in others]
    return (best,), found[best], said


def _named_zone(rows: Sequence[Sequence[str]], k: int) -> bool:
    texts = [one for one in _texts(rows, (k,)) if one]
    return bool(texts) and all(text_stamps.names_zone(one) for one in texts[:20])


def _all_clock(texts: Sequence[str]) -> bool:
    filled = [one for one in texts if one]
    return bool(filled) and all(_CLOCK.fullmatch(one) for one in filled)


def _form(texts: Sequence[str], file: str, column: str, wanted: str = "", *, number_ok: bool = True) -> str:
    """Return the format that fits the most of these texts, '' if none fits half of them.

    Raises UsageError where two patterns fit equally well.
    """
    filled = [one for one in texts if one.strip()]
    if not filled:
        return ""
    fits = {one: _fits(filled, one) for one in ([wanted] if wanted else ["iso"])}
    if not wanted and fits["iso"] * 2 < len(filled):
        few = [one for one in PATTERNS if _fits(filled[:3], one)]
        fits |= {one: _fits(filled, one) for one in few}
        if number_ok:
            fits |= _epochs(filled)
    most = max(fits.values())
    if most * 2 < len(filled) or most == 0:
        return ""
    best = [one for one, count in fits.items() if count == most]
    if len(best) > 1:
        raise UsageError(
            f"{file}: the stamps of {column!r} such as {shown(filled[0])} fit "
            f"{' and '.join(map(repr, best))} alike; write time: {{format: ...}} with the right one"
        )
    return best[0]


def _fits(texts: Sequence[str], form: str) -> int:
    read = text_stamps.reader(form, None)
    count = 0
    for one in texts:
        try:
            read(one, None)
            count += 1
        except StampError:
            continue
    return count


def _epochs(texts: Sequence[str]) -> dict[str, int]:
    numbers = [float(one.strip().replace(",", ".")) for one in texts if _WHOLE.fullmatch(one.strip())]
    if len(numbers) * 2 < len(texts):
        return {}
    for form, low in _EPOCH_FROM.items():
        if all(low <= one < low * 30 for one in numbers):
            return {form: len(numbers)}
    return {}


def _no_form(file: str, column: str, texts: Sequence[str]) -> str:
    seen = next((one for one in texts if one.strip()), "")
    return (
        f"{file}: the form of the stamps in {column!r} is not recognisable from {shown(seen)}; write "
        "time: {format: ...}, a pattern such as '%d.%m.%Y %H:%M:%S', epoch-s, or elapsed with a start"
    )


# ---- channels


def is_long(names: Sequence[str], table: TableSection) -> bool:
    """Return whether a table has a line per reading: it has a column of channels and one of values."""
    if table.form:
        return table.form == "long"
    lower = {bare(one).lower() for one in names}
    return bool({(table.channel or "channel").lower(), (table.value or "value").lower()} <= lower)


def long(names: Sequence[str], meaning: Meaning, file: str) -> Long:
    """Return the columns of a table in long form. Raises UsageError for one that is missing."""
    table = meaning.table

    def at(written: str, usual: str, *, needed: bool = False) -> int:
        lower = [bare(one).lower() for one in names]
        if written or (needed and usual not in lower):
            return _index(written or usual, names, f"table.{usual.replace('_s', '').replace('_', '-')}", file)
        return lower.index(usual) if usual in lower else -1

    return Long(
        channel=at(table.channel, "channel", needed=True),
        value=at(table.value, "value", needed=True),
        status=at(table.status, "status"),
        half_width=at(table.half_width, "half_width_s"),
        named={(column or name): name for name, column in meaning.columns.items()},
    )


def wide(
    names: Sequence[str], units: Sequence[str], meaning: Meaning, taken: Iterable[int]
) -> tuple[Wide, list[ConfigFault]]:
    """Return the columns of the channels in a table of wide form, and faults in the limits file.

    taken: columns that hold stamps.
    """
    free = [k for k in range(len(names)) if k not in set(taken)]
    channels, columns, statuses, scales = [], [], [], []
    faults: list[ConfigFault] = []
    for name, column in meaning.columns.items():
        looked = column or name
        at = next((k for k in free if names[k] == looked), None)
        if at is None:
            at = next((k for k in free if bare(names[k]) == looked), None)
        if at is None:
            continue
        scale, fault = _scale(meaning, meaning.channels[name], names[at], units[at])
        faults += [fault] if fault else []
        companion = bare(names[at]) + STATUS_SUFFIX
        channels.append(name)
        columns.append(at)
        statuses.append(next((k for k in free if names[k] == companion), -1))
        scales.append(scale)
    used = {*columns, *statuses}
    unused = tuple(names[k] for k in free if k not in used)
    made = Wide(
        channels=tuple(channels), columns=tuple(columns), statuses=tuple(statuses), scales=tuple(scales),
        unused=unused,
    )  # fmt: skip
    return made, faults


def _scale(
    meaning: Meaning, channel: Channel, column: str, unit: str
) -> tuple[tuple[float, float], ConfigFault | None]:
    """Return (factor, offset) from the column's unit of measure to the channel's."""
    if not unit:
        return (1.0, 0.0), None
    try:
        there, here = unit_of_measure(unit), unit_of_measure(channel.unit_of_measure)
    except UnitError:
        return (1.0, 0.0), None
    if there.kind != here.kind:
        place = meaning.places[channel.name]
        return (1.0, 0.0), ConfigFault(
            file=meaning.file, line=place.node.place, path=f"{place.path}.unit",
            found=f"the column {column!r} is in {unit}, the channel in {channel.unit_of_measure}",
            allowed="write the unit of measure that the values are in, or name another column",
        )  # fmt: skip
    factor = there.factor / here.factor
    offset = (there.offset - here.offset) / here.factor
    return (float(factor), float(Fraction(offset))), None


def check_found(meaning: Meaning, found: Iterable[str], offered: Iterable[str]) -> list[str]:
    """Return the channels that no file has a column for, where the limits file allows that.

    Raises ConfigError naming each otherwise. offered: names of the columns that there are.
    """
    have, names = set(found), list(dict.fromkeys(offered))
    missing = [name for name in meaning.columns if name not in have]
    if missing and (not meaning.partial or not have):
        faults = []
        for name in missing:
            place, column = meaning.places[name], meaning.columns[name] or name
            faults.append(ConfigFault(
                file=meaning.file, line=place.node.place, path=place.path,
                found=f"no column {column!r} in the imported files",
                allowed=f"{near(column, [bare(one) for one in names])} (write from: COLUMN, or partial: yes)",
            ))  # fmt: skip
        raise ConfigError(faults)
    return missing


def corrected(
    channel: Channel, scale: tuple[float, float], value: NDArray[np.float64], status: NDArray[np.uint8]
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return values in the channel's unit of measure, calibrated, and statuses by what is plausible."""
    has = status <= Status.SUSPECT
    with np.errstate(over="ignore", invalid="ignore"):
        for factor, offset in (scale, (channel.calibration.gain, channel.calibration.offset)):
            if (factor, offset) != (1.0, 0.0):
                value = value * factor + offset
    status = status.copy()
    lost = has & ~np.isfinite(value)
    status[lost] = Status.NO_VALUE
    if channel.plausible is not None:
        low, high = channel.plausible
        beyond = has & ~lost & ~((value >= low) & (value <= high))
        status[beyond] = np.maximum(status[beyond], Status.SUSPECT)
    return np.where(status <= Status.SUSPECT, value, np.nan), status
