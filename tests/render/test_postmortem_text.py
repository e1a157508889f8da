"""The post-mortem as text and JSON: the answer first, nothing claimed beyond the evidence."""

import dataclasses
import json
import re
from datetime import UTC, timedelta, timezone
from pathlib import Path

import pytest
from rich.cells import cell_len

import rig.render
from rig.forensics import answer
from rig.forensics.postmortem_json import LEFT_OUT, SCHEMA
from rig.render.postmortem_text import as_json, rank, text
from tests.render.results import nothing, post_mortem

EAST = timezone(timedelta(hours=2))
WIDTHS = [60, 80, 100, 118, 160]


@pytest.mark.parametrize("width", WIDTHS)
def test_the_first_lines_are_the_answer(width: int) -> None:
    lines = text(post_mortem(), width, EAST).split("\n")
    short = " ".join("\n".join(lines[:14] if width >= 80 else lines[:18]).split())
    for needed in (
        "unit A3 (serial 0019)",
        "Result unit A3 left its limits on 4 channels",
        "2030-03-17 19:46:40.0 +02:00 = 17:46:40.0 UTC, known to within 0.5 s",
        "First out A3.fan",
        "Confidence certain: every other channel's interval begins after",
        "Cause the unit itself: the fan stopped",
        "Check first the fan and what drives it",
        "Caution A failed unit may hold charged reservoir capacitors and hot parts",
        "Isolate it from the mains (a variac does not isolate)",
        "competent persons decide; this software is no safety device",
    ):
        assert needed in short


@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_than_asked(width: int) -> None:
    assert max(cell_len(line) for line in text(post_mortem(), width, EAST).split("\n")) <= width


@pytest.mark.parametrize("width", WIDTHS)
def test_every_part_of_the_evidence_has_its_section(width: int) -> None:
    words = " ".join(text(post_mortem(), width, UTC).split())
    for needed in (
        "3. A3.volts, A3.bias (order undetermined)",
        "out at the first reading" if width < 118 else "out from the start",
        "A3.volts before A3.bias: probability 99 %; resolvable at 50 ms sampling; gap",
        "A3.heatsink before A3.bias: probability 63 %",
        "rising",
        "A3.volts: no onset seen before the limit",
        "* unit A3 (likely): the fan stopped, then heat rose",
        "evidence: A3.fan at +0.000 s: speed fell from 980 to 760 rpm",
        "ruled out if: a fan supply that sagged at the same time",
        "A3.volts: effect of A3 shutting down (protection tripped)",
        "A3.volts: 5 excursions and returns, one every 42 s",
        "Earlier excursions, returned to normal (1)",
        "A4 normal within limits",
        "-65.00 s note fan guard touched",
        "3 polls of scanner passed over",
        "within limits whenever read: A3.quiet",
        "no usable reading: A3.open",
        "no limit: tone",
        "the clock was not synchronised",
    ):
        assert needed in words, needed
    assert "told elsewhere" not in words


def test_what_is_not_certain_never_reads_as_certain() -> None:
    words = text(post_mortem(), 100, UTC)
    assert "100 %" not in words
    assert not re.search(r"probability 0 %", words)


def test_ranks_are_ranges_where_the_order_is_open() -> None:
    found = post_mortem()
    assert [rank(found, name) for name in found.order.channels] == ["1", "2-3", "3-4", "2-4"]


def test_when_nothing_failed_the_text_says_just_that() -> None:
    words = text(nothing(), 80, UTC)
    assert "Result      no channel left its limits" in words
    assert "no unit failed" in words
    assert "Caution" not in words
    assert "When" not in words
    assert "Sequence of excursions" not in words
    assert "within limits whenever read: A3.quiet" in words


@pytest.mark.parametrize(
    "names",
    [
        ("[bold]a", "b[/]", "\x1b[2Jc", "d\ne"),
        ("日本語の温度", "°C µ", "é" * 70, "x" * 200),
        ("a b", "c\td", "%s{0}", "\u202eevil"),
    ],
)
@pytest.mark.parametrize("width", [60, 160])
def test_foreign_names_neither_break_lines_nor_reach_the_terminal(
    names: tuple[str, str, str, str], width: int
) -> None:
    made = text(post_mortem(names), width, UTC)
    assert all(line.isprintable() for line in made.split("\n"))
    assert max(cell_len(line) for line in made.split("\n")) <= width


def test_the_same_zone_is_not_told_twice() -> None:
    assert "17:46:40.0 UTC" in text(post_mortem(), 100, UTC)
    assert "=" not in next(
        line for line in text(post_mortem(), 100, UTC).split("\n") if line.startswith("When")
    )


def test_json_carries_every_value_under_its_name() -> None:
    data = json.loads(as_json(post_mortem()))
    assert data["schema"] == SCHEMA
    assert data["order"]["ranks"]["A3.heatsink"] == [2, 3]
    assert data["channels"][3]["ordered"]["interval"]["earliest_ns"] is None
    assert data["channels"][0]["ordered"]["interval"]["method"] == "bracket"
    assert data["findings"][0]["role"] == "unit"


def test_every_field_of_the_json_is_described() -> None:
    """POSTMORTEM.md is the schema: a field that it does not name does not exist for the reader."""
    described = set(
        re.findall(r"`([a-z_]+)`", (Path(rig.render.__file__).parent / "POSTMORTEM.md").read_text("utf-8"))
    )

    def names(value: object) -> set[str]:
        if isinstance(value, dict):
            keep = {k for k in value if not k.startswith(("A3.", "tone"))}
            return keep.union(*(names(item) for item in value.values()))
        if isinstance(value, list):
            return set().union(*(names(item) for item in value))
        return set()

    written = names(json.loads(as_json(post_mortem())))
    assert written - described == set()
    declared = {
        field.name
        for one in vars(answer).values()
        if dataclasses.is_dataclass(one)
        for field in dataclasses.fields(one)
    }
    assert declared - described - LEFT_OUT == set()
    for kind in (answer.Method, answer.Censoring, answer.Role):
        assert {member.value for member in kind} <= set(
            re.findall(
                r"`([a-z-]+)`", (Path(rig.render.__file__).parent / "POSTMORTEM.md").read_text("utf-8")
            )
        )
