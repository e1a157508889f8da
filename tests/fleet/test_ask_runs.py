"""Asking many runs: in the order they were named, whatever becomes of one of them."""

from __future__ import annotations

import builtins
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rig.errors import UsageError
from rig.fleet import ask_runs, run_places
from rig.fleet.ask_runs import Workers
from rig.fleet.run_questions import DigestQuestion, Summarise
from tests.fleet import makers
from tests.fleet.makers import Recipe


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("fleet")
    makers.fleet(top, 4, seconds=60)
    return top


def test_answers_come_in_the_order_of_the_addresses(folder: Path) -> None:
    addresses = list(reversed(run_places.find([str(folder)])))
    told: list[tuple[int, int]] = []
    found = ask_runs.ask(Summarise(), addresses, on_progress=lambda done, of: told.append((done, of)))
    assert [one.where for one in found] == addresses
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_a_run_that_cannot_be_read_stops_no_other(folder: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "run.json").write_text("not JSON", "utf-8")
    addresses = [str(bad), *run_places.find([str(folder)])]
    first, *rest = ask_runs.ask(DigestQuestion(), addresses)
    assert first.value is None
    assert "run.json is damaged" in first.error
    assert all(one.value is not None for one in rest)


@pytest.mark.slow
def test_two_processes_answer_as_one_does(folder: Path) -> None:
    addresses = run_places.find([str(folder)])
    assert ask_runs.ask(DigestQuestion(), addresses, Workers(processes=2)) == ask_runs.ask(
        DigestQuestion(), addresses
    )


def test_a_missing_library_is_said_with_what_to_install(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "distributed":
            raise ImportError("no module named distributed")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError, match=r"pip install 'soakrig\[cluster\]'"):
        ask_runs.ask(DigestQuestion(), run_places.find([str(folder)]), Workers(scheduler="tcp://127.0.0.1:1"))


def test_the_cluster_s_libraries_are_not_loaded_unless_they_are_asked_for(folder: Path) -> None:
    code = (
        "import sys; from rig.cli.app import main; main(sys.argv[1:]);"
        "print([one for one in ('dask', 'distributed', 'pandas') if one in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "ls", str(folder)], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_run_that_is_being_recorded_takes_part(tmp_path: Path) -> None:
    makers.make(tmp_path, Recipe(name="soak", seconds=30, stopped=False, sealed=False))
    (answer,) = ask_runs.ask(DigestQuestion(), run_places.find([str(tmp_path)]))
    assert answer.value is not None
    assert answer.value.installations[0].observed_h == pytest.approx(29.5 / 3600, abs=1 / 3600)
