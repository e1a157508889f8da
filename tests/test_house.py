"""The house keeps its own rules: layers, style, types, top level, no stray clocks."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "rig", "drivers", "tests", "configs", "sample_logs"}
SOURCES = sorted([*(ROOT / "rig").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])


def run(*command: str) -> subprocess.CompletedProcess[str]:
    clean = {key: value for key, value in os.environ.items() if key != "PYTHONWARNINGS"}
    return subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, env=clean, capture_output=True, text=True, check=False
    )


def test_imports_point_downwards() -> None:
    code = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.slow
def test_ruff_finds_nothing() -> None:
    done = run("ruff", "check", ".")
    assert done.returncode == 0, done.stdout
    done = run("ruff", "format", "--check", ".")
    assert done.returncode == 0, done.stdout


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_types_are_strict_and_right() -> None:
    done = run("mypy")
    assert done.returncode == 0, done.stdout


def test_the_visible_top_level_is_what_it_should_be() -> None:
    passing = {"build", "soakrig.egg-info", "runs"}
    visible = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert visible - passing <= TOP


def test_only_the_clock_module_reads_clocks() -> None:
    """Deadlines by the wall clock hang when it steps; one module reads clocks, so one place is judged."""
    reading = re.compile(
        r"\btime\.(time|time_ns|monotonic|monotonic_ns|perf_counter|clock_gettime)\b|\bdatetime\.now\b"
    )
    guilty = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in SOURCES
        if path != ROOT / "rig" / "clock.py" and "bench" not in path.parts
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if reading.search(line)
    ]
    assert guilty == []


def test_only_the_store_puts_files_into_a_run() -> None:
    """Whoever writes a file without syncing it and its folder loses it in a power cut; one package knows how.

    The others write what can be made again: exports, a first rig file, the simulated room and the demo.
    """
    writing = re.compile(
        r"""\.open\(\s*["'](w|a|x|r\+)|\bwrite_(text|bytes)\(|\bos\.(replace|rename|fsync|fdatasync)\("""
        r"|\bO_(WRONLY|RDWR|CREAT)\b|\bParquetWriter\(|\.to_(parquet|csv)\("
    )
    elsewhere = {"interchange/outfile.py", "setup/newfile.py", "demo.py", "story.py", "cli.py"}
    guilty = {
        str(path.relative_to(ROOT / "rig"))
        for path in (ROOT / "rig").rglob("*.py")
        if not {"store", "bench"} & set(path.parts) and writing.search(path.read_text("utf-8"))
    }
    assert guilty - elsewhere == set()


def test_modules_stay_readable_in_one_sitting() -> None:
    long = {
        str(path.relative_to(ROOT)): count
        for path in SOURCES
        if (count := len(path.read_text("utf-8").splitlines())) > 500
    }
    assert long == {}


def test_the_daemon_does_not_import_the_heavy_libraries() -> None:
    """The logger's memory stays small and its start quick: Parquet is written by a child."""
    heavy = ("pyarrow", "pandas", "scipy", "matplotlib", "pyvisa")
    code = f"import sys, rig.daemon.session; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
