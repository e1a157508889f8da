"""The inbox of a run on a real disk: whole orders only, each answered, nothing that can block or flood."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from rig.domain.orders import Order, OrderKind, to_json
from rig.errors import StoreError
from rig.store import inbox, rundir, session_state
from rig.store.rundir import RunDir
from rig.store.session_state import SessionState
from tests.store.faulty import FaultyDisk
from tests.store.powercut import LoggedDisk


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    return rundir.create(tmp_path, rig="room", created_ns=10**18, software="test")


def order(text: str = "x", name: str = "20260301T130500-000000-ab") -> Order:
    return Order(id=name, kind=OrderKind.NOTE, by="eve@rack", asked_ns=7, data={"text": text})


def test_an_order_waits_is_read_and_is_gone_when_done(run: RunDir) -> None:
    name = inbox.put(run, order())
    assert inbox.waiting(run) == [name]
    assert inbox.answer(run, name) is None
    assert inbox.read(run, name).order == order()
    inbox.done(run, name)
    assert inbox.waiting(run) == []
    assert inbox.answer(run, name) == ""


def test_a_refused_order_leaves_its_reason_once(run: RunDir) -> None:
    name = inbox.put(run, order())
    inbox.refuse(run, name, "no such unit")
    assert inbox.waiting(run) == []
    assert inbox.answer(run, name) == "no such unit"
    assert list(run.folder("inbox").iterdir()) == []


def test_a_run_of_an_older_soakrig_has_no_inbox_until_one_is_needed(run: RunDir) -> None:
    run.folder("inbox").rmdir()
    assert inbox.waiting(run) == []
    assert inbox.waiting(run) == [] != [inbox.put(run, order())]


def test_orders_that_are_not_whole_or_not_orders_are_told_and_never_raise(run: RunDir) -> None:
    folder = run.folder("inbox")
    for at, raw in enumerate((b"{", b"", b"\xff\xfe", b"[" * 50_000, b"null", b'{"soakrig": "order"}')):
        path = folder / f"0000000{at}.json"
        path.write_bytes(raw)
        slip = inbox.read(run, path.name)
        assert slip.order is None
        assert slip.fault


def test_a_file_called_otherwise_than_its_order_is_refused(run: RunDir) -> None:
    (run.folder("inbox") / "00000000.json").write_text(json.dumps(to_json(order())))
    assert "differs from the file name 00000000.json" in inbox.read(run, "00000000.json").fault


def test_neither_a_pipe_nor_a_huge_file_holds_the_recorder_up(run: RunDir) -> None:
    os.mkfifo(run.folder("inbox") / "00000000.json")
    assert inbox.read(run, "00000000.json").order is None
    (run.folder("inbox") / "00000001.json").write_bytes(b" " * 70_000)
    assert "70000 bytes" in inbox.read(run, "00000001.json").fault
    with pytest.raises(StoreError, match="shorten the text"):
        inbox.put(run, order("x" * 70_000))


def test_names_that_are_no_orders_are_left_alone(run: RunDir) -> None:
    for name in ("notes.txt", ".20260301T130500-000000-ab.json.tmp", "short.json", "x" * 90 + ".json"):
        (run.folder("inbox") / name).write_text("x")
    assert inbox.waiting(run) == []


def test_where_a_run_stands_is_read_back_and_damage_is_said(run: RunDir) -> None:
    assert session_state.read(run) == (SessionState(), "")
    stood = SessionState(config="abc", serials={"A1": "7"}, written={"A1": "1"}, program={"at": 2})
    session_state.write(run, stood)
    assert session_state.read(run) == (stood, "")
    path = run.path / session_state.NAME
    whole = path.read_bytes()
    for raw in (whole[:40], b"[]", b"null", whole.replace(b'"format": 1', b'"format": 9'), b"\xff"):
        path.write_bytes(raw)
        found, fault = session_state.read(run)
        assert found == SessionState()
        assert str(path) in fault


def test_an_order_may_be_as_large_as_is_accepted_and_no_larger(run: RunDir) -> None:
    name = inbox.put(run, order(""))
    spare = 65_536 - (run.folder("inbox") / name).stat().st_size
    with pytest.raises(StoreError, match="the order has 65537 bytes; at most 65536 are accepted"):
        inbox.put(run, order("x" * (spare + 1)))
    inbox.put(run, order("x" * spare))
    assert (run.folder("inbox") / name).stat().st_size == 65_536
    assert inbox.read(run, name).fault.startswith("text has ")  # its size is no fault
    with (run.folder("inbox") / name).open("ab") as file:
        file.write(b" ")
    assert inbox.read(run, name).fault == "65537 bytes; 1 to 65536 are accepted"
    (run.folder("inbox") / name).write_bytes(b"1")
    assert "bytes" not in inbox.read(run, name).fault


def test_an_order_is_text_for_people_too(run: RunDir) -> None:
    name = inbox.put(run, order("größer"))
    raw = (run.folder("inbox") / name).read_bytes()
    assert "größer".encode() in raw
    assert raw.endswith(b"}\n")
    assert b'\n "' in raw


def test_a_hundred_orders_are_taken_at_once_the_oldest_first(run: RunDir) -> None:
    names = [f"2026030{k:04d}.json" for k in range(102)]
    for name in reversed(names):
        (run.folder("inbox") / name).touch()
    assert inbox.waiting(run) == names[:100]


def test_an_order_is_durable_before_it_waits(run: RunDir) -> None:
    run.folder("inbox").rmdir()
    disk = LoggedDisk(run.path)
    name = inbox.put(run, order(), disk)
    done = [(step.deed, step.to or step.path) for step in disk.steps]
    assert done[:2] == [("mkdir", "inbox"), ("sync_dir", ".")]
    assert done[-2:] == [("rename", f"inbox/{name}"), ("sync_dir", "inbox")]


def test_a_run_that_cannot_be_written_takes_no_order(run: RunDir) -> None:
    disk = FaultyDisk()
    disk.refuse = lambda deed, _path: errno.EACCES if deed == "sync_dir" else 0
    with pytest.raises(StoreError, match=r"could not make .*inbox: Permission denied; orders need write"):
        inbox.put(run, order(), disk)


def test_a_refusal_without_a_reason_is_one_all_the_same(run: RunDir) -> None:
    name = inbox.put(run, order())
    inbox.refuse(run, name, "")
    assert inbox.answer(run, name) == "refused"
    inbox.refuse(run, name, "half a pair \ud800")
    assert (run.folder("inbox") / f"{name}.refused").read_bytes() == b"half a pair ?\n"
    assert inbox.answer(run, name) == "half a pair ?"


def test_where_a_run_stands_is_text_for_people_too(run: RunDir) -> None:
    session_state.write(run, SessionState(serials={"A1": "größer"}))
    raw = (run.path / session_state.NAME).read_bytes()
    assert "größer".encode() in raw
    assert raw.endswith(b"}\n")
    assert b'\n "soakrig": "standing",\n "format": 1,\n' in raw
    changed = raw.replace(b'"standing"', b'"lying"')
    (run.path / session_state.NAME).write_bytes(changed)
    found, fault = session_state.read(run)
    assert found == SessionState()
    assert "is of another format" in fault
    (run.path / session_state.NAME).unlink()
    (run.path / session_state.NAME).mkdir()
    assert session_state.read(run) == (
        SessionState(), f"{run.path / session_state.NAME} could not be read: Is a directory"
    )  # fmt: skip
