"""The house keeps its own rules: layers, style, types, top level, no stray clocks."""

import ast
import os
import re
import subprocess
import sys
import tomllib
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


def layers() -> list[set[str]]:
    """The rooms from top to bottom, as the project's own contract lists them."""
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]
    contracts = tools["importlinter"]["contracts"]
    (chosen,) = [one["layers"] for one in contracts if one["type"] == "layers" and "containers" not in one]
    return [{name.strip() for name in layer.split("|")} for layer in chosen]


def room_of(module: str) -> str:
    return "drivers" if module.startswith("drivers") else ".".join(module.split(".")[:2])


def started_by_name(path: Path) -> list[tuple[int, str]]:
    """Return the modules that a file names in texts of its code: children and modules loaded by name."""
    tree = ast.parse(path.read_text("utf-8"))
    documents = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documents
        if re.fullmatch(r"(rig|drivers)(\.[a-z_]+)+", node.value)
    ]


def test_processes_and_modules_started_by_name_count_as_imports() -> None:
    """What is started by name is depended on like what is imported, but no import shows it."""
    height = {room: number for number, rooms in enumerate(layers()) for room in rooms}
    guilty = []
    for path in SOURCES:
        own = room_of(".".join(path.relative_to(ROOT).with_suffix("").parts))
        for line, name in started_by_name(path):
            there = room_of(name)
            if own in height and there in height and own != there and height[there] <= height[own]:
                guilty.append(f"{path.relative_to(ROOT)}:{line} {name}")
    assert guilty == []


def test_a_class_name_stands_for_one_class_and_a_module_name_for_one_module() -> None:
    """The exceptions: the contract of a driver, a module that people's own drivers import, and the files of
    commands, which are named as the commands are.
    """
    classes: dict[str, set[str]] = {}
    modules: dict[str, set[str]] = {}
    for path in SOURCES:
        if path.stem not in {"__init__", "__main__"} and path.parent.name != "commands":
            modules.setdefault(path.stem, set()).add(str(path.parent.relative_to(ROOT)))
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef):
                classes.setdefault(node.name, set()).add(str(path.relative_to(ROOT)))
    assert {name for name, places in classes.items() if len(places) > 1} == {"Driver", "Options"}
    assert {name for name, places in modules.items() if len(places) > 1} == {"lines"}


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
        if path != ROOT / "rig" / "clock.py" and "simulator" not in path.parts
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
    elsewhere = {
        "interchange/outfile.py",
        "setup/newfile.py",
        "demo/main_job.py",
        "demo/whole_job.py",
        "cli/app.py",
    }
    guilty = {
        str(path.relative_to(ROOT / "rig"))
        for path in (ROOT / "rig").rglob("*.py")
        if not {"store", "simulator"} & set(path.parts) and writing.search(path.read_text("utf-8"))
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
