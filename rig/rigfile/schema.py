"""What a rig file may say: keys of sections, and one reader that finds every fault.

A section is a frozen, keyword-only dataclass whose fields are made by ``key()``::

    @dataclass(frozen=True, slots=True, kw_only=True) class Options: device: int = key(Integer(1, 247),
    doc="device address on the line") quiet_s: float = key(Quantity("s", low=0.0), name="quiet",
    default=0.0, doc="silence before a request")

``build(Options, node, faults, path)`` returns an instance, or None after adding what is wrong to
``faults``. A section whose ``__post_init__`` raises ValueError is reported at the section's line.
The kinds of values come from ``rig.rigfile.field_types`` and can be imported from here.
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from rig.errors import ConfigFault, shown
from rig.rigfile.field_types import (
    AmountField,
    Checked,
    Choice,
    Day,
    FieldRefusedError,
    FieldType,
    Flag,
    Integer,
    Later,
    Map,
    Measure,
    Name,
    Number,
    OneOf,
    Scalar,
    Seq,
    Text,
    UnitSymbol,
)
from rig.rigfile.node import BAD, Bad, Node, below, child, described, fault

__all__ = [
    "BAD",
    "AmountField",
    "Checked",
    "Choice",
    "Day",
    "FieldRefusedError",
    "FieldType",
    "Flag",
    "Integer",
    "KeySpec",
    "Later",
    "Map",
    "Measure",
    "Name",
    "Node",
    "Number",
    "OneOf",
    "ReferenceRow",
    "Scalar",
    "Section",
    "Seq",
    "Text",
    "UnitSymbol",
    "below",
    "build",
    "child",
    "described",
    "fault",
    "in_short",
    "key",
    "keys",
    "reference",
    "take_keys",
]

T = TypeVar("T")
_KEY: Final = "rig.key"
_REQUIRED: Final = Bad()


@dataclass(frozen=True, slots=True)
class Section(FieldType):
    """A block of keys that a dataclass declares."""

    cls: type[Any]

    def take(self, node: Node, faults: list[ConfigFault], path: str) -> Any:
        """Return an instance, or BAD after adding to ``faults``."""
        built = build(self.cls, node, faults, path)
        return BAD if built is None else built

    def __str__(self) -> str:
        return f"a block of keys ({', '.join(keys(self.cls))})"

    def parts(self) -> Iterator[tuple[str, FieldType]]:
        """Yield the kind of each key."""
        for name, spec in keys(self.cls).items():
            yield f".{name}", spec.kind


@dataclass(frozen=True, slots=True)
class KeySpec:
    """What ``key()`` declares: kind, explanation, name in the file ('' = from the field), default, example.

    attribute: name of the dataclass field ('' until ``keys()`` fills it in).
    """

    kind: FieldType
    doc: str
    name: str
    default: Any
    example: str = ""
    attribute: str = ""

    @property
    def required(self) -> bool:
        """Whether the key must be written."""
        return self.default is _REQUIRED


def key(kind: FieldType, *, doc: str, default: Any = _REQUIRED, name: str = "", example: str = "") -> Any:
    """Return a dataclass field for a key of a section.

    doc: one line for the reference. default: the value when the key is absent, as the code gets it
    (without it the key is required). name: as written in the file; otherwise the field's name with
    ``-`` for ``_`` and without a trailing ``_``. example: YAML to begin with, for a new rig file.
    """
    metadata = {_KEY: KeySpec(kind, doc, name, default, example)}
    if default is _REQUIRED:
        return dataclasses.field(metadata=metadata)
    if isinstance(default, dict):
        return dataclasses.field(default_factory=lambda: dict(default), metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


def keys(cls: type[Any]) -> dict[str, KeySpec]:
    """Return the keys that a section declares, by their name in the file."""
    found = {}
    for one in dataclasses.fields(cls):
        spec = one.metadata.get(_KEY)
        if isinstance(spec, KeySpec):
            name = spec.name or one.name.rstrip("_").replace("_", "-")
            found[name] = dataclasses.replace(spec, name=name, attribute=one.name)
    return found


def build(
    cls: type[T], node: Node, faults: list[ConfigFault], path: str, *, besides: Collection[str] = ()
) -> T | None:
    """Return an instance of ``cls`` from the keys at ``node``; None after adding all its faults.

    besides: names that are allowed here though ``cls`` does not declare them (somebody else reads
    them); they are suggested for misspelled keys too.
    """
    before = len(faults)
    values = take_keys(cls, node, faults, path, besides=besides)
    if len(faults) > before:
        return None
    try:
        return cls(**values)
    except ValueError as error:
        faults.append(fault(node, path, str(error), "see the keys of this block"))
        return None


def take_keys(
    cls: type[Any], node: Node, faults: list[ConfigFault], path: str, *, besides: Collection[str] = ()
) -> dict[str, Any]:
    """Return what is right at ``node``, by attribute of ``cls``, after adding what is wrong to ``faults``.

    For sections whose parts are still worth reading when one of them is wrong.
    """
    specs = keys(cls)
    if node.value is None and not any(spec.required for spec in specs.values()):
        return {}
    if not isinstance(node.value, dict):
        allowed = f"write a block of keys: {', '.join(specs) or 'none'}"
        faults.append(fault(node, path, described(node), allowed))
        return {}
    for name, one in node.value.items():
        if name not in specs and name not in besides:
            faults.append(_unknown(name, one, below(path, name), [*specs, *besides]))
    values: dict[str, Any] = {}
    for name, spec in specs.items():
        written = node.value.get(name)
        if written is not None:
            taken = spec.kind.take(written, faults, below(path, name))
            if taken is not BAD:
                values[spec.attribute] = taken
        elif spec.required:
            faults.append(fault(node, below(path, name), "missing", f"write {spec.kind} ({spec.doc})"))
    return values


def _unknown(name: str, node: Node, path: str, known: Sequence[str]) -> ConfigFault:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        allowed = f"did you mean {near[0]!r}?"
    else:
        allowed = f"allowed here: {', '.join(known) or 'no keys at all'}"
    found = f"unknown key {shown(name)}"
    return ConfigFault(file=node.file, line=node.place, path=path, found=found, allowed=allowed)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRow:
    """One line of the reference: key path, what may stand there, default ('' = none), explanation."""

    path: str
    kind: str
    default: str
    doc: str


def reference(cls: type[Any], path: str = "") -> list[ReferenceRow]:
    """Return one row for each key of a section and of everything below it, in the order of declaration."""
    rows: list[ReferenceRow] = []
    for name, spec in keys(cls).items():
        here = below(path, name)
        if spec.required:
            default = "required"
        else:
            default = "" if spec.default is None else spec.kind.spell(spec.default)
        rows.append(ReferenceRow(path=here, kind=in_short(spec.kind), default=default, doc=spec.doc))
        rows.extend(_rows_below(spec.kind, here))
    return rows


def _rows_below(kind: FieldType, path: str) -> list[ReferenceRow]:
    if isinstance(kind, Later) and kind.kind is not None:
        kind = kind.kind
    if isinstance(kind, Section):
        return reference(kind.cls, path)
    if isinstance(kind, OneOf):
        return [row for one in kind.kinds for row in _rows_below(one, path)]
    return [row for suffix, one in kind.parts() for row in _rows_below(one, path + suffix)]


def in_short(kind: FieldType) -> str:
    """Return what may stand at a key in few words: blocks and lists without what is inside them."""
    if isinstance(kind, Later) and kind.kind is not None:
        kind = kind.kind
    if isinstance(kind, Section):
        return "block"
    if isinstance(kind, Map):
        return f"block of names, each: {in_short(kind.kind)}"
    if isinstance(kind, Seq):
        return f"list, each: {in_short(kind.kind)}"
    if isinstance(kind, OneOf):
        return ", or ".join(in_short(one) for one in kind.kinds)
    return str(kind)
