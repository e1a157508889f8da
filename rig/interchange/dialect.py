"""How a text table is written, found out from its bytes: pure.

Nothing is guessed silently: every finding has a sentence, and what two readings fit equally well (a
``1,234`` that may be one or a thousand) is refused with what to write in the limits file.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from rig.domain.units import UnitError, unit_of_measure
from rig.errors import UsageError, shown
from rig.interchange.limits_file import DECIMALS, DELIMITERS, THOUSANDS, TableSection

SAMPLE_LINES = 2000
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_WRITTEN = {"utf-8": "utf-8", "windows-1252": "cp1252"}
_NUMBERISH = re.compile(
    r"[+\-\u2212]?\d[\d.,'\u2019\u00a0\u2009\u202f ]*(?:[eE][+-]?\d{1,3})?|[+-]?[.,]\d+", re.ASCII
)
_STAMPISH = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[T ,]+\d{1,2}:.*)?|\d{8}T\d{4,6}.*|\d{1,2}:\d\d(?::.*)?"
)
_COMMA_SURE = re.compile(
    r"[+-]?(?:\d+,(?:\d{1,2}|\d{4,})|\d{4,},\d+|0\d*,\d+|\d{1,3}(?:\.\d{3})+,\d*)(?:[eE].*)?", re.ASCII
)
_POINT_SURE = re.compile(
    r"[+-]?(?:\d+\.(?:\d{1,2}|\d{4,})|\d{4,}\.\d+|0\d*\.\d+|\d{1,3}(?:,\d{3})+\.\d*)(?:[eE].*)?", re.ASCII
)
_COMMA_OPEN = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
_POINT_OPEN = re.compile(r"[+-]?[1-9]\d{0,2}\.\d{3}", re.ASCII)
_POINT_GROUPS = re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3}){2,}", re.ASCII)
_WORDISH = re.compile(r"[A-Za-z#+-][A-Za-z0-9#/!. +-]{0,11}|-+")
_BRACKETS = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How one file is written.

    names: of the columns; units: their units of measure as written ('' for none). first: number of the
    first data line (from 1). said: sentences on what was found out.
    """

    encoding: str
    delimiter: str
    decimal: str
    thousands: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    first: int
    said: tuple[str, ...]


def encoding_of(start: bytes, *, utf8: bool, wanted: str = "") -> tuple[str, str]:
    """Return the codec of a text that begins with these bytes, and a sentence on it.

    utf8: whether the whole text is valid UTF-8.
    """
    for mark, name in _BOMS:
        if start.startswith(mark):
            return name, f"encoding {name.removesuffix('-sig')}, from its byte order mark"
    if wanted == "utf-16":  # without a mark the codec of that name refuses
        order = "be" if start[:1] == b"\0" else "le"
        return f"utf-16-{order}", f"encoding utf-16 ({order}), as the limits file says"
    if wanted:
        return _WRITTEN[wanted], f"encoding {wanted}, as the limits file says"
    if utf8:
        return "utf-8", ""
    return "cp1252", "not UTF-8: read as windows-1252, the usual encoding of such files (common practice)"


def split(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line; a quote that does not end, ends with the line."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [""])
    except csv.Error:
        return line.split(delimiter)


def find(lines: Sequence[str], encoding: str, table: TableSection, name: str) -> Dialect:
    """Return how a table that begins with ``lines`` is written; ``table``: what the limits file says.

    Raises UsageError if that cannot be found out, with what was seen and what to write.
    """
    lines = lines[:SAMPLE_LINES]
    if not any(line.strip() for line in lines):
        raise UsageError(f"{name}: no text in the file; name a file with a header and data")
    delimiter = DELIMITERS.get(table.delimiter) or _delimiter(lines, name)
    rows = [split(line, delimiter) for line in lines]
    first = _first_data(rows, table.header)
    if first is None:
        raise UsageError(
            f"{name}: none of {len(rows)} lines begins like data (a time and a number), cells parted by "
            f"{_spoken(delimiter)}; line 1 is {shown(lines[0])}; write table: {{delimiter: ..., header: ...}}"
        )
    header, units_line = _header(rows, first, table.header)
    names, units, doubled = _names(rows, header, units_line, len(rows[first]))
    data = [row for row in rows[first:] if any(cell.strip() for cell in row)]
    decimal, thousands, numbers = _decimal(data, delimiter, table, name)
    said = [
        f"cells parted by {_spoken(delimiter)}",
        f"decimal {'comma' if decimal == ',' else 'point'}{numbers}",
    ]
    said.append(
        f"column names on line {header + 1}" if header >= 0 else "no column names: column 1, column 2, ..."
    )
    if units_line >= 0:
        said.append(f"units of measure on line {units_line + 1}")
    if header > 0:
        said.append(f"{'line 1' if header == 1 else f'lines 1 to {header}'} before it: no data, left out")
    said += [f"the column name {one!r} stands there more than once" for one in doubled]
    return Dialect(
        encoding=encoding, delimiter=delimiter, decimal=decimal, thousands=thousands, names=names,
        units=units, header_line=header + 1, first=first + 1, said=tuple(said),
    )  # fmt: skip


def _spoken(delimiter: str) -> str:
    return {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}[delimiter]


def _delimiter(lines: Sequence[str], name: str) -> str:
    """Return the sign that parts the most lines into equally many cells that read as numbers or times."""
    scores = {}
    for delimiter in DELIMITERS.values():
        rows = [split(line, delimiter) for line in lines if line.strip()]
        width, same = (
            Counter(len(row) for row in rows if len(row) > 1).most_common(1)[0]
            if any(len(row) > 1 for row in rows)
            else (1, 0)
        )
        cells = [cell.strip() for row in rows if len(row) == width for cell in row]
        good = sum(1 for cell in cells if not cell or _readable(cell))
        scores[delimiter] = (same / len(rows)) * (good / len(cells) if cells else 0.0) if width > 1 else 0.0
    best = max(scores, key=lambda one: (round(scores[one], 2), one in ";\t", scores[one]))
    if scores[best] <= 0.0:
        raise UsageError(
            f"{name}: no comma, semicolon, tab or bar parts its lines into cells; line 1 is "
            f"{shown(lines[0])}; "
            "this is no table of readings, or write table: {delimiter: ...}"
        )
    return best


def _readable(cell: str) -> bool:
    return bool(_NUMBERISH.fullmatch(cell) or _STAMPISH.fullmatch(cell) or _WORDISH.fullmatch(cell))


def _datalike(row: Sequence[str]) -> bool:
    """Return whether a row holds a time, or only numbers, and at least two cells."""
    cells = [cell.strip() for cell in row]
    filled = [cell for cell in cells if cell]
    if len(cells) < 2 or not filled:
        return False
    if any(_STAMPISH.fullmatch(cell) for cell in filled):
        return sum(bool(_STAMPISH.fullmatch(c) or _NUMBERISH.fullmatch(c)) for c in filled) * 2 > len(
            filled
        ) or (bool(_STAMPISH.fullmatch(filled[0])))
    return bool(_NUMBERISH.fullmatch(filled[0])) and sum(bool(_NUMBERISH.fullmatch(c)) for c in filled) >= 2


def _first_data(rows: Sequence[Sequence[str]], header: int | None) -> int | None:
    """Return the index of the first data row: one of the usual width, followed by others like it."""
    width = Counter(len(row) for row in rows if len(row) > 1 and any(map(str.strip, row))).most_common(1)
    if not width:
        return None
    for k, row in enumerate(rows):
        if header is not None and k < header:
            continue
        if len(row) == width[0][0] and _datalike(row):
            return k
    return None


def _header(rows: Sequence[Sequence[str]], first: int, wanted: int | None) -> tuple[int, int]:
    """Return the indexes of the rows with names and with units of measure, -1 where there is none."""
    before = [k for k in range(first) if any(cell.strip() for cell in rows[k])]
    if wanted is not None:
        later = [k for k in before if k > wanted - 1]
        return wanted - 1, next((k for k in later if _all_units(rows[k])), -1)
    wide = [k for k in before if len(rows[k]) == len(rows[first])]
    if not wide:
        return -1, -1
    if len(wide) > 1 and _all_units(rows[wide[-1]]):
        return wide[-2], wide[-1]
    return wide[-1], -1


def _all_units(row: Sequence[str]) -> bool:
    cells = [cell.strip().strip("[]()").strip() for cell in row]
    return any(cells) and sum(not _is_unit(cell) for cell in cells if cell) <= 1


def _is_unit(text: str) -> bool:
    try:
        unit_of_measure(text)
    except UnitError:
        return False
    return True


def _names(
    rows: Sequence[Sequence[str]], header: int, units_line: int, width: int
) -> tuple[tuple[str, ...], tuple[str, ...], list[str]]:
    if header < 0:
        return tuple(f"column {k + 1}" for k in range(width)), ("",) * width, []
    cells = [cell.strip() for cell in rows[header]]
    names = [cell or f"column {k + 1}" for k, cell in enumerate(cells)]
    names += [f"column {k + 1}" for k in range(len(names), width)]
    doubled = [one for one, times in Counter(names).items() if times > 1]
    below = [cell.strip().strip("[]()").strip() for cell in rows[units_line]] if units_line >= 0 else []
    units = [below[k] if k < len(below) and below[k] else unit_in(name) for k, name in enumerate(names)]
    return tuple(names), tuple(units), doubled


def unit_in(name: str) -> str:
    """Return the unit of measure that a column's name ends with in brackets, '' if there is none."""
    match = _BRACKETS.search(name)
    return match[1] if match and _is_unit(match[1]) else ""


def bare(name: str) -> str:
    """Return a column's name without a unit of measure in brackets at its end."""
    return _BRACKETS.sub("", name).strip() if unit_in(name) else name


def _decimal(
    rows: Sequence[Sequence[str]], delimiter: str, table: TableSection, name: str
) -> tuple[str, str, str]:
    """Return decimal sign, sign between groups, and how sure that is, in words."""
    thousands = THOUSANDS.get(table.thousands, "")
    if table.decimal:
        decimal = DECIMALS[table.decimal]
        if thousands == decimal:
            raise UsageError(
                f"{name}: decimal and thousands are both {table.decimal}; write two different signs"
            )
        return decimal, thousands, ", as the limits file says"
    seen = Counter[str]()
    example: dict[str, str] = {}
    for row in rows:
        for cell in map(str.strip, row):
            for word, pattern in _SIGNS:
                if pattern.fullmatch(cell):
                    seen[word] += 1
                    example.setdefault(word, cell)
                    break
    if seen["comma"] and seen["point"]:
        raise UsageError(
            f"{name}: numbers with decimal commas ({shown(example['comma'])}) and with decimal points "
            f"({shown(example['point'])}); write table: {{decimal: comma}} or {{decimal: point}}"
        )
    if seen["comma"] or seen["point groups"]:
        return ",", thousands or ("." if seen["point groups"] else ""), ""
    if seen["open comma"] and not seen["point"]:
        raise UsageError(
            f"{name}: {shown(example['open comma'])} may be a number with a decimal comma or a thousand; "
            "write table: {decimal: comma} or {decimal: point, thousands: comma}"
        )
    if seen["open comma"]:
        return ".", thousands or ",", f", commas part groups of three as in {shown(example['open comma'])}"
    return ".", thousands, ""


_SIGNS = (
    ("comma", _COMMA_SURE), ("point", _POINT_SURE), ("open comma", _COMMA_OPEN),
    ("point groups", _POINT_GROUPS), ("open point", _POINT_OPEN),
)  # fmt: skip
