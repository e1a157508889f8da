"""soakrig unit, from the command line to its exit codes, over runs made by the real writer."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.cli.app import main
from tests.fleet import makers
from tests.fleet.makers import YEAR_2031_NS, Recipe, S

DAY = 86_400 * S
SAMPLES = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days: unit 0001 moves to place A2 and back, where it stops giving output."""
    top = tmp_path_factory.mktemp("runs")
    makers.make(top, Recipe(name="first", seconds=60))
    makers.make(
        top / "deeper",
        Recipe(name="second", seconds=60, start_ns=YEAR_2031_NS + DAY, serials=("0002", "0001")),
    )
    makers.make(top, Recipe(name="third", start_ns=YEAR_2031_NS + 2 * DAY, dies_s=80))
    return top


def said(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    found = main(["unit", *words])
    captured = capsys.readouterr()
    assert found == code, captured.out + captured.err
    return " ".join((captured.out + captured.err).split())


def test_a_unit_is_followed_through_places_and_runs_newest_first(
    runs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "0001", str(runs))
    assert "SERIAL NUMBER 0001: 3 installations in 3 runs of room" in text
    assert "2031-01-03 02:13 to 2031-01-03 02:15 third, place A1, load 8 ohm: 2 min observed" in text
    assert text.index("third, place A1") < text.index("second, place A2") < text.index("first, place A1")
    assert "counted as FAILED since 2031-01-03 02:14 UTC" in text
    assert "suspected (possible): no output" in text


def test_its_json_carries_all_of_it(runs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(said(capsys, "0001", str(runs), "--json"))
    life = found["unit"]
    assert [one["facts"]["name"] for one in life["stays"]] == ["third", "second", "first"]
    assert life["states"]["driven"]["hours"] * 3600 == pytest.approx(60 + 60 + 80, abs=4)
    assert life["failures"][0]["certainty"] == "possible"
    assert found["not_read"] == []


def test_one_that_is_nowhere_is_a_clear_error_with_near_ones(
    runs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "0003", str(runs), code=2)
    assert f"serial number '0003' is in none of 3 runs at {runs}; near ones: " in text
    assert "0001" in text
    assert "0002" in text


def test_a_damaged_run_is_named_and_passed_over(
    runs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run.json").write_text("{}", "utf-8")
    text = said(capsys, "0001", str(runs), str(tmp_path), code=5)
    assert "3 installations in 3 runs" in text
    assert "Not read" in text
    assert "run.json" in text.replace(" ", "")
    assert "not read: " in said(capsys, "9", str(runs), str(tmp_path), code=2)
    assert "no run could be read" in said(capsys, "0001", str(tmp_path), code=5)


def test_a_serial_number_in_two_places_at_once_is_told(
    runs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    makers.make(tmp_path, Recipe(name="other-rig", rig="other", seconds=30, serials=("0001", "0009")))
    text = said(capsys, "0001", str(runs), str(tmp_path))
    assert "Recorded in two places at once" in text
    assert "of room, other" in text or "of other, room" in text


def test_recordings_of_the_simulated_room_that_name_no_signals_are_read_too(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """They were recorded one beside the other, with the same serial numbers: that is said."""
    text = said(capsys, "S0002", str(SAMPLES))
    assert "SERIAL NUMBER S0002: 3 installations in 3 runs of simulated-room" in text
    assert "Recorded in two places at once" in text
    assert "unobserved: nothing is claimed of that time" in text
