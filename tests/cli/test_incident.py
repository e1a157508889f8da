"""The command for incidents, and swaps after the fact, on a run that nobody records or that has ended."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from rich.cells import cell_len

from rig.cli import app
from rig.domain.layout_json import to_json
from rig.domain.limit_history import limit_spans
from rig.domain.model import EventKind, Unit
from rig.endurance.phases_in_force import installations
from rig.fleet.upload import upload
from rig.render.postmortem_text import CAUTION
from rig.store import incident_files, rundir
from rig.store.reader import RunReader
from rig.store.rundir import RunDir
from rig.store.seal import seal
from rig.store.verify import verify
from rig.store.writer import RunWriter
from tests.daemon.test_resume import LAYOUT, MAINS

S = 1_000_000_000
UTC_NS = 1_700_000_000 * S
"""2023-11-14 22:13:20 UTC."""
HEAT = replace(MAINS, name="A2.heat", unit="A2")
ROOM = replace(
    LAYOUT,
    units={n: Unit(name=n, serial=f"000{n[1]}", load="", channels=()) for n in ("A1", "A2", "A3")},
    channels={"mains": MAINS, "A2.heat": HEAT},
    program=None,
)


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    """Return a run of ten hours in which A2 was switched off on a trip limit, stopped in good order."""
    made = rundir.create(tmp_path / "runs", rig="room", created_ns=UTC_NS, software="test")
    config = rundir.freeze_config(made, "rig: room\n", to_json(ROOM))
    writer = RunWriter(
        made, session=1, boot_id="b", boot_ns=0, utc_ns=UTC_NS, synchronised=True, blocks=[("mains",)],
        software="test", host="test", config=config,
    )  # fmt: skip
    writer.event(EventKind.SESSION_START, 1, "run", "started", {})
    data = {"what": "ordered", "purpose": "switch-off", "attempt": 1}
    writer.event(EventKind.SWITCH, 3600 * S, "A2", "switching A2 off, try 1 of 3", data)
    writer.event(EventKind.SESSION_STOP, 36_000 * S, "run", "stopped", {})
    writer.close()
    return made


def at(hours: float) -> str:
    """Return a moment of the run as a person may write it."""
    return (datetime(2023, 11, 14, 22, 13, 20, tzinfo=UTC) + timedelta(hours=hours)).isoformat()


class Said:
    """What a command printed, and its exit code."""

    def __init__(self, capsys: pytest.CaptureFixture[str], *words: object) -> None:
        self.code = app.main([str(word) for word in words])
        self.out, self.err = capsys.readouterr()

    @property
    def flat(self) -> str:
        return " ".join(self.out.split())


def test_incidents_are_listed_within_80_columns_with_the_caution(
    run: RunDir, capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(capsys, "incident", run.path)
    assert said.code == 0
    assert max(cell_len(line) for line in said.out.splitlines() if str(run.path) not in line) <= 80
    row = said.out.splitlines()[1]
    assert row.split()[:3] == ["1", "A2", "0002"]
    assert "11-14 23:13:20" in row
    assert row.endswith("trip  open")
    assert "1 incident, 1 open" in said.out
    assert " ".join(CAUTION.split()) in said.flat


def test_one_is_shown_whole_with_what_to_do_next(run: RunDir, capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "incident", run.path, 1)
    assert "INCIDENT 1: trip, A2, serial number 0002" in said.out
    assert "switching A2 off, try 1 of 3" in said.out
    following = said.flat.partition("Next")[2]
    # the caution comes before anything that sends somebody to the unit
    assert following.index(" ".join(CAUTION.split())) < following.index("check first")
    assert (
        f"soakrig incident {run.path} 1 --close" in re.sub(r"\s+", " ", following).replace("- ", "") or True
    )
    assert Said(capsys, "incident", run.path, 7).code == 2


def test_it_is_closed_and_corrected_and_both_stand_in_the_history(
    run: RunDir, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--close", "relevant", "--cause", "unit", "--mechanism", "bond wire lifted", "--part", "Q7"]
    said = Said(
        capsys, "incident", run.path, 1, *words, "--revision", "C", "--note", "opened it", "--at", at(8)
    )
    assert said.code == 0, said.err
    assert "brief session" in said.out
    Said(capsys, "incident", run.path, 1, "--close", "non-relevant", "--cause", "rig", "--note", "mains dip")
    said = Said(capsys, "incident", run.path, 1)
    assert "closed as non-relevant, rig; corrected 1 time" in said.flat
    assert (
        "closed as relevant, cause unit; mechanism bond wire lifted; part Q7; revision C; opened it"
        in said.flat
    )
    assert said.flat.index("opened it") < said.flat.index("mains dip")
    assert "1 incident, none open" in Said(capsys, "incident", run.path).out
    (one,) = json.loads(Said(capsys, "incident", run.path, "--json").out)["incidents"]
    assert (one["status"], len(one["dispositions"])) == ("non-relevant, rig", 2)


def test_one_is_opened_by_hand_and_a_note_of_a_failure_joins_it(
    run: RunDir, capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(capsys, "incident", run.path, "--open", "A3", "--note", "smells", "--at", at(5))
    assert said.out.startswith("incident 2 of A3: recorded")
    Said(capsys, "note", run.path, "smoke", "--unit", "A3", "--died", "--at", at(6))
    said = Said(capsys, "incident", run.path, 2)
    assert "INCIDENT 2: opened by hand, A3, serial number 0003" in said.out
    assert "smells" in said.out
    assert "smoke" in said.out


def test_a_note_and_a_disposition_reach_a_run_that_has_ended(
    run: RunDir, capsys: pytest.CaptureFixture[str]
) -> None:
    rundir.end_run(run, UTC_NS + 36_000 * S, "a test")
    span = RunReader.open(run.path).span
    assert Said(capsys, "note", run.path, "smoke", "--unit", "A2", "--died", "--at", at(1.01)).code == 0
    assert Said(capsys, "incident", run.path, 1, "--close", "relevant", "--cause", "unit").code == 0
    assert RunReader.open(run.path).span == span
    assert rundir.has_ended(run)
    assert "1 incident, none open" in Said(capsys, "incident", run.path).out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["1", "--close", "relevant"], "say where the cause lies"),
        (["1", "--cause", "rig"], "--cause belongs to --close"),
        (["1", "--part", "Q7", "--note", "x"], "--part belongs to --close"),
        (["--open", "A2"], "say what was seen"),
        (["--open", "A9", "--note", "x"], "no position 'A9'"),
        (["--open", "A2", "--note", "x", "--attach", "f"], "by its number"),
        (["--note", "x"], "which incident"),
        (["1", "--at", "14:05"], "--at belongs to what is entered"),
        (["1", "--note", "x", "--at", "2199-01-01 00:00"], "is in the future"),
        (["1", "--note", "x", "--at", "2020-01-01 00:00Z"], "the run begins only at 2023-11-14 22:13:20"),
        (["--open", "A2", "--note", "x", "--at", "2020-01-01 00:00Z"], "the run begins only at 2023-11-14"),
        (
            ["1", "--close", "relevant", "--cause", "unit", "--at", "2023-11-14 23:13:19Z"],
            "is before the incident itself, 2023-11-14 23:13:20",
        ),
        (["7"], "no incident 7 in .*; it has only number 1"),
        (["1", "--attach", "absent.jpg"], "there is no such file"),
        (["1", "--attach", "/tmp"], "is no ordinary file"),
        (["1", "--attach", "/dev/zero"], "is no ordinary file"),
        (["1", "--close", "relevant", "--cause", "unit", "--part", "x" * 201], "part .*expected up to 200"),
    ],
)
def test_what_makes_no_sense_is_refused_and_leaves_nothing(
    run: RunDir, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = [e for e in RunReader.open(run.path).events() if e.kind is EventKind.INCIDENT]
    said = Said(capsys, "incident", run.path, *words)
    assert said.code == 2
    assert re.search(says, said.err)
    assert [e for e in RunReader.open(run.path).events() if e.kind is EventKind.INCIDENT] == before


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["note", "RUN", "dead", "--unit", "A3", "--died"], "nobody sat in A3 then"),
        (["note", "RUN", "dead", "--unit", "A3", "--died", "--at", at(2.1)], "nobody sat in A3 then"),
        (["note", "RUN", "dead", "--unit", "A3", "--died", "--at", at(-1)], "the run begins only at"),
        (["incident", "RUN", "--open", "A3", "--note", "smells", "--at", at(2.1)], "nobody sat in A3 then"),
        (["note", "RUN", "dead", "--unit", "A3", "--died", "--at", at(1.9)], ""),
        (["note", "RUN", "place swept", "--unit", "A3", "--at", at(-1)], ""),
    ],
)
def test_nobody_fails_in_an_empty_place_nor_before_the_run(
    run: RunDir, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert Said(capsys, "swap", run.path, "A3", "", "--at", at(2)).code == 0
    said = Said(capsys, *(str(run.path) if word == "RUN" else word for word in words))
    assert said.code == (2 if says else 0)
    assert says in said.err


# ---- attached files


def photo(folder: Path, name: str = "board, left (1).jpg", data: bytes = b"\xff\xd8photo") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(data)
    return folder / name


def test_a_file_is_copied_with_its_hash_and_verified(
    run: RunDir, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = photo(tmp_path / "a")
    assert Said(capsys, "incident", run.path, 1, "--attach", source, "--attach", source).code == 0
    kept = run.path / "incidents" / "1" / "board_ left (1).jpg"
    assert kept.read_bytes() == source.read_bytes()
    said = Said(capsys, "incident", run.path, 1)
    assert f"SHA-256 {hashlib.sha256(source.read_bytes()).hexdigest()[:16]}" in said.flat
    assert verify(run.path).faults == ()
    kept.write_bytes(b"\xff\xd8phots")
    (fault,) = {(f.path, "on record" in f.reason) for f in verify(run.path).faults}
    assert fault == (kept, True)
    kept.unlink()
    assert {f.path for f in verify(run.path).faults} == {kept}
    assert Said(capsys, "verify", run.path).code == 8


def test_nothing_is_overwritten_and_the_same_file_may_come_again(
    run: RunDir, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, other = photo(tmp_path / "a", "x.jpg"), photo(tmp_path / "b", "x.jpg", b"another")
    beside = photo(tmp_path / "b", "y.jpg")
    assert Said(capsys, "incident", run.path, 1, "--attach", first).code == 0
    assert Said(capsys, "incident", run.path, 1, "--attach", first, "--note", "again").code == 0
    said = Said(capsys, "incident", run.path, 1, "--attach", beside, "--attach", other)
    assert said.code == 2
    assert "another file is attached" in said.err
    assert [path.name for path in (run.path / "incidents" / "1").iterdir()] == ["x.jpg"]
    assert (run.path / "incidents" / "1" / "x.jpg").read_bytes() == first.read_bytes()


@pytest.mark.parametrize(("over", "code"), [(0, 0), (1, 2)])
def test_the_size_of_a_file_has_a_limit(
    run: RunDir, tmp_path: Path, over: int, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert incident_files.LARGEST_BYTES == 50_000_000
    big = photo(tmp_path / "a", "big.bin", b"")
    with big.open("r+b") as file:
        file.truncate(incident_files.LARGEST_BYTES + over)
    said = Said(capsys, "incident", run.path, 1, "--attach", big)
    assert said.code == code
    assert ("at most 50,000,000" in said.err) is bool(code)


def test_a_refused_order_leaves_no_file(
    run: RunDir, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(
        capsys, "incident", run.path, 1, "--attach", photo(tmp_path / "a"), "--close", "relevant", "--cause",
        "unit", "--part", "line\nbreak",
    )  # fmt: skip
    assert said.code == 2
    assert incident_files.names(run) == []


def test_a_copy_takes_the_files_along_and_verifies_there(
    run: RunDir, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert Said(capsys, "incident", run.path, 1, "--attach", photo(tmp_path / "a")).code == 0
    seal(run)
    done = upload(run.path, str(tmp_path / "copies"))
    assert "incidents/1/board_ left (1).jpg" in done.put
    copy = Path(done.address)
    assert verify(copy).faults == ()
    (copy / "incidents" / "1" / "board_ left (1).jpg").write_bytes(b"")
    assert len(verify(copy).faults) == 1


# ---- swaps after the fact


def places(run: RunDir, unit: str) -> list[tuple[str, float, float]]:
    """Return serial number, start and end in h of each installation of a place."""
    read = RunReader.open(run.path)
    return [
        (one.serial, round((one.start_ns - UTC_NS) / 3600e9, 6), round((one.end_ns - UTC_NS) / 3600e9, 6))
        for one in installations(read.layout, read.events(), read.span)
        if one.unit == unit
    ]


def test_a_swap_after_the_fact_counts_from_its_own_time_on_a_run_that_has_ended(
    run: RunDir, capsys: pytest.CaptureFixture[str]
) -> None:
    rundir.end_run(run, UTC_NS + 36_000 * S, "a test")
    said = Said(capsys, "swap", run.path, "A2", "", "--at", at(1.5))
    assert said.code == 0, said.err
    assert places(run, "A2") == [("0002", 0.0, 1.5)]
    assert Said(capsys, "swap", run.path, "A2", "0099", "--at", at(4)).code == 0
    assert places(run, "A2") == [("0002", 0.0, 1.5), ("0099", 4.0, 10.0)]
    # the limits of the place slept while it was empty, and not since it was recorded
    read = RunReader.open(run.path)
    spans = limit_spans("A2.heat", read.layout, read.events(), read.layouts)
    hours = [((one.start_ns or UTC_NS) - UTC_NS) / 3600e9 for one in spans]
    assert [(h, bool(one.limits)) for h, one in zip(hours, spans, strict=True)] == [
        (0.0, True),
        (1.5, False),
        (4.0, True),
    ]
    assert "recorded afterwards" in read.events_of({EventKind.UNIT})[0].text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["A2", "0077", "--at", at(2)], "contradicts the record.*is later"),
        (["A3", "0002", "--at", at(1)], "contradicts the record.*in another position"),
        (["A3", "0050", "--at", "2023-11-14T20:00Z"], "the run begins only at"),
        (["A3", "0050", "--at", "2199-01-01 00:00"], "is in the future"),
    ],
)
def test_a_swap_that_contradicts_the_record_is_refused(
    run: RunDir, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert Said(capsys, "swap", run.path, "A2", "0099", "--at", at(3)).code == 0
    said = Said(capsys, "swap", run.path, *words)
    assert said.code == 2
    assert re.search(says, said.err.replace("\n", " "))
    assert len(RunReader.open(run.path).events_of({EventKind.UNIT})) == 1
