"""An answer from a damaged run says what it leaves out; from nothing there is no answer."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rig.cli.app import main
from rig.cli.arguments import tell_left_out
from rig.store.notes import Skipped
from tests.fleet.makers import Recipe, make

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "fan-failure-5"


@pytest.mark.parametrize(
    "command", [["account", "RUN"], ["verdict", "RUN"], ["compare", "RUN", "RUN"], ["postmortem", "RUN"]]
)
def test_a_run_of_which_nothing_can_be_read_is_not_judged_but_named(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = make(tmp_path, Recipe(name="robbed", seconds=20)).path
    for file in (run / "readings").iterdir():
        file.unlink()
    assert main([str(run) if word == "RUN" else word for word in command]) == 5
    said = capsys.readouterr()
    assert said.out == ""
    assert "robbed has nothing readable: " in said.err
    assert said.err.count(".parquet") == 1
    assert said.err.count("\n") == 1


def skipping(*reasons: str) -> Any:
    return SimpleNamespace(skipped=[Skipped(path=Path("/r/readings/a.parquet"), reason=r) for r in reasons])


def test_what_an_answer_leaves_out_is_told_once_and_beside_it(capsys: pytest.CaptureFixture[str]) -> None:
    run = skipping("/r/readings/a.parquet: footer damaged")
    tell_left_out(run, run)
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == "not read, left out of this answer: a.parquet: footer damaged\n"


def test_of_many_damaged_places_the_first_are_told_and_the_others_counted(
    capsys: pytest.CaptureFixture[str],
) -> None:
    tell_left_out(skipping(*(f"page {k}" for k in range(11))))
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 9
    assert lines[-1].endswith("and 3 more")


def test_a_run_of_which_no_judged_channel_can_be_read_is_not_explained(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(SAMPLE / "run", tmp_path / "run")
    (file,) = (tmp_path / "run" / "readings").iterdir()
    file.write_bytes(bytes(file.stat().st_size))
    assert main(["postmortem", str(tmp_path / "run")]) == 8
    said = capsys.readouterr()
    assert said.out == ""
    assert "no reading of" in said.err
