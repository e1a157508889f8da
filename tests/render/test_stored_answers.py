"""A kept answer is, word for word, what working it out again would say."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from zlib import crc32

import pytest

from rig.cli.app import main
from rig.errors import DamageError
from rig.forensics.analysis import analyse
from rig.forensics.postmortem_json import from_storage, to_storage
from rig.render import stored_answers
from rig.render.stored_answers import StoredPostMortem
from rig.store import result_cache
from rig.store.reader import RunReader
from rig.store.result_cache import FOLDER
from rig.store.rundir import newest_run
from tests.render.results import post_mortem
from tests.store.rooms import new_run, pair, writer

SAMPLES = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture
def sample(tmp_path: Path) -> Path:
    """Return a copy of a sample run."""
    return copied("fan-failure-5", tmp_path)


def copied(name: str, folder: Path) -> Path:
    """Return a copy of a sample run as it comes from an archive: without empty folders, nothing asked yet."""
    asked = shutil.ignore_patterns(FOLDER)
    path = shutil.copytree(newest_run(SAMPLES / name), folder / "run", ignore=asked)
    for one in path.iterdir():
        if one.is_dir() and not any(one.iterdir()):
            one.rmdir()
    return path


def test_everything_a_post_mortem_can_hold_survives_being_kept() -> None:
    made = post_mortem()
    made = replace(made, channels=(replace(made.channels[0], period_s=float("inf")), *made.channels[1:]))
    assert from_storage(json.loads(json.dumps(to_storage(made)))) == made


@pytest.mark.slow
@pytest.mark.parametrize("name", [path.name for path in sorted(SAMPLES.iterdir()) if path.is_dir()])
def test_the_answer_to_a_sample_run_survives_being_kept(name: str, tmp_path: Path) -> None:
    path = copied(name, tmp_path)
    run = RunReader.open(path)
    for unit in (None, *run.layout.units):
        asked = StoredPostMortem(path, unit)
        found = analyse(run, unit)
        assert asked.answer() is None
        assert asked.keep(found, run)
        assert StoredPostMortem(path, unit).answer() == found


@pytest.mark.slow
def test_what_the_command_says_is_the_same_the_second_time_and_needs_no_arithmetic(
    sample: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = []
    for more in ([], [], ["--recompute"], ["--json"], ["--json", "--recompute"]):
        assert main(["postmortem", str(sample), *more]) == 0
        said.append(capsys.readouterr().out)
    assert said[0] == said[1] == said[2]
    assert said[3] == said[4]
    code = "import sys; from rig.cli.app import main; main(sys.argv[1:]); print('numpy' in sys.modules)"
    command = [sys.executable, "-c", code, "postmortem", str(sample)]
    found = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert found.endswith("False\n")


def test_a_note_makes_the_kept_answer_one_of_yesterday(
    sample: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["postmortem", str(sample)]) == 0
    assert StoredPostMortem(sample).answer() is not None
    assert main(["note", str(sample), "the fan was stuck with a cable tie"]) == 0
    assert StoredPostMortem(sample).answer() is None
    capsys.readouterr()


def test_another_program_works_it_out_itself(sample: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = RunReader.open(sample)
    assert StoredPostMortem(sample).keep(analyse(run), run)
    assert StoredPostMortem(sample).answer() is not None
    monkeypatch.setattr(stored_answers, "__version__", "0.0.1")
    assert StoredPostMortem(sample).answer() is None


def test_a_run_that_changed_while_it_was_read_keeps_no_answer(sample: Path) -> None:
    asked = StoredPostMortem(sample)
    run = RunReader.open(sample)
    found = analyse(run)
    (sample / "readings" / "more").touch()
    assert not asked.keep(found, run)


def test_an_answer_that_leaves_something_out_is_not_kept(sample: Path) -> None:
    for file in (sample / "readings").iterdir():
        file.write_bytes(file.read_bytes()[:-1])
    asked = StoredPostMortem(sample)
    run = RunReader.open(sample)
    assert not asked.keep(analyse(run), run)


def test_a_unit_whose_name_is_no_file_name_is_worked_out_every_time(sample: Path) -> None:
    run = RunReader.open(sample)
    asked = StoredPostMortem(sample, "../A2")
    assert not asked.keep(analyse(run), run)
    assert asked.answer() is None


def test_the_logger_s_helper_has_the_answer_ready(sample: Path) -> None:
    assert stored_answers.main([str(sample)]) == 0
    assert StoredPostMortem(sample).answer() == analyse(RunReader.open(sample))


def test_the_helper_seals_a_run_that_cannot_be_explained_and_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = new_run(tmp_path)  # no rig file is frozen in it
    recorder = writer(run)
    for k in range(50):
        recorder.scans(pair(k))
    recorder.sync()
    recorder.close()
    assert stored_answers.main([str(run.path)]) == DamageError.exit_code
    assert "no post-mortem stored" in capsys.readouterr().err
    assert list((run.path / "sealed").iterdir())


@pytest.mark.slow
def test_an_answer_with_the_field_names_of_version_1_is_worked_out_again(
    sample: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Such an answer carries the mark of its own program; even under this program's it is not misread."""
    run = RunReader.open(sample)
    stored = StoredPostMortem(sample)
    assert stored.keep(analyse(run), run)
    (file,) = (sample / FOLDER).iterdir()
    head, _, body = file.read_bytes().partition(b"\n")
    data = json.loads(body)
    names = {"result": "what", "first_out": "first", "confidence": "sure", "check_first": "look_at"}
    data["headline"] = {names.get(name, name): one for name, one in data["headline"].items()}
    data["doubts"] = data.pop("limitations")
    older = json.dumps(data).encode()
    facts = {**json.loads(head), "crc": crc32(older)}
    file.write_bytes(json.dumps(facts).encode() + b"\n" + older)
    assert stored.answer() is None
    file.write_bytes(json.dumps({**facts, "made_of": "0" * 32}).encode() + b"\n" + older)
    assert stored.answer() is None
    assert main(["postmortem", str(sample)]) == 0
    assert "Result      A2 failed" in capsys.readouterr().out
    assert StoredPostMortem(sample).answer() == analyse(RunReader.open(sample))


@pytest.mark.parametrize("package", ["domain", "forensics", "sensor_faults", "attribution", "store"])
def test_an_answer_of_a_program_with_other_files_is_not_taken(
    sample: Path, monkeypatch: pytest.MonkeyPatch, package: str
) -> None:
    run = RunReader.open(sample)
    assert StoredPostMortem(sample).keep(analyse(run), run)
    taken = result_cache.listed

    def changed(folder: Path, ending: str = "") -> list[str]:
        lines = taken(folder, ending)
        return [*lines, "words.py 1 1"] if folder.name == package else lines

    monkeypatch.setattr(result_cache, "listed", changed)
    assert StoredPostMortem(sample).answer() is None
