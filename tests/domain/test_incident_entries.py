"""What is entered about an incident: checked before it stands in the record."""

from __future__ import annotations

from typing import Any

import pytest

from rig.domain.incident_entries import LONGEST_NAME, LONGEST_WORD, MOST_FILES, Relevance, checked, safe_name

ENTRY: dict[str, Any] = {"what": "entry", "number": 1, "unit": "A1", "opened_ns": 5}
FILE: dict[str, Any] = {"name": "a.jpg", "sha256": "0" * 64, "size": 3}
CLOSED: dict[str, Any] = {**ENTRY, "relevance": "relevant", "cause": "unit"}


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("photo.jpg", "photo.jpg"),
        ("/etc/passwd", "passwd"),
        ("..\\..\\board 3 (left).csv", "board 3 (left).csv"),
        ("../../x", "x"),
        (".hidden", "hidden"),
        ("a\nb\x00c\x1b[2J.txt", "a_b_c__2J.txt"),
        ("Kühlkörper.png", "Kühlkörper.png"),
        ("a\u202egpj.exe", "a_gpj.exe"),  # the sign that turns the direction of writing
        ("x" * LONGEST_NAME, "x" * LONGEST_NAME),
    ],
)
def test_a_name_keeps_no_path_and_nothing_that_a_screen_obeys(name: str, kept: str) -> None:
    assert safe_name(name) == kept
    assert safe_name(kept) == kept


@pytest.mark.parametrize("name", ["", "..", "/", ". .", "x" * (LONGEST_NAME + 1), "ü" * 101])
def test_a_name_of_which_nothing_is_left_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="file name"):
        safe_name(name)


def test_the_longest_name_fits_into_a_file_system_with_its_temporary_name() -> None:
    assert LONGEST_NAME + len(b"..tmp") <= 255  # NAME_MAX of Linux, limits.h


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ({}, "expected opened or entry"),
        ({"what": "opened"}, "needs a unit"),
        ({"what": "opened", "unit": "A1", "files": [FILE]}, "open it first"),
        ({**ENTRY, "number": -1}, "number"),
        ({**ENTRY, "number": True}, "number"),
        ({**ENTRY, "opened_ns": "5"}, "opened_ns"),
        ({**ENTRY, "at_ns": "noon"}, "at_ns"),
        ({**CLOSED, "relevance": "perhaps"}, "expected relevant, non-relevant, no-failure"),
        ({**CLOSED, "cause": "weather"}, "expected unit, rig, handling, unknown"),
        ({**CLOSED, "part": "x" * (LONGEST_WORD + 1)}, "part"),
        ({**CLOSED, "mechanism": "a\x1b[2J"}, "mechanism"),
        ({**ENTRY, "files": "a.jpg"}, "files"),
        ({**ENTRY, "files": [FILE] * (MOST_FILES + 1)}, "at most 50"),
        ({**ENTRY, "files": [{**FILE, "name": "../a"}]}, "plain name"),
        ({**ENTRY, "files": [{**FILE, "sha256": "xyz"}]}, "64 hexadecimal digits"),
        ({**ENTRY, "files": ["a.jpg"]}, "expected name, sha256 and size"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(data: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        checked(data)


def test_what_is_good_becomes_the_data_of_an_event_and_nothing_else_does() -> None:
    said = {**CLOSED, "part": " Q7 ", "files": [{**FILE, "more": 1}] * MOST_FILES, "at_ns": 7, "died": True}
    found = checked(said)
    assert found["part"] == "Q7"
    assert found["files"][0] == FILE
    assert found["at_ns"] == 7
    assert set(found) == {*CLOSED, "part", "mechanism", "revision", "files", "at_ns"}
    assert checked({**CLOSED, "part": "x" * LONGEST_WORD})["part"] == "x" * LONGEST_WORD


def test_the_words_of_relevance_are_those_of_the_trade() -> None:
    assert [one.words for one in Relevance] == ["relevant", "non-relevant", "no failure"]
