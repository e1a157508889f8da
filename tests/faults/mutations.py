"""Ways to damage an input, by the throw of a die."""

from __future__ import annotations

import random

BYTES = (
    b"\n", b"\r", b"\r\n", b"\0", b"\xff", b"#", b"#0", b"#9999999999", b",", b";", b"+", b"-", b".",
    b"e", b"9.9E37",
    b"9.91E37", b"NAN", b"INF", b"1e400", b"-0", b'"', b"*", b"$", b" ", b"\t", b"0x", b"1_000",
    "½".encode(),
)  # fmt: skip
WORDS = (
    "&a ", "*a", "<<: ", "!!python/object:os.system ", "!!int ", "{", "}", "[", "]", "- ", "? ", ": ",
    "|", ">", '"',
    "'", "\t", "#", "---", "...", "%YAML 1.2", "~", "null", "no", "yes", "1e3", "1e400", "-1", "nan",
    ".inf", "0123",
    "12:30", "1 s", "5 V", "95 degC", "2 K", "10 %", "0", "999999999999999999999", "high: ", "low: ",
    "from: ",
    "formula: ", "unit: ", "early-high: ", "limits: none", "{unit}", "{x}", "{{", "a.b",
    "__import__('os')", "(" * 60,
    "9**9**9", "A1.t", "s.x", "m.v", "\x00", "\x85", "\u2028", "é", "😀", "a" * 300, "driver: lines",
    "poll: 1 ms",
)  # fmt: skip
CELLS = (
    b"", b"-", b"OL", b"1,5", b"1.000,5", b"1e400", b"9.9E37", b"nan", b"2031-02-30 25:61:00",
    b"31/12/99", b"\xff",
    b'"', b'""', b";", b",", b"\t", b"\n", b"\r", b"12:00", b"2031-03-30 02:30:00", b"\0", b"1 2",
    b"--5", b"0x1F",
    "−5".encode(), b"23:59:60", b"1e-320", b"999999999999999999999",
)  # fmt: skip


def of_bytes(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """Return ``data`` with one to four damages, some with pieces of ``other``; now and then only noise."""
    kind = dice.random()
    if kind < 0.02:
        return dice.randbytes(dice.randrange(200))
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        data = _one_of_bytes(dice, data, other, BYTES)
    return data


def _one_of_bytes(dice: random.Random, data: bytes, other: bytes, words: tuple[bytes, ...]) -> bytes:
    at = dice.randrange(len(data) + 1)
    end = min(len(data), at + dice.choice((1, 1, 2, 4, 16, 200)))
    kind = dice.randrange(8)
    if kind == 0 and data:
        at = min(at, len(data) - 1)
        return data[:at] + bytes([data[at] ^ 1 << dice.randrange(8)]) + data[at + 1 :]
    if kind == 1:
        return data[:at]
    if kind == 2:
        return data[:at] + data[end:]
    if kind == 3:
        return data[:at] + dice.randbytes(end - at) + data[end:]
    if kind == 4:
        return data[:at] + dice.choice(words) + data[dice.choice((at, end)) :]
    if kind == 5:
        return data[:end] + data[at:]
    if kind == 6:
        start = dice.randrange(len(other) + 1)
        return data[:at] + other[start : start + dice.choice((4, 60, 1000))] + data[at:]
    return data[:at] + bytes(end - at) + data[end:]


def of_table(dice: random.Random, data: bytes) -> bytes:
    """Return a table with one to four damages of cells and bytes."""
    for _ in range(dice.choice((1, 1, 2, 4))):
        data = _one_of_bytes(dice, data, data, CELLS)
    return data


def of_text(dice: random.Random, text: str) -> bytes:
    """Return a rig file with one to four damages of lines, words and characters."""
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        lines = text.split("\n")
        at = dice.randrange(len(lines))
        kind = dice.randrange(9)
        if kind == 0:
            del lines[at]
        elif kind == 1:
            lines.insert(dice.randrange(len(lines)), lines[at])
        elif kind == 2:
            other = dice.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == 3:
            lines[at] = " " * dice.randrange(8) + lines[at].lstrip()
        elif kind == 4:
            lines[at] = _word_replaced(dice, lines[at])
        else:
            lines[at] = _characters_changed(dice, lines[at])
        text = "\n".join(lines) or "\n"
    raw = text.encode("utf-8", "surrogatepass")
    return _one_of_bytes(dice, raw, raw, BYTES) if dice.random() < 0.03 else raw


def _word_replaced(dice: random.Random, line: str) -> str:
    words = line.split(" ")
    words[dice.randrange(len(words))] = dice.choice(WORDS)
    return " ".join(words)


def _characters_changed(dice: random.Random, line: str) -> str:
    at = dice.randrange(len(line) + 1)
    kind = dice.randrange(4)
    if kind == 0:
        return line[:at] + line[at + dice.choice((1, 1, 5)) :]
    if kind == 1:
        return line[:at] + dice.choice(WORDS) + line[at:]
    if kind == 2:
        return line[:at] + chr(dice.choice((dice.randrange(32, 127), dice.randrange(0x110000)))) + line[at:]
    return line[:at] + line[at + 1 : at + 2] + line[at : at + 1] + line[at + 2 :]
