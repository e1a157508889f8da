"""The same question to many runs: one after the other here, in several processes, or on a Dask cluster.

Each run is asked by itself and answers with a value; who asks and in which order changes no answer. A
cluster is an optional extra (``pip install 'soakrig[cluster]'``); its workers need this very version of
soakrig and must reach the runs by the same addresses. A worker that dies takes only its unfinished runs
with it: they are asked again elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from typing import Any, TypeVar

from rig import __version__
from rig.errors import UsageError
from rig.fleet.run_questions import RunAnswer, RunQuestion, answered

T = TypeVar("T")
OnProgress = Callable[[int, int], None]
"""Called with how many runs have answered, of how many."""
RETRIES = 5
CONNECT_S = 10.0
LOOK_S = 5.0
"""How often to look whether there are workers at all while no answer comes."""


def _no_progress(_done: int, _all: int) -> None:
    """Say nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Workers:
    """Who asks: ``processes`` of this machine (1: this one), or the workers of the Dask ``scheduler``."""

    processes: int = 1
    scheduler: str | None = None


def ask(
    question: RunQuestion[T],
    addresses: Sequence[str],
    workers: Workers | None = None,
    on_progress: OnProgress = _no_progress,
) -> list[RunAnswer[T]]:
    """Return the answers of all runs, in the order of ``addresses``.

    Raises UsageError if the cluster is not there or runs another version of soakrig.
    """
    workers = workers or Workers()
    if workers.scheduler is not None:
        return _on_cluster(question, addresses, workers.scheduler, on_progress)
    if workers.processes > 1 and len(addresses) > 1:
        return _in_processes(question, addresses, workers.processes, on_progress)
    answers = []
    for at, one in enumerate(addresses, start=1):
        answers.append(answered(question, one))
        on_progress(at, len(addresses))
    return answers


def _in_processes(
    question: RunQuestion[T], addresses: Sequence[str], processes: int, on_progress: OnProgress
) -> list[RunAnswer[T]]:
    answers = []
    with ProcessPoolExecutor(min(processes, len(addresses)), mp_context=get_context("spawn")) as pool:
        for at, one in enumerate(pool.map(partial(answered, question), addresses), start=1):
            answers.append(one)
            on_progress(at, len(addresses))
    return answers


def _on_cluster(
    question: RunQuestion[T], addresses: Sequence[str], scheduler: str, on_progress: OnProgress
) -> list[RunAnswer[T]]:
    distributed = _library()
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--scheduler {scheduler}: no Dask scheduler answered within {CONNECT_S:.0f} s ({error}); give "
            "its "
            "address, such as tcp://HOST:8786"
        ) from error
    with client, client.as_current():
        _check_workers(client, scheduler)
        futures = client.map(partial(answered, question), addresses, pure=False, retries=RETRIES)
        where = dict(zip(futures, addresses, strict=True))
        found: dict[Any, RunAnswer[T]] = {}
        while len(found) < len(futures):
            for future in _done(client, [one for one in futures if one not in found], scheduler):
                answer: RunAnswer[T] | None = _taken(future, where[future])
                if answer is not None:
                    found[future] = answer
                    on_progress(len(found), len(addresses))
        return [found[future] for future in futures]


def _done(client: Any, pending: Sequence[Any], scheduler: str) -> Sequence[Any]:
    """Return the answers that have come; none after a while. Raises UsageError if there are no workers."""
    try:
        waited = _library().wait(pending, timeout=LOOK_S, return_when="FIRST_COMPLETED")
    except TimeoutError:
        if not client.scheduler_info()["workers"]:
            raise UsageError(
                f"--scheduler {scheduler}: all of its workers are gone, {len(pending)} runs have not "
                f"answered; start workers with: dask worker {scheduler}"
            ) from None
        return []
    return list(waited.done)


def _taken(future: Any, where: str) -> RunAnswer[T] | None:
    """Return an answer, None if it was lost with its worker meanwhile: then it is worked out again."""
    try:
        answer: RunAnswer[T] = future.result(timeout=LOOK_S)
    except TimeoutError:
        return None
    except Exception as error:
        # whatever comes from a cluster must not stop the other runs
        return RunAnswer(where=where, error=f"no worker could answer: {error!r}")
    return answer


def _library() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            f"--scheduler needs the extra cluster: pip install 'soakrig[cluster]' ({error})"
        ) from error
    return distributed


def version_here() -> str:
    """Return the version of soakrig where this runs."""
    return __version__


def _check_workers(client: Any, scheduler: str) -> None:
    try:
        versions = client.run(version_here)
    except Exception as error:
        # whatever a worker raises comes through as it is; a missing package is the usual one
        raise UsageError(
            f"--scheduler {scheduler}: its workers cannot run soakrig ({error!r}); install soakrig "
            f"{__version__} where they run"
        ) from error
    if not versions:
        raise UsageError(
            f"--scheduler {scheduler}: it has no workers; start some with: dask worker {scheduler}"
        )
    others = {f"{where} has {one}" for where, one in versions.items() if one != __version__}
    if others:
        raise UsageError(
            f"--scheduler {scheduler}: here is soakrig {__version__}, {', '.join(sorted(others))}; answers "
            "of different versions do not add up"
        )
