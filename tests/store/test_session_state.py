"""Where a run stands, its sessions and its indexes: what is written is read again, and damage is named."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.errors import DamageError
from rig.store import rundir, session_state
from rig.store.index import ChannelNote, FileNote, Index, SessionNote
from rig.store.rundir import SessionFacts
from rig.store.session_state import SessionState
from tests.everything import every
from tests.store.rooms import new_run

IN_ONE_FOLDER = settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
WORDS = st.text(max_size=5)


@given(every(SessionState))
@IN_ONE_FOLDER
def test_where_a_run_stands_is_read_as_it_was_written(tmp_path: Path, stands: SessionState) -> None:
    run = rundir.open_run(tmp_path / "run") if (tmp_path / "run").exists() else new_run(tmp_path, name="run")
    session_state.write(run, stands)
    assert session_state.read(run) == (stands, "")


@given(every(SessionFacts, number=st.integers(1, 9)))
@IN_ONE_FOLDER
def test_a_session_is_read_as_it_was_written(tmp_path: Path, session: SessionFacts) -> None:
    run = rundir.open_run(tmp_path / "run") if (tmp_path / "run").exists() else new_run(tmp_path, name="run")
    rundir.write_session(run, session)
    assert rundir.read_sessions(run)[session.number] == session


@given(
    every(
        Index,
        sessions=st.dictionaries(st.integers(1, 99), every(SessionNote), max_size=2),
        channels=st.dictionaries(WORDS, st.builds(ChannelNote), max_size=2),
        files=st.dictionaries(WORDS, every(FileNote), max_size=2),
    )
)
@settings(max_examples=30, deadline=None)
def test_an_index_is_read_as_it_was_written(index: Index) -> None:
    found = Index.parse(Path("x.json"), index.to_bytes())
    assert repr(found) == repr(index)  # a channel without a number has NaN, which equals nothing


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"serials": {"A1": 7}}, r"damaged .*Expected `str`, got `int` - at `\$\.serials"),
        ({"program": []}, r"damaged .*Expected `object`, got `array` - at `\$\.program"),
        ({"format": 9}, "of another format"),
    ],
)
def test_a_damaged_file_is_named_with_the_place(
    tmp_path: Path, values: dict[str, object], words: str
) -> None:
    run = new_run(tmp_path)
    session_state.write(run, SessionState(config="abc"))
    path = run.path / session_state.NAME
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **values}), "utf-8")
    found, wrong = session_state.read(run)
    assert found == SessionState()
    assert wrong.startswith(str(path))
    assert re.search(words, wrong)


def test_a_manifest_of_the_wrong_types_is_damage_with_the_place(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    path = run.path / rundir.MANIFEST
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), "created_ns": "noon"}), "utf-8")
    with pytest.raises(DamageError, match=r"run\.json is damaged .*at `\$\.created_ns`"):
        rundir.open_run(run.path)


@pytest.mark.parametrize("missing", ["config", "serials", "written", "program"])
def test_a_file_that_lacks_something_is_damaged_and_claims_nothing(tmp_path: Path, missing: str) -> None:
    """A default in its place would say that no program ever began, or that nobody sits anywhere."""
    run = new_run(tmp_path)
    session_state.write(run, SessionState(config="abc", program={"at": 1}))
    path = run.path / session_state.NAME
    values = json.loads(path.read_text("utf-8"))
    del values[missing]
    path.write_text(json.dumps(values), "utf-8")
    found, wrong = session_state.read(run)
    assert found == SessionState()
    assert f"damaged (KeyError('{missing}'))" in wrong
