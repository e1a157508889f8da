"""Limits files: the words of a rig file, faults at their lines, and a page that keeps up."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

import rig.interchange
from rig.errors import ConfigError
from rig.interchange import limits_file
from rig.interchange.limits_file import LimitsSection, TableSection, TimeSection
from rig.rigfile.schema import keys
from tests.interchange.tables import LIMITS, Desk, meaning

PAGE = (Path(rig.interchange.__file__).parent / "LIMITS.md").read_text("utf-8")


def test_the_example_of_the_page_makes_a_run(desk: Desk) -> None:
    example = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)[0]
    rows = [f"03.02.2031 13:00:0{k};60,5;40;61;40;230\n" for k in range(2)]
    table = "Zeit;T1;U1;T2;U2;Mains\n" + "".join(rows)
    run = desk.run(table, limits_text=example)
    assert run.series("A2.power").value.tolist() == [200.0, 200.0]
    assert run.layout.channels["A1.heatsink"].lag_s == 8.0


@pytest.mark.parametrize(("section", "prefix"), [(TimeSection, "time."), (TableSection, "table.")])
def test_every_key_is_on_the_page(section: type, prefix: str) -> None:
    for name in keys(section):
        assert f"`{prefix}{name}`" in PAGE
    for name in keys(LimitsSection):
        assert name == "shared" or f"{name}:" in PAGE or f"`{name}" in PAGE


def test_a_channel_comes_from_its_column_however_that_is_said() -> None:
    said = LIMITS.replace("from: tc1, ", "") + "columns: {tc1: A1.heatsink}\n"
    assert meaning(said).columns == meaning().columns == {
        "mains": "", "A1.heatsink": "tc1", "A1.output": "volts",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (LIMITS + "columns: {x: A1.nothing}\n", "columns.x: there is no measured channel 'A1.nothing'"),
        (LIMITS + "columns: {x: A1.heatsink}\n", "A1.heatsink comes from 'tc1' already; say it once"),
        (LIMITS.replace("from: volts", "from: tc1"), "A1.heatsink and A1.output come from one column 'tc1'"),
        (LIMITS.replace("from: tc1", "from: tc1, convert: pt100"), "sensor curves are for instruments"),
        (LIMITS + "time: {zone: Atlantis}\n", "this machine knows no such zone; write a zone such as"),
        (LIMITS + "time: {format: elapsed}\n", "time.start: elapsed seconds without a start"),
        (LIMITS + "time: {format: sometimes}\n", "not a known format; write iso, elapsed,"),
        (LIMITS + "tabel: {}\n", "unknown key 'tabel'; did you mean 'table'?"),
        (LIMITS + "words: {dead: gone}\n", "write one of over, under, no-value"),
        ("rig: empty\n", "there is no channel"),
        ("- a list\n", "found a list"),
        ("just text\n", "found 'just text'"),
    ],
)
def test_a_fault_stands_at_its_line_with_what_to_write(text: str, fault: str) -> None:
    with pytest.raises(ConfigError, match=r"limits.yaml:\d+: ") as caught:
        meaning(text)
    assert fault in str(caught.value)


@pytest.mark.parametrize(("text", "hours"), [("+05:30", 5.5), ("-0330", -3.5), ("UTC", 0.0), ("+01:00", 1.0)])
def test_zones_are_names_or_offsets(text: str, hours: float) -> None:
    assert limits_file.zone(text).utcoffset(None) == timedelta(hours=hours)
