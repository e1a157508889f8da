"""Figures beside their targets, the machine they come from, and child processes measured from outside."""

from __future__ import annotations

import math
import os
import platform
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
CACHE = "PYTHONPYCACHEPREFIX"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One measured figure: what it is, what came, what it must reach, whether it did (None: no target)."""

    what: str
    value: str
    target: str = ""
    good: bool | None = None

    def __str__(self) -> str:
        verdict = {True: "reached", False: "MISSED", None: ""}[self.good]
        return f"  {self.what:<62} {self.value:>18}  {self.target:<26} {verdict}".rstrip()


def at_most(what: str, value: float, most: float, unit: str = "") -> Figure:
    """Return a figure that must not be larger."""
    return Figure(what=what, value=f"{value:.3g} {unit}".strip(), target=f"at most {most:g} {unit}".strip(),
                  good=value <= most)  # fmt: skip


def at_least(what: str, value: float, least: float, unit: str = "") -> Figure:
    """Return a figure that must not be smaller."""
    return Figure(what=what, value=f"{value:.3g} {unit}".strip(), target=f"at least {least:g} {unit}".strip(),
                  good=value >= least)  # fmt: skip


def plain(what: str, value: float, unit: str = "") -> Figure:
    """Return a figure without a target."""
    return Figure(what=what, value=f"{value:.3g} {unit}".strip())


def machine() -> str:
    """Return the machine in a line: processor, cores, memory, kernel, Python, what else runs on it."""
    model = next(
        (line.partition(":")[2].strip() for line in Path("/proc/cpuinfo").read_text().splitlines()
         if line.startswith("model name")), platform.machine(),
    )  # fmt: skip
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    return (
        f"{model}, {os.cpu_count()} cores, {memory:.0f} GiB, Linux {platform.release()}, "
        f"Python {platform.python_version()}; load average {load}"
    )


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process took: wall and processor seconds, peak memory in MB."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(slots=True)
class Sample:
    """Costs of the same command, run several times."""

    costs: list[Cost] = field(default_factory=list)

    @property
    def wall_s(self) -> float:
        """Median of the wall times."""
        return statistics.median(one.wall_s for one in self.costs)

    @property
    def best_s(self) -> float:
        """Least of the wall times: what the machine's other work disturbed least."""
        return min(one.wall_s for one in self.costs)

    @property
    def cpu_s(self) -> float:
        """Median of the processor times."""
        return statistics.median(one.cpu_s for one in self.costs)

    @property
    def peak_mb(self) -> float:
        """Greatest of the peaks."""
        return max(one.peak_mb for one in self.costs)


def environment(scratch: Path) -> dict[str, str]:
    """Return the environment of children: byte code is kept, as it is where soakrig is installed."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, CACHE: str(scratch / "bytecode"), "PYTHONPATH": str(ROOT)}


def run(command: Sequence[str], scratch: Path) -> Cost:
    """Run a command to its end, output thrown away; return what it took. Raises RuntimeError if it fails."""
    begun = time.monotonic()
    with (scratch / "errors.txt").open("wb") as errors:
        child = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=errors, stdin=subprocess.DEVNULL,
            env=environment(scratch), cwd=ROOT,
        )  # fmt: skip
        _, status, usage = os.wait4(child.pid, 0)
    wall_s = time.monotonic() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        said = (scratch / "errors.txt").read_text(errors="replace")[-2000:]
        raise RuntimeError(f"{' '.join(command[:4])} ended with {child.returncode}: {said}")
    return Cost(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000)


def python(*arguments: str) -> list[str]:
    """Return the command that runs this Python."""
    return [sys.executable, *arguments]


def soakrig(*arguments: str) -> list[str]:
    """Return the command that runs soakrig."""
    return python("-m", "rig.cli", *arguments)


def compared(commands: Mapping[str, Sequence[str]], times: int, scratch: Path) -> dict[str, Sample]:
    """Return what commands take, run in turn, after one round that fills caches and does not count."""
    samples = {name: Sample() for name in commands}
    for turn in range(times + 1):
        for name, command in commands.items():
            cost = run(command, scratch)
            if turn:
                samples[name].costs.append(cost)
    return samples


def rates(loops: Mapping[str, Callable[[float], float]], turns: int, seconds: float) -> dict[str, float]:
    """Return the medians of what each loop did a second, run in turn for some seconds each."""
    found: dict[str, list[float]] = {name: [] for name in loops}
    for _ in range(turns):
        for name, loop in loops.items():
            found[name].append(loop(seconds))
    return {name: statistics.median(each) for name, each in found.items()}


def slope(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """Return the slope of a least-squares line through the logarithms: 1 is proportional, 0 is constant."""
    xs, ys = [math.log(one) for one in sizes], [math.log(max(one, 1e-12)) for one in costs]
    mean_x, mean_y = statistics.fmean(xs), statistics.fmean(ys)
    across = sum((x - mean_x) ** 2 for x in xs)
    return sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / across


def table(head: str, sizes: Sequence[float], costs: Sequence[float], unit: str) -> list[str]:
    """Return a growth table in lines, with its log-log slope."""
    rows = [f"    {head:<28} {unit}"]
    rows += [f"    {size:<28g} {cost:.4g}" for size, cost in zip(sizes, costs, strict=True)]
    return [*rows, f"    log-log slope {slope(sizes, costs):.2f}"]


def own_cpu_s() -> float:
    """Return the processor time of this process."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime
