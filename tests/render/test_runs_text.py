"""The list of runs."""

from pathlib import Path

import pytest

from rig.clock import SYSTEM
from rig.domain.model import EventKind
from rig.errors import UsageError
from rig.fleet import ask_runs, run_places
from rig.fleet.run_questions import Summarise
from rig.render import runs_text
from rig.store import rundir
from rig.store.seal import seal
from tests.view.recordings import Recording


def listed(folder: Path) -> str:
    answers = ask_runs.ask(Summarise(), run_places.find([str(folder)]))
    return runs_text.text(
        [one.value for one in answers if one.value],
        [f"{one.where}: {one.error}" for one in answers if one.error],
    )


def line(folder: Path) -> str:
    return listed(folder).split("\n")[1]


def test_a_run_is_listed_with_what_became_of_it(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    recording.scans()
    assert line(tmp_path).split()[:3] == ["soak", "hot-room", "running"]
    recording.event(EventKind.LIMIT_OUT, "A1.heatsink", "out", side="high")
    recording.crash()
    assert line(tmp_path).split()[2] == "crashed"
    assert "1: A1" in line(tmp_path)
    assert line(tmp_path).split()[-3] == "A1"  # it was out when the record ended
    assert "still out: units" in listed(tmp_path)
    recording.begin(recording.plan)
    recording.stop()
    assert line(tmp_path).split()[2] == "stopped"
    assert line(tmp_path).split()[-3] == "-"  # the new session has not reported it again
    rundir.end_run(recording.run, SYSTEM.utc_ns(), "a test")
    assert line(tmp_path).split()[2] == "finished"


def test_open_incidents_are_counted_only_where_there_are_any(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    recording.scans()
    recording.event(EventKind.NOTE, "A1", "hums", unit="A1")
    assert "incidents" not in listed(tmp_path)
    ordered = {"what": "ordered", "purpose": "switch-off", "attempt": 1}
    recording.event(EventKind.SWITCH, "A1", "switching A1 off", **ordered)
    recording.event(EventKind.NOTE, "A2", "smoke", unit="A2", died=True)
    assert line(tmp_path).endswith("2 open")
    assert "nobody has closed yet" in " ".join(listed(tmp_path).split())
    recording.stop()
    seal(recording.run)
    assert line(tmp_path).endswith("2 open")


def test_a_folder_of_a_newer_format_is_listed_with_the_reason(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    recording.stop()
    manifest = recording.path / "run.json"
    manifest.write_text(manifest.read_text("utf-8").replace('"format": 1', '"format": 99'), "utf-8")
    assert listed(tmp_path).startswith("not read: ")
    assert "format 99" in " ".join(listed(tmp_path).split())


def test_an_empty_folder_and_no_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no runs in"):
        listed(tmp_path)
    with pytest.raises(UsageError, match="is not a folder"):
        listed(tmp_path / "absent")
    assert runs_text.text([]) == "no runs here"
