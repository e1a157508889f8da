"""Recordings to keep: made by the ordinary logger, beside their truth."""

import json
from pathlib import Path

import pytest

from rig.errors import SoakrigError, UsageError
from rig.store.reader import RunReader
from tests.samples import record


def test_nothing_that_exists_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "quiet-1").mkdir()
    with pytest.raises(SoakrigError, match="already exists"):
        record(tmp_path, name="quiet", seed=1, room=tmp_path / "room")
    with pytest.raises(SoakrigError, match="folder of its own"):
        record(tmp_path, name="quiet", seed=2, room=tmp_path)
    with pytest.raises(UsageError, match="no scenario named"):
        record(tmp_path, name="noise", seed=2, room=tmp_path / "room")


@pytest.mark.slow
def test_a_kept_recording_opens_and_holds_what_truly_happened(tmp_path: Path) -> None:
    kept = record(tmp_path, name="output-short-with-fuse", seed=2, room=tmp_path / "room")
    truth = json.loads((kept / "truth.json").read_text("utf-8"))
    run = RunReader.open(kept / "run")
    (unit,) = truth["dead"]
    offset = run.series(f"{unit}.offset")
    assert len(offset) > 55
    out = next(one for one in truth["crossings"] if one["channel"] == f"{unit}.offset")
    first = offset.t_ns[offset.value > out["limit"]][0]
    assert 0 <= first - out["out"]["utc_ns"] < 1_000_000_000
    assert not (tmp_path / "room").exists()
