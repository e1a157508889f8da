"""One mutant, one forked child: the parent holds heavy libraries, the child loads this project's modules."""

from __future__ import annotations

import ast
import contextlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from tests.mutation.mutants import Mutant
from tests.mutation.table import NOT_FOR_MUTANTS, ROOT, WARM, Target

PROCESSOR_SHARE = 6.0
"""Processor time a mutant may take, as a multiple of what its tests take on the sound module."""
PROCESSOR_LEAST_S = 15
WAIT_S = 180.0
"""Time after which a child counts as hung, however little it computes."""
MEMORY = 12 << 30
PASSED, FAILED, BROKEN = 0, 1, 2


@dataclass(frozen=True)
class Outcome:
    """What the tests said of one mutant. ``by``: the first test that failed, or why there is none."""

    noticed: bool
    by: str
    took_s: float


class NotTriedError(Exception):
    """The tests do not pass on the sound module, or could not be run."""


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Import hook that gives one module changed code in place of what its file holds."""

    def __init__(self, target: Target, tree: ast.Module) -> None:
        self.target = target
        self.tree = tree

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.target.module:
            return None
        return importlib.util.spec_from_file_location(fullname, self.target.path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.tree, str(self.target.path), "exec"), module.__dict__)


class _FirstFailure:
    """Plugin that writes down the first test that failed."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def pytest_collectreport(self, report: Any) -> None:
        self._note(report)

    def pytest_runtest_logreport(self, report: Any) -> None:
        self._note(report)

    def _note(self, report: Any) -> None:
        if report.failed and not self.place.exists():
            self.place.write_text(str(report.nodeid) or "import", "utf-8")


def warm_up() -> None:
    """Load the foreign libraries that the tests use."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    for name in ("pytest", "_pytest.assertion.rewrite", *WARM):
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def _profile() -> None:
    from hypothesis import HealthCheck, Phase, settings

    made = settings(
        deadline=None,
        suppress_health_check=list(HealthCheck),
        max_examples=40,
        derandomize=True,
        database=None,
        phases=(Phase.explicit, Phase.generate),
    )
    settings.register_profile("quick", made)


def _forget() -> None:
    """Unload this project's modules: a test collected before holds on to the sound module otherwise."""
    for name in list(sys.modules):
        if name.partition(".")[0] in {"rig", "drivers", "tests"} and not name.startswith("tests.mutation"):
            del sys.modules[name]


def _child(target: Target, mutant: Mutant | None, place: Path, processor_s: float, shown: bool) -> int:
    """Run the tests of one module in this process; return what they say."""
    os.setsid()
    ceiling = int(processor_s) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (ceiling, ceiling + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    if not shown:
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (1, 2):
            os.dup2(nowhere, stream)
    os.chdir(ROOT)
    _forget()
    if mutant is not None:
        sys.meta_path.insert(0, _Changed(target, mutant.applied(ast.parse(target.source))))
    import pytest

    class Quick:
        """Plugin that makes property tests repeat themselves, once the tests' own settings are in force."""

        @pytest.hookimpl(trylast=True)
        def pytest_configure(self, config: Any) -> None:
            from hypothesis import settings

            _profile()
            settings.load_profile("quick")

    arguments = [*(str(one) for one in target.tests), "-x", "-q", "-m", "not slow", "-o", "addopts="]
    arguments += ["-p", "no:cacheprovider", "--basetemp", str(place / "tmp"), "-p", "pytest_timeout"]
    arguments += [
        "-p",
        "_hypothesis_pytestplugin",
        "-k",
        " and ".join(f"not {one}" for one in NOT_FOR_MUTANTS),
    ]
    said = int(pytest.main(arguments, plugins=[_FirstFailure(place / "failed"), Quick()]))
    if said == int(pytest.ExitCode.OK):
        return PASSED
    return FAILED if (place / "failed").exists() else BROKEN


@dataclass
class _Running:
    mutant: Mutant | None
    place: tempfile.TemporaryDirectory[str]
    begun_s: float


def _start(target: Target, mutant: Mutant | None, processor_s: float, shown: bool) -> tuple[int, _Running]:
    place = tempfile.TemporaryDirectory(prefix="mutant-", ignore_cleanup_errors=True)
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid:
        return pid, _Running(mutant, place, time.monotonic())
    code = FAILED
    try:
        code = _child(target, mutant, Path(place.name), processor_s, shown)
    except BaseException as error:  # what a mutant breaks in the runner itself is noticed too
        (Path(place.name) / "failed").write_text(repr(error), "utf-8")
    finally:
        os._exit(code)


def _end(pid: int, running: _Running, status: int) -> Outcome:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, signal.SIGKILL)  # what its tests have started
    note = Path(running.place.name) / "failed"
    by = note.read_text("utf-8") if note.exists() else ""
    running.place.cleanup()
    took = time.monotonic() - running.begun_s
    if os.WIFSIGNALED(status):
        return Outcome(True, f"ended by signal {os.WTERMSIG(status)}", took)
    code = os.WEXITSTATUS(status)
    if code == BROKEN:
        raise NotTriedError("pytest ran no test, or could not be started")
    return Outcome(code != PASSED, by, took)


def tried(
    target: Target, mutants: Sequence[Mutant], jobs: int, *, shown: bool = False
) -> Iterator[tuple[Mutant, Outcome]]:
    """Yield each mutant with what the tests said of it, as the answers come in; raise NotTriedError."""
    sound_s = _sound(target, shown)
    limit_s = max(PROCESSOR_SHARE * sound_s, PROCESSOR_LEAST_S)
    waiting = list(reversed(mutants))
    running: dict[int, _Running] = {}
    while waiting or running:
        while waiting and len(running) < jobs:
            pid, one = _start(target, waiting.pop(), limit_s, shown)
            running[pid] = one
        for pid, one in list(running.items()):
            done, status = os.waitpid(pid, os.WNOHANG)
            if not done and time.monotonic() - one.begun_s > WAIT_S:
                os.kill(pid, signal.SIGKILL)
                _, status = os.waitpid(pid, 0)
            elif not done:
                continue
            del running[pid]
            assert one.mutant is not None
            yield one.mutant, _end(pid, one, status)
        time.sleep(0.01)


def _sound(target: Target, shown: bool) -> float:
    """Return the processor time the tests take on the sound module; raise NotTriedError where they fail."""
    if not target.tests:
        raise NotTriedError(f"{target.name}: not one of its test files is there")
    pid, one = _start(target, None, 3600, shown)
    _, status, used = os.wait4(pid, 0)
    outcome = _end(pid, one, status)
    if outcome.noticed:
        raise NotTriedError(f"{target.name}: the tests fail on the module as it is: {outcome.by}")
    return used.ru_utime + used.ru_stime
