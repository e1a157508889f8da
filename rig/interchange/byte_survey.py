"""One pass over the bytes of a text file: its hash, its encoding, its line ends."""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rig.errors import UsageError

BLOCK = 1 << 20
LONGEST_LINE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What one pass over the bytes of a file shows."""

    sha256: str
    utf8: bool
    start: bytes
    ended: bool
    line_ends: str


def survey(path: Path) -> Survey:
    """Return what the bytes of a file are like. Raises UsageError if it can't be read or is no text."""
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")()
    utf8, start, last, run = True, b"", b"", 0
    ends = {"CR LF": 0, "CR": 0, "LF": 0}
    try:
        with path.open("rb") as file:
            while block := file.read(BLOCK):
                digest.update(block)
                start = start or block[:4]
                if utf8:
                    try:
                        decoder.decode(block)
                    except UnicodeDecodeError:
                        utf8 = False
                both = block.count(b"\r\n") + (last == b"\r" and block[:1] == b"\n")
                ends["CR LF"] += both
                ends["CR"] += block.count(b"\r") - both
                ends["LF"] += block.count(b"\n") - both
                last = block[-1:]
                run = _longest(block, run, path)
    except OSError as error:
        raise UsageError(f"cannot read {path}: {error.strerror or error}; name an existing file") from error
    if not start:
        raise UsageError(f"{path} is empty; name a file with a header and data")
    used = [name for name, count in ends.items() if count > 0]
    return Survey(
        sha256=digest.hexdigest(), utf8=utf8, start=start, ended=last in {b"\n", b"\r"} or last == b"\0",
        line_ends=" and ".join(used) or "none",
    )  # fmt: skip


def _longest(block: bytes, run: int, path: Path) -> int:
    """Return how many bytes stand after the last line end. Raises UsageError for a line without end."""
    pieces = block.replace(b"\r", b"\n").split(b"\n")
    lengths = [run + len(pieces[0]), *map(len, pieces[1:])]
    if max(lengths) > LONGEST_LINE:
        raise UsageError(f"{path}: a line of more than {LONGEST_LINE} bytes; this is no table of text")
    return lengths[-1]


def lines(path: Path, encoding: str) -> Iterator[str]:
    """Yield the lines of a file without their ends; bytes that are no text become U+FFFD."""
    with path.open(encoding=encoding, errors="replace", newline=None) as file:
        for line in file:
            yield line.removesuffix("\n")
