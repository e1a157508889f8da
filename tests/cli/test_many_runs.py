"""The commands that account for runs, from the command line to their exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rig.cli.app import main
from rig.fleet import upload
from tests.fleet import makers
from tests.fleet.makers import Recipe


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    makers.fleet(folder, 8, seconds=100)
    return folder


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good")
    return makers.make(folder, Recipe(name="good", serials=("0001", "0002"))).path


@pytest.fixture(scope="module")
def dead(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dead")
    return makers.make(folder, Recipe(name="dead", serials=("0001", "0002"), hot=(60, 70), dies_s=80)).path


def said(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    found = main(list(words))
    captured = capsys.readouterr()
    assert found == code, captured.out + captured.err
    return captured.out


def data(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(said(capsys, *words, "--json", code=code))
    return found


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_runs_of_a_tree_are_listed_by_folder(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "ls", str(fleet))
    assert f"{fleet / 'room-1'}:" in text
    assert text.index("room-1-0000") < text.index("room-1-0003") < text.index("room-2-0001")
    assert [one["facts"]["name"] for one in data(capsys, "ls", str(fleet / "room-3"))["runs"]] == [
        "room-3-0002", "room-3-0005",
    ]  # fmt: skip


def test_an_unreadable_run_is_named_and_changes_the_exit_code(
    fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run.json").write_text("{}", "utf-8")
    for command in (["ls"], ["search"], ["account", "--all"], ["reliability"]):
        text = said(capsys, *command, str(fleet), str(tmp_path), code=5)
        assert "run.json" in "".join(text.split())  # a long path may be broken at the end of a line
        assert data(capsys, *command, str(fleet), str(tmp_path), code=5)["not_read"]


def test_words_that_were_looked_for_in_excursions_only_are_said_to_be(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "--kind note" in said(capsys, "search", str(fleet), "--text", "smelled of varnish")
    assert "--kind" not in said(
        capsys, "search", str(fleet), "--text", "smelled of varnish", "--kind", "note"
    )


def test_where_no_run_can_be_read_that_is_said_and_not_that_nothing_is_proved(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run.json").write_text("{", "utf-8")
    assert main(["reliability", str(tmp_path)]) == 5
    assert "no run could be read: " in capsys.readouterr().err


def test_the_account_of_one_run_is_told_unit_by_unit(dead: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "account", str(dead))
    assert "FAILED" in text
    assert "A2, serial number 0002" in text
    assert "A2" not in said(capsys, "account", str(dead), "--unit", "0001").replace("0002", "")
    found = data(capsys, "account", str(dead), "--unit", "A1")["account"]
    (one,) = found["exposures"]
    assert one["output"]["on_s"] == pytest.approx(80, abs=1)
    assert found["deaths"][0]["serial"] == "0001"


def test_an_unknown_unit_is_refused_with_those_there_are(
    dead: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["account", str(dead), "--unit", "A9"]) == 2
    assert "no unit or serial number 'A9' in this recording; there are: A1 (0001)" in capsys.readouterr().err


def test_the_verdict_is_the_exit_code(good: Path, dead: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "INCONCLUSIVE  may have failed: no output for" in said(capsys, "verdict", str(dead), code=10)
    text = said(capsys, "verdict", str(good))
    assert text.startswith("VERDICT on rig room: PASS")
    assert data(capsys, "verdict", str(good))["verdict"]["outcome"] == "pass"


def test_unit_is_held_against_unit_and_run_against_run(
    good: Path, dead: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = one_line(said(capsys, "compare", str(good), str(dead), "--unit-a", "A1"))
    assert "first A1 (serial number 0001) of good second A1 (serial number 0001) of dead" in text
    both = data(capsys, "compare", str(good), str(dead))["comparisons"]
    assert [one["first"] for one in both] == [
        "A1 (serial number 0001) of good", "A2 (serial number 0002) of good",
    ]  # fmt: skip
    assert "A2 (serial number 0002)" in said(
        capsys, "compare", str(good), str(good), "--unit-a", "A1", "--unit-b", "A2"
    )


def test_a_unit_is_not_held_against_itself(good: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", str(good), str(good)]) == 2
    assert "give the units" in capsys.readouterr().err


def test_what_many_runs_prove_is_told_with_what_it_does_not_cover(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = (
        "reliability",
        str(fleet),
        "--mtbf",
        "5",
        "--good-mtbf",
        "20",
        "--shape",
        "2",
        "--arrhenius",
        "0.7",
        "40",
        "75",
    )
    text = one_line(said(capsys, *words))
    assert "DEMONSTRATED RELIABILITY from 8 runs of room-1, room-2, room-3" in text
    assert text.count("does not cover:") == 6
    assert "- D6 after 0.019" in text
    at = text.index("- D6 after")
    assert "no output for" in text[at : at + 120], text[at : at + 300]
    found = data(capsys, *words)["reliability"]
    assert [one["serial"] for one in found["failures"]] == ["D6"]
    # chi-square with 4 degrees of freedom at 90 %: 7.779 (NIST/SEMATECH e-Handbook, 1.3.6.7.4)
    assert found["bounds"]["lower_h"] == pytest.approx(2 * found["unit_h"] / 7.779, rel=1e-3)


def test_hours_of_one_run_are_held_against_use(good: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("account", str(good), "--in-use", "0.7", "25", "heatsink", "--ev-pm", "0.1")
    text = one_line(said(capsys, *words))
    assert "hours of use: " in text
    assert "at 25 degC (Arrhenius)" in text
    assert "assumes: damage adds up in whatever order it is done" in text
    (first, _) = data(capsys, *words)["account"]["use"]
    assert first["least_h"] < first["use_h"] < first["most_h"]
    assert main([*words[:2], "--in-use", "warm", "25", "heatsink"]) == 2
    assert "such as 0.7 55 heatsink" in capsys.readouterr().err
    assert main([*words, "--all"]) == 2
    assert "--in-use takes one run" in capsys.readouterr().err


def test_a_person_may_overrule_what_counts_as_a_failure(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = data(capsys, "reliability", str(fleet), "--survived", "D6", "--failed", "0001")["reliability"]
    assert [(one["serial"], one["how"]) for one in found["failures"]] == [("0001", "stated with --failed")]
    assert main(["reliability", str(fleet), "--failed", "nobody"]) == 2
    assert "serial number 'nobody' is in none of these runs" in capsys.readouterr().err


def test_excursions_of_one_kind_of_channel_are_found_in_all_runs(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "search", str(fleet), "--channel", "heatsink")
    assert text.startswith("1 match in 8 runs")
    assert "A1.heatsink" in text
    words = ("search", str(fleet), "--channel", "heatsink")
    assert data(capsys, *words, "--since", "2031-01-06")["found"] == []
    assert len(data(capsys, *words, "--until", "2031-01-05")["found"]) == 1
    assert main(["search", str(fleet), "--kind", "excursions"]) == 2
    assert "--kind 'excursions': there are excursion, warning" in capsys.readouterr().err


def test_serial_numbers_are_followed_over_runs(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "account", str(fleet), "--all", "--unit", "D6")
    assert "ACCOUNT of 1 serial number over 1 run" in text
    assert "FAILED 2031-01-07" in text
    every = data(capsys, "account", "--all", str(fleet))["histories"]
    assert len(every) == 16


def test_processes_must_be_a_number_that_makes_sense(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ls", str(fleet), "--processes", "0"]) == 2
    assert "expected 1 or more" in capsys.readouterr().err


def test_a_run_is_uploaded_and_found_again(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "0 already there" in said(capsys, "upload", str(good), "--to", str(tmp_path))
    assert "0 files put" in said(capsys, "upload", str(good), "--to", str(tmp_path))
    assert "good" in said(capsys, "ls", str(tmp_path))
    assert main(["upload", str(good), "--to", str(tmp_path), "--every", "0.1 s"]) == 2
    (good / "uploads.json").unlink()
    (good / upload.LOCK).unlink()


def test_a_note_that_a_unit_died_ends_its_account(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = makers.make(tmp_path, Recipe(name="soak", seconds=60, sealed=False, stopped=False)).path
    said(capsys, "note", str(run), "smoke", "--unit", "A2", "--died", "--at", "2031-01-01T02:14:00Z")
    (death,) = data(capsys, "account", str(run))["account"]["deaths"]
    assert (death["serial"], death["text"]) == ("0002", "noted by a person: smoke")
    assert main(["note", str(run), "smoke", "--died"]) == 2
