"""One question, many runs: the same answers from one process, several, and a cluster that loses a worker."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from rig.domain.jsonmap import printed
from rig.endurance.event_search import EventQuery, in_order
from rig.errors import UsageError
from rig.fleet import ask_runs, run_places, upload
from rig.fleet.ask_runs import Workers
from rig.fleet.run_questions import DigestQuestion, RunAnswer, RunQuestion, Search, Summarise
from rig.reliability.design_evidence import demonstrate
from rig.reliability.run_digest import RunDigest, histories
from tests.fleet import makers, peers
from tests.fleet.peers import Cluster

pytestmark = pytest.mark.slow
RUNS = 24
QUESTIONS: list[RunQuestion[object]] = [Summarise(), DigestQuestion(), Search(EventQuery(channel="heatsink"))]


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    here: list[str]
    there: list[str]
    environment: dict[str, str]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    folder = tmp_path_factory.mktemp("fleet")
    runs = makers.fleet(folder, RUNS)
    with peers.store("archive") as store, pytest.MonkeyPatch.context() as patch:
        for name, value in store.environment.items():
            patch.setenv(name, value)
        for run in runs:
            upload.upload(run.path, f"s3://archive/{run.rig}")
        yield Archive(
            here=run_places.find([str(folder)]),
            there=run_places.find(["s3://archive"]),
            environment=dict(store.environment),
        )


@pytest.fixture
def cluster(archive: Archive, tmp_path: Path) -> Iterator[Cluster]:
    with peers.cluster(3, tmp_path, archive.environment) as found:
        yield found


def losing_one(cluster: Cluster, after: int) -> ask_runs.OnProgress:
    """Return what kills a worker once some runs, and not all, have answered."""
    lost: list[int] = []

    def told(done: int, of: int) -> None:
        if done >= after and not lost:
            assert done < of
            lost.append(done)
            cluster.kill_one()

    return told


def without_place(answers: list[RunAnswer[object]]) -> list[object]:
    """Return the answers as plain data without where they come from, which is all that may differ."""

    def stripped(value: object) -> object:
        if isinstance(value, dict):
            return {k: stripped(v) for k, v in value.items() if k not in {"where", "size"}}
        return [stripped(one) for one in value] if isinstance(value, list) else value

    return [stripped(printed(one.value)) for one in answers]


@pytest.mark.parametrize(("where", "after"), [("folder", 1), ("folder", 6), ("folder", 14), ("store", 5)])
def test_a_cluster_that_loses_a_worker_midway_answers_as_one_process_does(
    archive: Archive, cluster: Cluster, where: str, after: int
) -> None:
    addresses = archive.here if where == "folder" else archive.there
    assert len(addresses) == RUNS
    alone = [ask_runs.ask(question, addresses) for question in QUESTIONS]
    assert [one.error for answers in alone for one in answers if one.error] == []
    together = [
        ask_runs.ask(QUESTIONS[1], addresses, Workers(scheduler=cluster.address), losing_one(cluster, after))
    ]
    assert len(cluster.workers) == 2
    together += [
        ask_runs.ask(question, addresses, Workers(scheduler=cluster.address))
        for question in (QUESTIONS[0], QUESTIONS[2])
    ]
    assert together == [alone[1], alone[0], alone[2]]


def test_folder_and_store_answer_alike(archive: Archive) -> None:
    for question in QUESTIONS:
        here = without_place(ask_runs.ask(question, archive.here))
        there = without_place(ask_runs.ask(question, archive.there))
        assert sorted(map(str, here)) == sorted(map(str, there))


def test_what_a_fleet_proves_does_not_depend_on_where_and_in_which_order_it_was_asked(
    archive: Archive,
) -> None:
    here = [one.value for one in ask_runs.ask(DigestQuestion(), archive.here) if one.value is not None]
    there = [one.value for one in ask_runs.ask(DigestQuestion(), archive.there) if one.value is not None]
    assert printed(demonstrate(here)) == printed(demonstrate(list(reversed(here))))
    assert printed(demonstrate(here)) == printed(demonstrate(there))
    # copies of the same runs in two places count once
    assert printed(demonstrate([*here, *there])) == printed(demonstrate(here))
    assert [one.hours for one in histories([*there, *here])] == [one.hours for one in histories(here)]


def test_several_processes_answer_as_one_does(archive: Archive) -> None:
    assert ask_runs.ask(DigestQuestion(), archive.here[:6], Workers(processes=2)) == ask_runs.ask(
        DigestQuestion(), archive.here[:6]
    )


def test_the_fleet_tells_what_the_recipes_put_in(archive: Archive) -> None:
    digests: list[RunDigest] = [
        one.value for one in ask_runs.ask(DigestQuestion(), archive.there) if one.value
    ]
    dead = {one.serial for one in histories(digests) if one.died}
    assert dead == {f"D{number}" for number in range(RUNS) if number % 7 == 6}
    found = in_order(
        one.value or [] for one in ask_runs.ask(Search(EventQuery(channel="heatsink")), archive.there)
    )
    assert [one.facts.name[-4:] for one in found] == [f"{n:04d}" for n in range(RUNS) if n % 5 == 4]
    assert {one.worst for one in found} == {100.0}


def test_a_cluster_that_loses_all_of_its_workers_is_not_waited_for(
    archive: Archive, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ask_runs, "LOOK_S", 1.0)

    def told(done: int, _of: int) -> None:
        while done >= 3 and cluster.workers:
            cluster.kill_one()

    with pytest.raises(UsageError, match="all of its workers are gone"):
        ask_runs.ask(DigestQuestion(), archive.here, Workers(scheduler=cluster.address), told)


def test_a_cluster_that_is_not_there_is_said_so(archive: Archive) -> None:
    gone = f"tcp://127.0.0.1:{peers.free_port()}"
    with pytest.raises(UsageError, match="no Dask scheduler answered"):
        ask_runs.ask(DigestQuestion(), archive.here[:1], Workers(scheduler=gone))


def test_a_cluster_without_workers_is_said_so(archive: Archive, tmp_path: Path) -> None:
    with peers.cluster(0, tmp_path) as empty, pytest.raises(UsageError, match="it has no workers"):
        ask_runs.ask(DigestQuestion(), archive.here[:1], Workers(scheduler=empty.address))


def test_workers_of_another_version_are_refused(
    archive: Archive, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ask_runs, "__version__", "0.0.other")
    with pytest.raises(UsageError, match=r"here is soakrig 0\.0\.other, tcp.* has "):
        ask_runs.ask(DigestQuestion(), archive.here[:1], Workers(scheduler=cluster.address))
