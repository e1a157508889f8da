"""What a rig file may say, as text for the terminal and for ``configs/REFERENCE.md``: made from the schema.

Nothing is written twice: kinds, defaults and explanations are those that the reader of rig files uses.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.domain import conversions, formula, units
from rig.errors import UsageError
from rig.rigfile.schema import FieldType, KeySpec, Later, OneOf, Section, below, in_short, keys
from rig.rigfile.sections import RigSection

WIDTH = 110
DRIVER_AT = "instruments.INSTRUMENT"
"""Where the keys of a driver stand."""

INTRODUCTION = """\
A rig file is YAML. Every value is taken as the text that stands in the file and gets its type from this
reference alone, so `no`, `1e3`, `12:30` and `0123` never turn into something that was not written. Amounts
carry their unit of measure: `500 ms`, `95 degC`, `2 K`, `253 V`. Keys are written in the indentation that
their heading shows; words in CAPITALS in a heading stand for names of your own choice. `soakrig check FILE`
names every mistake at once, with line and key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """One section of a rig file: where it may stand, what it is, which keys it has."""

    title: str
    paths: tuple[str, ...]
    about: str
    cls: type[Any]


def text(drivers: Mapping[str, Any], word: str | None = None) -> str:
    """Return the reference as Markdown that is readable as it stands.

    drivers: modules by name (``drivers.load``). word: a driver, or a first-level key of a rig file such
    as ``channels``; None for everything. Raises UsageError for another word.
    """
    if word is None:
        parts = ["# Rig-file reference", INTRODUCTION, *_whole(drivers), _values()]
    elif word in drivers:
        parts = _driver(word, drivers[word])
    else:
        parts = _branch(word, drivers)
    return "\n\n".join(parts)


def words(drivers: Mapping[str, Any]) -> list[str]:
    """Return what ``text`` can be asked for."""
    return [*drivers, *keys(RigSection)]


def _whole(drivers: Mapping[str, Any]) -> Iterator[str]:
    listed = False
    for chapter in chapters(RigSection, "", "The rig file"):
        yield _written(chapter)
        if DRIVER_AT in chapter.paths and not listed:
            listed = True
            for name, module in drivers.items():
                yield from _driver(name, module)


def _driver(name: str, module: Any) -> list[str]:
    about = _first_line(module)
    made = chapters(module.Options, DRIVER_AT, f"Driver `{name}`")
    first = _written(made[0], f"With `driver: {name}`. {about}")
    return [first, *(_written(replace(one, title=f"Driver `{name}`")) for one in made[1:])]


def _branch(word: str, drivers: Mapping[str, Any]) -> list[str]:
    spec = keys(RigSection).get(word)
    if spec is None:
        known = ", ".join(words(drivers))
        raise UsageError(f"there is no driver and no key of a rig file called {word!r}; there are: {known}")
    found = [one for path, cls in sections_of(spec.kind, word) for one in chapters(cls, path, "")]
    return [_entry(word, spec), *(_written(one) for one in found)]


def chapters(cls: type[Any], path: str, title: str) -> list[Chapter]:
    """Return a section and all below it, each class once, with every path it stands at."""
    order: list[type[Any]] = []
    paths: dict[type[Any], list[str]] = {}
    _collect(cls, path, order, paths)
    return [
        Chapter(
            title=title if one is cls and title else "",
            paths=tuple(dict.fromkeys(paths[one])),
            about=_first_line(one),
            cls=one,
        )
        for one in order
    ]


def _collect(cls: type[Any], path: str, order: list[type[Any]], paths: dict[type[Any], list[str]]) -> None:
    seen = cls in paths
    paths.setdefault(cls, []).append(path)
    if seen:
        return  # what is below it stands at the like places
    order.append(cls)
    for name, spec in keys(cls).items():
        for where, inner in sections_of(spec.kind, below(path, name)):
            _collect(inner, where, order, paths)


def sections_of(kind: FieldType, path: str) -> Iterator[tuple[str, type[Any]]]:
    """Yield (path, class) of the sections that a value of this kind is, or directly holds."""
    if isinstance(kind, Section):
        yield path, kind.cls
    elif isinstance(kind, Later):
        if kind.kind is not None:
            yield from sections_of(kind.kind, path)
    elif isinstance(kind, OneOf):
        for one in kind.kinds:
            yield from sections_of(one, path)
    else:
        for suffix, one in kind.parts():
            yield from sections_of(one, path + suffix)


def _written(chapter: Chapter, about: str = "") -> str:
    where = ", ".join(f"`{path}`" for path in chapter.paths if path)
    heading = ": ".join(one for one in (chapter.title, where) if one)
    intro = textwrap.fill(about or chapter.about, WIDTH, break_long_words=False, break_on_hyphens=False)
    entries = "\n".join(_entry(name, spec) for name, spec in keys(chapter.cls).items())
    return f"## {heading}\n\n{intro}\n\n{entries}"


def _entry(name: str, spec: KeySpec) -> str:
    if spec.required:
        default = "required"
    elif spec.default is None or spec.default == ():
        default = "may be left out"
    else:
        default = f"default: `{spec.kind.spell(spec.default)}`"
    if _is_block(spec.kind) and not spec.required:
        default = "may be left out"
    entry = f"- **{name}**: {spec.doc} ({in_short(spec.kind)}; {default})"
    return textwrap.fill(entry, WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def _is_block(kind: FieldType) -> bool:
    return in_short(kind).startswith("block")


def _first_line(thing: Any) -> str:
    """Return the first sentence of a docstring."""
    lines = (thing.__doc__ or "").strip().split("\n\n")[0]
    return " ".join(lines.split()).replace("``", "`")


def _values() -> str:
    """Return what may stand in amounts, formulas and ``convert``."""
    filled = "In a template, `{unit}` is the unit's name and `{WORD}` what the unit's `with` gives for WORD."
    curves = ", ".join(f"`{one}`" for one in conversions.NAMES)
    facts: Sequence[tuple[str, str]] = (
        ("Units of measure", units.in_words()),
        ("Formulas", f"{formula.in_words()}. Channels are named in full (`A1.heatsink`, `mains`)."),
        ("Curves for `convert`", curves),
        (
            "Words in place of text",
            f"{filled} YAML anchors (`&name`), aliases (`*name`) and merges (`<<: *name`) work everywhere.",
        ),
    )
    fill: Callable[[str], str] = lambda one: textwrap.fill(  # noqa: E731 - one line, one use
        one, WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )
    return "## Values\n\n" + "\n".join(fill(f"- **{name}**: {said}") for name, said in facts)
