"""Rig files on disk: YAML read strictly, the example files, and every misspelling of their keys."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

import drivers
from rig.errors import ConfigError, UsageError
from rig.rigfile import yaml_reader
from rig.rigfile.config import read as read_rig
from rig.rigfile.node import Node
from rig.rigfile.schema import keys
from rig.rigfile.sections import InstrumentSection, RigSection

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.yaml"))


def parse(text: str) -> Node:
    return yaml_reader.parse(text, "rig.yaml")


def fault_of(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        parse(text)
    assert len(caught.value.faults) == 1, str(caught.value)
    return str(caught.value)


def plain(node: Node) -> object:
    """Return a node's value without places."""
    if isinstance(node.value, dict):
        return {name: plain(one) for name, one in node.value.items()}
    return [plain(one) for one in node.value] if isinstance(node.value, list) else node.value


# YAML 1.1 as the type repository of yaml.org has it (bool, int, float, merge, null) would make of these:
# False, True, 750, 83, 3.1, None, a date, 8.5 in base 60, infinity, a number.
@pytest.mark.parametrize(
    "written",
    [
        *("no", "yes", "on", "Off", "y", "null", "~", "1e3", "1.0e3", "12:30", "190:20:30.15", "0123", "08"),
        *("3.10", "1,5", "1_000", "0x1F", "0b11", "0o17", ".inf", "-.INF", ".nan", "2027-03-31", "+1", "="),
    ],
)
def test_a_scalar_stays_the_text_that_was_written(written: str) -> None:
    assert plain(parse(f"a: {written}\nb:\n  - {written}\n")) == {"a": written, "b": [written]}


def test_nothing_is_nothing_and_an_empty_text_is_a_text() -> None:
    assert plain(parse("a:\nb: ''\nc: \"\"\n")) == {"a": None, "b": "", "c": ""}


def test_every_value_knows_its_line_and_the_line_of_its_key() -> None:
    node = parse("# comment\na: 1\nb:\n  c:\n    - 2\n")
    assert isinstance(node.value, dict)
    b = node.value["b"]
    assert (b.key_line, b.line) == (3, 4)
    assert isinstance(b.value, dict)
    assert (b.value["c"].key_line, b.value["c"].line, b.file) == (4, 5, "rig.yaml")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: 1\nb: 2\na: 3\n", "rig.yaml:3: a: the key 'a' stands on line 1 already"),
        ("x: {a: 1, 'a': 2}\n", "rig.yaml:1: x.a: the key 'a' stands on line 1 already"),
        ("a: !!python/object/apply:os.system ['true']\n", "rig.yaml:1: a: found the tag"),
        ("a: !!int 5\n", "rig.yaml:1: a: found the tag"),
        ("? [a, b]\n: 1\n", "rig.yaml:1: file: a key that is not plain text"),
        ("a: 1\n--- \nb: 2\n", "rig.yaml:2: file: not YAML: but found another document"),
        ("a: [1, 2\nb: 3\n", "rig.yaml:2: file: not YAML"),
        ("a:\n\t- 1\n", "indent with spaces, not tabs"),
        ("a:\n  from: {unit}.volts\n", "put text that holds braces or a colon into quotes"),
        ("a: b: c\n", "rig.yaml:1: file: not YAML: mapping values are not allowed here"),
        ("a: *nowhere\n", "rig.yaml:1: file: not YAML: found undefined alias 'nowhere'"),
        ("a: &x [*x]\n", "rig.yaml:1: a[0]: an alias contains itself"),
        ("a: &x\n  <<: *x\n", "an alias contains itself"),
        ("a: &x 5\nb:\n  <<: *x\n", "rig.yaml:3: b.<<: what is merged is not a block of keys"),
        ("a: \x01\n", "rig.yaml:1: file: the character '\\x01' is not allowed"),
        ("", "the file is empty"),
        ("# only a comment\n", "the file is empty"),
        ("[" * 2000, "file: "),
        ("a: " + "[" * 50 + "]" * 50, "nested deeper than 40 levels"),
        ("%YAML 9.1\n---\na: 1\n", "not YAML"),
    ],
)
def test_what_is_not_plainly_readable_is_refused_with_its_line(text: str, said: str) -> None:
    assert said in str(fault_of(text) if said != "an alias contains itself" else _faults(text))


def _faults(text: str) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        parse(text)
    return caught.value


def test_merge_keys_take_over_what_is_not_written_and_the_first_block_wins() -> None:
    # YAML merge key type (yaml.org/type/merge.html): own keys win, then earlier blocks of a list.
    text = (
        "one: &one {a: 1, b: 1}\ntwo: &two {b: 2, c: 2}\n"
        "x: {<<: *one, b: 9}\ny:\n  c: 9\n  <<: [*one, *two]\nz: {'<<': text}\n"
    )
    node = parse(text)
    assert plain(node) == {
        "one": {"a": "1", "b": "1"},
        "two": {"b": "2", "c": "2"},
        "x": {"a": "1", "b": "9"},
        "y": {"a": "1", "b": "1", "c": "9"},
        "z": {"<<": "text"},
    }


def test_aliases_that_multiply_beyond_reason_are_refused_quickly() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 10)}]" for i in range(1, 12)]
    assert "aliases multiply to more than 200000 values" in fault_of("\n".join(lines))


_PLAIN = st.text(alphabet="abcXYZ019._ -:{}[]#&*!|>'\"%@,?=~<\n\t\\/", max_size=12)


@given(
    st.recursive(
        _PLAIN,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_PLAIN, inner, max_size=3),
        max_leaves=10,
    )
)
def test_what_a_yaml_writer_writes_is_read_back_as_text(value: object) -> None:
    # PyYAML's own writer as the reference; quoting everything keeps its types out of it.
    text = yaml.safe_dump(value, default_style='"')
    if value != "":
        assert plain(parse(text)) == value


@given(st.text(alphabet="ab:-[]{}#&*!|>'\"%@`,?<= \n\t~1é\x00", max_size=60))
def test_any_text_gives_nodes_or_named_faults(text: str) -> None:
    try:
        node = parse(text)
    except ConfigError:
        return
    assert node.line >= 1


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_the_example_files_have_no_fault(path: Path) -> None:
    rig = yaml_reader.read(path, drivers.spec)
    assert rig.layout.channels
    assert rig.runs_path == path.parent / "runs"
    assert rig.text == path.read_text("utf-8")


def test_the_example_files_show_templates_anchors_and_conversions() -> None:
    rigs = [yaml_reader.read(path, drivers.spec) for path in CONFIGS]
    assert any(len(rig.layout.units) >= 6 for rig in rigs)
    assert any(one.source and one.source.convert for rig in rigs for one in rig.layout.channels.values())
    six = next(rig for rig in rigs if len(rig.layout.units) >= 6)
    assert six.layout.channels["A6.heatsink"].limits[0].value == 105.0
    assert six.layout.channels["A5.heatsink"].limits[0].value == 95.0
    assert six.layout.channels["A1.transformer"].plausible == (-10.0, 300.0)


def _keys(
    raw: yaml.Node | None, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], yaml.Mark, str]]:
    """Yield every key as it stands in the file: the path above it, its place, its text."""
    if isinstance(raw, yaml.MappingNode):
        for key, value in raw.value:
            yield path, key.start_mark, key.value
            yield from _keys(value, (*path, key.value))
    elif isinstance(raw, yaml.SequenceNode):
        for value in raw.value:
            yield from _keys(value, path)


def _is_free(path: tuple[str, ...], name: str) -> bool:
    """Return whether a key is a name of one's own choice, where any other would do as well."""
    top = path[:1]
    return (
        name == "<<"
        or path == ("shared",)
        or top + path[2:] in {("units",), ("templates", "channels"), ("units", "channels")}
        or path == ("units",)
        or path == ("channels",)
        or path == ("alerts", "ways")
        or path in {("account", "parts"), ("account", "stages"), ("account", "windings")}
        or path[-1:] == ("fields",)
    )


MISSPELLINGS = {
    "a letter missing": lambda word: word[:-1],
    "a letter twice": lambda word: word[:1] + word,
    "a capital": lambda word: word[:1].upper() + word[1:],
    "two letters swapped": lambda word: (
        word[:-2] + word[-1] + word[-2] if word[-1] != word[-2] else word + "x"
    ),
}


def _misspelled(text: str, mark: yaml.Mark, word: str, wrong: str) -> str:
    at = mark.index + (text[mark.index] in "'\"")
    assert text[at : at + len(word)] == word
    return text[:at] + wrong + text[at + len(word) :]


def _survivors(path: Path, misspell: str, step: int = 1, first: int = 0) -> list[str]:
    """Return which keys (every ``step``th from ``first`` on) could be misspelled without being told where."""
    text = path.read_text("utf-8")
    survivors = []
    found = _keys(yaml.compose(text, Loader=yaml.BaseLoader))
    for above, mark, word in [one for one in found if not _is_free(one[0], one[2])][first::step]:
        wrong = MISSPELLINGS[misspell](word)
        if wrong == word:
            continue
        try:
            node = yaml_reader.parse(_misspelled(text, mark, word, wrong), "rig.yaml")
            read_rig(node, drivers.spec)
        except ConfigError as error:
            # A renamed bus or instrument is missed where it is used, by a message that offers the new name.
            if any(one.line == mark.line + 1 or repr(wrong) in one.allowed for one in error.faults):
                continue
        survivors.append(f"{mark.line + 1}: {'.'.join((*above, word))} -> {wrong}")
    return survivors


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_a_misspelled_key_of_the_examples_is_found_at_its_line(path: Path) -> None:
    # Every twentieth key of a long file; all of them in the slow test below.
    assert _survivors(path, "a letter missing", 20 if path.stat().st_size > 3000 else 1) == []


@pytest.mark.slow
@pytest.mark.parametrize("misspell", MISSPELLINGS)
@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_every_key_is_found_at_its_line_when_it_is_misspelled(path: Path, misspell: str) -> None:
    # each key of a long file in one of the four ways
    ways = list(MISSPELLINGS)
    long = path.stat().st_size > 3000
    assert _survivors(path, misspell, len(ways) if long else 1, ways.index(misspell) if long else 0) == []


def test_no_driver_takes_a_key_that_every_instrument_has() -> None:
    common = set(keys(InstrumentSection))
    for name in drivers.available():
        assert not common & set(keys(drivers.spec(name).options)), name


def test_a_file_that_cannot_be_opened_is_the_caller_s_mistake(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.yaml", tmp_path, Path("a\0b")):
        with pytest.raises(UsageError, match="cannot read the rig file"):
            yaml_reader.read(path, drivers.spec)


def test_a_file_that_is_not_utf_8_is_refused_at_its_line(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_bytes("rig: a\nruns: größe\n".encode("latin-1"))
    with pytest.raises(
        ConfigError, match=r"rig\.yaml:2: file: byte 0xf6 is not UTF-8; save the file as UTF-8"
    ):
        yaml_reader.load(path)


def test_a_byte_order_mark_and_foreign_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_bytes(b"\xef\xbb\xbfrig: a\r\nruns: b\r\n")
    assert plain(yaml_reader.load(path)) == {"rig": "a", "runs": "b"}


def test_a_huge_file_is_refused_before_it_is_read_as_yaml(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_bytes(b"# " + b"x" * yaml_reader.MAX_BYTES)
    with pytest.raises(ConfigError, match="write at most"):
        yaml_reader.load(path)


def test_faults_of_the_yaml_and_of_the_rig_come_together(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text("rig: a\nrig: b\nplanned: 12:30\n", "utf-8")
    with pytest.raises(ConfigError) as caught:
        yaml_reader.read(path, drivers.spec)
    said = str(caught.value)
    assert "the key 'rig' stands on line 1 already" in said
    assert "'12:30' is not an amount" in said
    assert "buses: missing" in said


def test_ports_of_this_machine_are_resolved_through_links(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to(tmp_path / "ttyX")
    (tmp_path / "ttyX").touch()
    assert yaml_reader.system_ports().resolve(str(link)) == str(tmp_path / "ttyX")
    assert yaml_reader.system_ports().resolve("/dev/\0") == "/dev/\0"


def _changes(text: str) -> st.SearchStrategy[str]:
    """Return edits of a file: a piece cut out, doubled, or replaced by something that means something."""
    lines = len(text.splitlines())
    inserts = st.sampled_from(
        [
            "",
            "~",
            "{}",
            "[]",
            "nan",
            "-1",
            "1e999 V",
            "0123",
            "no",
            "{a: b}",
            "*x",
            "&x",
            "<<: {}",
            "'",
            '"',
            "}",
            ":",
        ]
    )

    def changed(edit: tuple[int, float, float, str]) -> str:
        rows = text.splitlines()
        row = rows[edit[0]]
        a, b = sorted((round(edit[1] * len(row)), round(edit[2] * len(row))))
        rows[edit[0]] = row[:a] + edit[3] + row[b:]
        return "\n".join(rows)

    share = st.floats(0.0, 1.0)
    return st.tuples(st.integers(0, lines - 1), share, share, inserts).map(changed)


@pytest.mark.slow
@given(st.sampled_from(CONFIGS).flatmap(lambda path: _changes(path.read_text("utf-8"))))
def test_an_example_edited_at_random_is_a_rig_or_named_faults(text: str) -> None:
    try:
        rig = read_rig(yaml_reader.parse(text, "rig.yaml"), drivers.spec, text=text)
    except ConfigError as error:
        count = len(text.splitlines())
        for fault in error.faults:
            assert 1 <= fault.line <= count + 1
            assert fault.path
            assert fault.found
            assert fault.allowed
            assert re.match(r"rig\.yaml:\d+: .+: .+; .+", str(fault), re.DOTALL)
        return
    assert rig.layout.channels


_NAMES = [
    *keys(RigSection),
    *keys(InstrumentSection),
    "A1",
    "heatsink",
    "from",
    "unit",
    "high",
    "channels",
    "value",
]
_VALUES = [
    *(
        "a",
        "1",
        "2 s",
        "95 degC",
        "V",
        "none",
        "yes",
        "meter.volts",
        "A1.x + 1",
        "{unit}.x",
        "lines",
        "scpi",
        "modbus",
    ),
    *("/dev/ttyUSB0", "host:1", "LF", "", "12:30"),
]
_TREES = st.recursive(
    st.sampled_from(_VALUES),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(_NAMES), inner, max_size=4),
    max_leaves=25,
)


@pytest.mark.slow
@given(st.dictionaries(st.sampled_from(list(keys(RigSection))), _TREES, max_size=8))
def test_any_tree_of_known_words_is_a_rig_or_named_faults(tree: dict[str, object]) -> None:
    text = yaml.safe_dump(tree, default_style='"')
    with pytest.raises(ConfigError):
        read_rig(yaml_reader.parse(text, "rig.yaml"), drivers.spec, text=text)
