"""The limits file: what the columns of a foreign recording mean, in the words of a rig file.

Units, templates and channels are written as in a rig file, but a channel comes ``from:`` a column. What a
file says of itself (delimiter, decimal sign, form of the stamps) need not be written; what is written
wins over what is found.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from drivers.bus.numbers import STATUS_WORDS
from rig.domain.model import Channel, Status, Unit
from rig.errors import ConfigError, ConfigFault
from rig.rigfile import yaml_reader
from rig.rigfile.channel_section import Readable
from rig.rigfile.node import Node, NodePlace, entries
from rig.rigfile.schema import (
    AmountField,
    Checked,
    Choice,
    Flag,
    Integer,
    Later,
    Map,
    Name,
    OneOf,
    Section,
    Seq,
    Text,
    key,
    take_keys,
)
from rig.rigfile.sections import ChannelSection, TemplateSection, UnitSection
from rig.rigfile.unit_channels import ChannelReader

INSTRUMENT = "file"
"""Stands in a recording for the instrument that the columns of a file come from."""

EPOCHS = {"epoch-s": 10**9, "epoch-ms": 10**6, "epoch-us": 10**3, "epoch-ns": 1}
"""Nanoseconds in a step of 1 of each epoch format."""
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
DECIMALS = {"point": ".", "comma": ","}
THOUSANDS = {"none": "", "point": ".", "comma": ","}
_OFFSET = re.compile(r"([+-])([01][0-9]):?([0-5][0-9])")


def zone(text: str) -> tzinfo:
    """Return the time zone that a name (``Europe/Berlin``), ``UTC`` or an offset stands for.

    Raises ValueError.
    """
    if text.upper() in {"UTC", "Z"}:
        return UTC
    match = _OFFSET.fullmatch(text)
    if match:
        size = timedelta(hours=int(match[2]), minutes=int(match[3]))
        return timezone(-size if match[1] == "-" else size)
    try:
        return ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise ValueError("this machine knows no such zone") from None


def _format(text: str) -> str:
    if text in {"iso", "elapsed", *EPOCHS}:
        return text
    if "%" not in text:
        raise ValueError("not a known format")
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSection:
    """How the stamps of a file are written."""

    column: str | tuple[str, ...] = key(
        OneOf(Text(), Seq(Text(), least=1, most=3)),
        default=(),
        doc="column of the stamps, or columns whose texts are joined by a space; found out if absent",
    )
    format: str = key(
        Checked(
            Text(), _format, f"iso, elapsed, {', '.join(EPOCHS)}, or a pattern such as '%d.%m.%Y %H:%M:%S'"
        ),
        default="",
        doc="form of the stamps; found out if absent",
    )
    zone: tzinfo | None = key(
        Checked(Text(), zone, "a zone such as Europe/Berlin, UTC or +01:00"),
        default=None,
        doc="zone of stamps that name none; absent: they are taken as UTC, and that is reported",
    )
    start: str = key(Text(), default="", doc="moment from which elapsed seconds count, as ISO 8601")
    half_width_s: float | None = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="half-width",
        default=None,
        doc="largest distance in time of a value from its timestamp; absent: half of what the stamps resolve",
    )
    stamps: str = key(
        Choice("rounded", "cut"),
        default="rounded",
        doc="cut: the logger cut the digits off, so a value was taken up to one step after its stamp",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSection:
    """How a text file is written; all of it is found out where absent."""

    delimiter: str = key(Choice(*DELIMITERS), default="", doc="what stands between cells")
    decimal: str = key(Choice(*DECIMALS), default="", doc="decimal sign of numbers")
    thousands: str = key(Choice(*THOUSANDS), default="", doc="sign between groups of three digits")
    encoding: str = key(Choice("utf-8", "utf-16", "windows-1252"), default="", doc="encoding of the text")
    header: int | None = key(Integer(1, 1000), default=None, doc="line that names the columns")
    form: str = key(
        Choice("wide", "long"), default="", doc="wide: a column per channel; long: a line per reading"
    )
    channel: str = key(Text(), default="", doc="long form: column with the name of the channel")
    value: str = key(Text(), default="", doc="long form: column with the value")
    status: str = key(Text(), default="", doc="long form: column with the status")
    half_width: str = key(Text(), default="", doc="long form: column with the half-width in seconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsSection:
    """A whole limits file."""

    rig: str = key(Name(hyphens=True), default="imported", doc="name of the rig, for the recording")
    time: TimeSection = key(Section(TimeSection), default=TimeSection(), doc="the stamps")
    table: TableSection = key(Section(TableSection), default=TableSection(), doc="how text files are written")
    columns: dict[str, str] = key(
        Map(Text(), names=Text(), word="COLUMN"),
        default={},
        doc="channel that a column holds; same as from: COLUMN",
    )
    words: dict[str, str] = key(
        Map(Choice(*STATUS_WORDS), names=Text(), word="WORD"),
        default={},
        doc="words in place of a number, and their meaning",
    )
    partial: bool = key(Flag(), default=False, doc="yes: channels without a column are left out, and named")
    shared: Node | None = key(
        Later(), default=None, doc="anything: a place for YAML anchors that other parts use"
    )
    templates: dict[str, Node] = key(
        Map(Later(Section(TemplateSection)), names=Name(hyphens=True), word="TEMPLATE"),
        default={},
        doc="templates of units",
    )
    units: dict[str, Node] = key(
        Map(Later(Section(UnitSection)), word="UNIT"), default={}, doc="units under test"
    )
    channels: dict[str, Node] = key(
        Map(Later(Section(ChannelSection)), word="CHANNEL"), default={}, doc="the room's own channels"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What a limits file says.

    columns: channel -> the column it comes from, as written ('' where the channel's own name is meant).
    places: channel -> where it stands in the file. silences: channels whose ``silence`` is written.
    """

    rig: str
    text: str
    file: str
    time: TimeSection
    table: TableSection
    words: Mapping[str, Status]
    units: Mapping[str, Unit]
    channels: Mapping[str, Channel]
    columns: Mapping[str, str]
    places: Mapping[str, NodePlace]
    silences: frozenset[str]
    partial: bool


def read(path: Path) -> Meaning:
    """Return what a limits file says. Raises ConfigError with every fault, UsageError if it can't be read."""
    node = yaml_reader.load(path)
    return parse(node, path.read_text("utf-8-sig"))


def parse(node: Node, text: str = "") -> Meaning:
    """Return what the nodes of a limits file say. Raises ConfigError with every fault."""
    faults: list[ConfigFault] = []
    top = LimitsSection(**take_keys(LimitsSection, node, faults, ""))
    _check_time(top.time, NodePlace(node, "", faults))
    reader = _ColumnChannels(node, {INSTRUMENT: Readable(poll_s=0.0, blocks=None)}, faults)
    reader.read()
    if not reader.channels:
        NodePlace(node, "", faults).say("channels", "there is no channel", "write channels: or units:")
    columns = _columns(node, reader, top.columns, faults)
    if faults:
        raise ConfigError(faults)
    return Meaning(
        rig=top.rig,
        text=text,
        file=node.file,
        time=top.time,
        table=top.table,
        words={word: STATUS_WORDS[meaning] for word, meaning in top.words.items()},
        units=reader.units,
        channels={name: one for name, (one, _) in reader.channels.items() if one is not None},
        columns=columns,
        places={name: place for name, (_, place) in reader.channels.items()},
        silences=frozenset(name for name, (_, place) in reader.channels.items() if place.has("silence")),
        partial=top.partial,
    )


def _check_time(time: TimeSection, place: NodePlace) -> None:
    if time.format == "elapsed" and not time.start:
        place.say("time.start", "elapsed seconds without a start", "write start: 2031-02-03T04:05:06Z")
    if time.start and time.format != "elapsed":
        place.say("time.start", "a start without elapsed seconds", "write format: elapsed, or leave it out")


class _ColumnChannels(ChannelReader):
    """Channels that come from columns instead of fields of instruments."""

    def _channel(self, name: str, unit: str | None, local: str, place: NodePlace) -> None:
        """Read a channel; what it comes from is put in the form that a rig file has."""
        value = place.node.value
        if isinstance(value, dict) and "formula" not in value:
            written = value.get("from")
            column = written.value if written is not None and isinstance(written.value, str) else name
            at = written if written is not None else place.node
            source = Node(f"{INSTRUMENT}.{column or name}", at.line, at.file, at.key_line)
            if written is None or isinstance(written.value, str):
                value = {**value, "from": source}
            for key_ in ("convert", "cold-junction"):
                if key_ in value:
                    place.say(key_, "sensor curves are for instruments", "give the column in its own unit")
                    value = {k: v for k, v in value.items() if k != key_}
            place = replace(place, node=replace(place.node, value=value))
        super()._channel(name, unit, local, place)


def _columns(
    node: Node, reader: ChannelReader, mapped: Mapping[str, str], faults: list[ConfigFault]
) -> dict[str, str]:
    """Return the column of each measured channel, '' for the one of its own name."""
    columns = {}
    top = NodePlace(node, "", faults)
    for name, (one, place) in reader.channels.items():
        if one is not None and one.source is not None:
            given = one.source.field
            columns[name] = given if given != name else ""
        elif one is None and not entries(place.node).get("formula"):
            columns[name] = ""
    for column, name in mapped.items():
        place = NodePlace(entries(node, "columns")[column], f"columns.{column}", faults)
        if name not in columns:
            place.say("", f"there is no measured channel {name!r}", "name a channel of this file")
        elif columns[name]:
            place.say("", f"{name} comes from {columns[name]!r} already", "say it once")
        else:
            columns[name] = column
    seen: dict[str, str] = {}
    for name, column in columns.items():
        other = seen.setdefault(column or name, name)
        if other != name:
            top.say("columns", f"{other} and {name} come from one column {column!r}", "use a formula")
    return columns
