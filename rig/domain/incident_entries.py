"""What a person enters about an incident: dispositions, notes, attached files; values and event data.

An ``incident`` event carries ``what``: ``opened`` (by hand, with ``unit``) or ``entry`` (about an incident
that there is). An entry names its incident by ``number``, ``unit``, ``opened_ns`` and may carry ``files``.
Either may carry a disposition (``relevance`` and what belongs to it) and ``at_ns``; the event's text is the
person's note. Relevant and non-relevant failures: IEC 61124, IEC 60050-192.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from rig.domain.positions import AT
from rig.errors import shown

OPENED, ENTRY = "opened", "entry"
LONGEST_WORD = 200
"""Most characters of a mechanism, part or revision; common practice, no source."""
LONGEST_NAME = 200
"""Most bytes of an attached file's name: file systems take 255, and a temporary name needs 5 more."""
MOST_FILES = 50
"""Most files in one entry: an order is a small file; common practice, no source."""
_Choice = TypeVar("_Choice", bound=enum.StrEnum)
_UNSAFE = re.compile(r"[^\w.()+ -]")
_SHA256 = re.compile(r"[0-9a-f]{64}")


class Relevance(enum.StrEnum):
    """Whether a failure counts for the reliability of the design; the value is the spelling in recordings."""

    RELEVANT = "relevant"
    NON_RELEVANT = "non-relevant"
    NO_FAILURE = "no-failure"
    """Rejected: the unit did not fail."""

    @property
    def words(self) -> str:
        """The relevance as printed."""
        return self.value.replace("no-f", "no f")


class FailureCause(enum.StrEnum):
    """Where the cause of an incident lies."""

    UNIT = "unit"
    RIG = "rig"
    HANDLING = "handling"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachedFile:
    """A file copied into the run: ``incidents/number/name``; size in bytes."""

    number: int
    name: str
    sha256: str
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Disposition:
    """Disposition of an incident by a person. at_ns: UTC; texts are '' where nothing was said."""

    relevance: Relevance
    cause: FailureCause
    mechanism: str
    part: str
    revision: str
    text: str
    by: str
    at_ns: int

    @property
    def words(self) -> str:
        """Relevance and cause, as ``non-relevant, rig``."""
        return f"{self.relevance.words}, {self.cause}"


def safe_name(name: str) -> str:
    """Return the name under which a file is kept: no path, no control character, no leading dot.

    Raises ValueError if nothing is left of it, or if it is longer than ``LONGEST_NAME``.
    """
    last = name.replace("\\", "/").rstrip("/").rpartition("/")[2]
    safe = _UNSAFE.sub("_", last).strip(" .")
    if not safe or len(safe.encode()) > LONGEST_NAME:
        raise ValueError(
            f"file name {shown(name)}; 1 to {LONGEST_NAME} bytes of letters, digits and . _ - + ( ); "
            "rename it"
        )
    return safe


def checked(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return what an order says of an incident, as the data of its event. Raises ValueError in words."""
    what = data.get("what")
    if what not in (OPENED, ENTRY):
        raise ValueError(f"what {shown(str(what))}; expected {OPENED} or {ENTRY}")
    found: dict[str, Any] = {"what": what, "unit": _word(data, "unit")}
    if what == ENTRY:
        found |= {key: _integer(data, key) for key in ("number", "opened_ns")}
    elif not found["unit"]:
        raise ValueError("an incident that is opened by hand needs a unit")
    if data.get(AT) is not None:
        found[AT] = _integer(data, AT)
    if data.get("relevance") is not None:
        found |= {
            "relevance": str(_one_of(Relevance, data, "relevance")),
            "cause": str(_one_of(FailureCause, data, "cause")),
            **{key: _word(data, key) for key in ("mechanism", "part", "revision")},
        }
    files = data.get("files") or []
    if not isinstance(files, list) or len(files) > MOST_FILES:
        raise ValueError(f"files {shown(str(files))}; expected a list of at most {MOST_FILES}")
    if files and what != ENTRY:
        raise ValueError("files are attached to an incident that there is: open it first")
    if files:
        found["files"] = [_file_data(one) for one in files]
    return found


def disposition(data: Mapping[str, Any], text: str, t_ns: int) -> Disposition | None:
    """Return the disposition that an event carries, None where it carries none that can be understood."""
    try:
        return Disposition(
            relevance=_one_of(Relevance, data, "relevance"),
            cause=_one_of(FailureCause, data, "cause"),
            mechanism=_word(data, "mechanism"),
            part=_word(data, "part"),
            revision=_word(data, "revision"),
            text=text,
            by=_word(data, "by"),
            at_ns=_integer(data, AT) if AT in data else t_ns,
        )
    except ValueError:
        return None


def attached(data: Mapping[str, Any]) -> tuple[AttachedFile, ...]:
    """Return the attached files that an event names; what cannot be understood is left out."""
    files = data.get("files")
    found = []
    for one in files if isinstance(files, list | tuple) else ():
        try:
            found.append(AttachedFile(number=_integer(data, "number"), **_file_data(one)))
        except ValueError:
            continue
    return tuple(found)


def _file_data(one: Any) -> dict[str, Any]:
    if not isinstance(one, Mapping):
        raise ValueError(f"file {shown(str(one))}; expected name, sha256 and size")  # noqa: TRY004 - data
    name, sha256, size = one.get("name"), one.get("sha256"), _integer(one, "size")
    if not isinstance(name, str) or safe_name(name) != name:
        raise ValueError(f"file name {shown(str(name))}; expected a plain name")
    if not isinstance(sha256, str) or _SHA256.fullmatch(sha256) is None:
        raise ValueError(f"sha256 {shown(str(sha256))} of {name}; expected 64 hexadecimal digits")
    return {"name": name, "sha256": sha256, "size": size}


def _word(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str) or len(value) > LONGEST_WORD or not value.isprintable():
        raise ValueError(f"{key} {shown(str(value))}; expected up to {LONGEST_WORD} plain characters")
    return value.strip()


def _integer(data: Mapping[str, Any], key: str) -> int:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f"{key} {shown(str(value))}; expected a whole number from 0 on")
    return value


def _one_of(kind: type[_Choice], data: Mapping[str, Any], key: str) -> _Choice:
    known = [one.value for one in kind]
    if data.get(key) not in known:
        raise ValueError(f"{key} {shown(str(data.get(key)))}; expected {', '.join(known)}")
    return kind(data[key])
