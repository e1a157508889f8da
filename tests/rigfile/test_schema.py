"""The reader of sections: every fault, each at its line, and nothing that was not written."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import pytest

from rig.errors import ConfigFault
from rig.rigfile.schema import (
    AmountField,
    Checked,
    Choice,
    Day,
    FieldType,
    Flag,
    Integer,
    Later,
    Map,
    Measure,
    Name,
    Node,
    Number,
    OneOf,
    Section,
    Seq,
    Text,
    UnitSymbol,
    build,
    key,
    keys,
    reference,
)


def node(value: Any, line: int = 1) -> Node:
    """Return a node from plain values, each key of a block one line below the one before."""
    if isinstance(value, dict):
        return Node({k: _keyed(v, line + i) for i, (k, v) in enumerate(value.items())}, line, "rig.yaml")
    if isinstance(value, list):
        return Node([node(one, line) for one in value], line, "rig.yaml")
    return Node(value, line, "rig.yaml")


def _keyed(value: Any, line: int) -> Node:
    plain = node(value, line)
    return Node(plain.value, plain.line, plain.file, line)


def taken(kind: FieldType, value: Any) -> Any:
    """Return what the kind makes of a value, or the text of its faults."""
    faults: list[ConfigFault] = []
    result = kind.take(node(value), faults, "here")
    return [f"{one.found}; {one.allowed}" for one in faults] if faults else result


def _even(number: int) -> int:
    if number % 2:
        raise ValueError("odd")
    return number // 2


@pytest.mark.parametrize(
    ("kind", "written", "expected"),
    [
        (Text(), "no", "no"),
        (Text(empty=True), "", ""),
        (Name(), "t_1", "t_1"),
        (Name(hyphens=True), "mains-meter", "mains-meter"),
        (Choice("none", "even"), "even", "even"),
        (Number(), "1e3", 1000.0),
        (Number(), "-0.5", -0.5),
        (Number(0, 1), "1", 1.0),
        (Integer(1, 247), "247", 247),
        (Integer(hexadecimal=True), "0x1F", 31),
        (Flag(), "yes", True),
        (Flag(), "false", False),
        (AmountField("s"), "500 ms", 0.5),
        (AmountField("degC"), "50 degF", 10.0),
        (UnitSymbol(), "°C", "degC"),
        (Day(), "2027-03-31", date(2027, 3, 31)),
        (Seq(Integer()), ["1", "2"], (1, 2)),
        (Seq(Integer()), [], ()),
        (Map(Integer()), {"a": "1"}, {"a": 1}),
        (OneOf(Integer(), Choice("none")), "none", "none"),
        (OneOf(Choice("none"), Seq(Text())), ["a"], ("a",)),
        (Checked(Integer(), _even, "an even number"), "8", 4),
    ],
)
def test_kinds_take_what_is_plainly_written(kind: FieldType, written: Any, expected: Any) -> None:
    assert taken(kind, written) == expected


@pytest.mark.parametrize(
    ("kind", "written"),
    [
        (Text(), ""),
        (Text(), None),
        (Text(), ["a"]),
        (Name(), "t-1"),
        (Name(), "1t"),
        (Name(), "t\n"),
        (Name(), "é"),
        (Choice("none", "even"), "None"),
        (Number(), "no"),
        (Number(), "12:30"),
        (Number(), "0123"),
        (Number(), "1,5"),
        (Number(), "1_000"),
        (Number(), "nan"),
        (Number(), ".inf"),
        (Number(), "1e999"),
        (Number(), "1 V"),
        (Number(), ""),
        (Number(), None),
        (Number(0, 1), "1.01"),
        (Integer(), "1.0"),
        (Integer(), "1e3"),
        (Integer(), "0o17"),
        (Integer(), "017"),
        (Integer(), "0x1F"),
        (Integer(), "9" * 40),
        (Integer(), "\u0663"),
        (Integer(1, 247), "248"),
        (Flag(), "on"),
        (Flag(), "True"),
        (Flag(), "1"),
        (AmountField("s"), "2"),
        (AmountField("s"), "2 V"),
        (AmountField("s", low=0.0), "-1 s"),
        (AmountField("s", high=1.0), "2 s"),
        (AmountField("s", positive=True), "0 s"),
        (Measure(), "hot"),
        (UnitSymbol(), "Volt"),
        (Day(), "2027-02-30"),
        (Day(), "31.3.2027"),
        (Day(), "20270331"),
        (Seq(Integer()), "1"),
        (Seq(Integer(), least=1), []),
        (Seq(Integer(), most=1), ["1", "2"]),
        (Seq(Integer()), ["1", "x"]),
        (Map(Integer()), {"a b": "1"}),
        (Map(Integer()), ["a"]),
        (Map(Integer(), least=1), {}),
        (OneOf(Integer(), Choice("none")), "nun"),
        (Checked(Integer(), _even, "an even number"), "7"),
    ],
)
def test_kinds_refuse_the_rest_and_say_what_is_allowed(kind: FieldType, written: Any) -> None:
    said = taken(kind, written)
    assert isinstance(said, list)
    assert len(said) == 1
    assert "; " in said[0]


def test_one_of_several_kinds_reports_in_the_shape_that_was_written() -> None:
    said = taken(OneOf(AmountField("s"), Seq(Integer())), ["x"])
    assert said == ["'x' is not a whole number; write a whole number, digits only, without leading zeros"]
    assert taken(OneOf(AmountField("s"), Choice("none")), "nine") == [
        "found 'nine'; write an amount such as 2 s, or none"
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """One question."""

    ask: str = key(Text(), doc="question")
    fields: tuple[str, ...] = key(Seq(Name(), least=1), doc="names")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """A section of every shape."""

    device: int = key(Integer(1, 247), doc="address")
    quiet_s: float = key(AmountField("s", low=0.0), name="quiet", default=0.5, doc="silence")
    word_order: str = key(Choice("big", "little"), default="big", doc="order")
    from_: str | None = key(Text(), default=None, doc="where from")
    reads: tuple[Read, ...] = key(Seq(Section(Read)), default=(), doc="questions")
    more: dict[str, Read] = key(Map(Section(Read), word="MORE"), default={}, doc="more questions")
    echo: bool = key(Flag(), default=False, doc="echo")
    name: str = ""

    def __post_init__(self) -> None:
        if self.device == 13:
            raise ValueError("device 13 with nothing else")


def made(value: Any) -> tuple[Meter | None, list[str]]:
    faults: list[ConfigFault] = []
    return build(Meter, node(value), faults, "meter"), [str(one) for one in faults]


def test_a_section_is_built_with_defaults_where_nothing_is_written() -> None:
    built, faults = made({"device": "3", "quiet": "2 ms", "from": "there"})
    assert built == Meter(device=3, quiet_s=0.002, from_="there")
    assert faults == []


EXPECTED = """
rig.yaml:2: meter.quite: unknown key 'quite'; did you mean 'quiet'?
rig.yaml:6: meter.nonsense: unknown key 'nonsense'; allowed here: device, quiet, word-order, from, reads, more, echo
rig.yaml:1: meter.device: '03' is not a whole number; write a whole number from 1 to 247, digits only, without leading zeros
rig.yaml:3: meter.word-order: found 'Big'; did you mean big? write one of big, little
rig.yaml:5: meter.reads[0].fields[1]: found 'b c'; write a name: a letter, then letters, digits, _
rig.yaml:4: meter.reads[1].ask: missing; write text (question)
rig.yaml:4: meter.reads[1].fields: found 0 entries; write a list of at least 1: a name: a letter, then letters, digits, _
rig.yaml:5: meter.more.x.fields: missing; write a list of at least 1: a name: a letter, then letters, digits, _ (names)
"""  # noqa: E501 - messages as they come


def test_every_fault_is_found_in_one_reading_with_line_and_key_path() -> None:
    built, faults = made(
        {
            "device": "03",
            "quite": "1 s",
            "word-order": "Big",
            "reads": [{"ask": "X?", "fields": ["a", "b c"]}, {"fields": []}],
            "more": {"x": {"ask": "Y?"}},
            "nonsense": "1",
        }
    )
    assert built is None
    assert "\n".join(faults) == EXPECTED.strip()


def test_a_block_that_makes_no_sense_as_a_whole_is_reported_at_its_line() -> None:
    built, faults = made({"device": "13"})
    assert built is None
    assert faults == ["rig.yaml:1: meter: device 13 with nothing else; see the keys of this block"]


@pytest.mark.parametrize("value", [None, "text", ["a"]])
def test_something_else_than_a_block_of_keys_is_one_fault(value: Any) -> None:
    built, faults = made(value)
    assert built is None
    assert len(faults) == 1
    assert "write a block of keys: device, quiet" in faults[0]


def test_keys_of_somebody_else_are_neither_unknown_nor_forgotten_in_suggestions() -> None:
    faults: list[ConfigFault] = []
    build(Meter, node({"device": "3", "bus": "a", "buss": "b"}), faults, "meter", besides=["bus"])
    assert [(one.line, one.allowed) for one in faults] == [(3, "did you mean 'bus'?")]


def test_the_reference_has_a_row_for_every_key_in_order() -> None:
    rows = reference(Meter)
    assert [(row.path, row.default) for row in rows] == [
        ("device", "required"),
        ("quiet", "0.5 s"),
        ("word-order", "big"),
        ("from", ""),
        ("reads", "[]"),
        ("reads[].ask", "required"),
        ("reads[].fields", "required"),
        ("more", "{}"),
        ("more.MORE.ask", "required"),
        ("more.MORE.fields", "required"),
        ("echo", "no"),
    ]
    assert rows[1].kind == "an amount such as 2 s of at least 0 s"
    assert all(row.doc for row in rows)


def test_fields_that_no_file_writes_are_not_keys() -> None:
    assert "name" not in keys(Meter)


def test_what_is_read_later_arrives_as_it_stands() -> None:
    written = node({"a": "1"})
    assert Later(Section(Meter)).take(written, [], "x") is written
    assert str(Later()) == "anything"
