"""The documents tell the truth: every command in them runs, every command is in them."""

from __future__ import annotations

import argparse
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig import errors
from rig.cli import app, registry
from rig.errors import SoakrigError

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
GUIDE = ROOT / "configs" / "GUIDE.md"
BIN = Path(sys.executable).parent
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
INSTALLING = 2
"""The README's first two sh blocks install into a new environment; .ci/run does that word for word."""


def blocks(page: Path, language: str) -> list[str]:
    found = [body for kind, body in FENCE.findall(page.read_text("utf-8")) if kind == language]
    return found[INSTALLING:] if page == README and language == "sh" else found


def commands(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return next(one.choices for one in parser._actions if isinstance(one, argparse._SubParsersAction))


PARSER = app._parser()
COMMANDS = commands(PARSER)


def invocations(text: str) -> Iterator[list[str]]:
    """Yield the words after each ``soakrig`` that begins a command line."""
    for line in text.splitlines():
        words = shlex.split(line, comments=True)
        words = [word for word in words if not re.fullmatch(r"[A-Z]+=\S*", word)]
        if words and Path(words[0]).name == "soakrig":
            yield words[1:]


@pytest.mark.parametrize("page", [README, GUIDE], ids=lambda page: page.name)
def test_every_command_line_of_the_documents_is_one_that_soakrig_understands(page: Path) -> None:
    found = [words for body in blocks(page, "sh") for words in invocations(body)]
    found += [
        shlex.split(text)[1:]
        for text in re.findall(r"`(soakrig [a-z-]+(?: [^`]*)?)`", page.read_text("utf-8"))
        if not re.search(r"\[|\.\.\.|COMMAND|SHELL", text)
    ]
    assert len(found) > 10
    for words in found:
        assert words[0] in COMMANDS, words
        if len(words) == 1:
            continue  # a command spoken of
        try:
            PARSER.parse_args(words)
        except SystemExit as error:
            raise AssertionError(f"soakrig {shlex.join(words)}") from error


def test_every_command_stands_in_the_readme() -> None:
    """In the groups of ``soakrig --help``, and in its order."""
    rows = re.findall(
        r"^\| (?:`soakrig ([a-z-]+)|\*\*([a-z ]+)\*\*)", README.read_text("utf-8"), re.MULTILINE
    )
    listed = [
        row
        for group, commands in registry.listed().items()
        for row in [("", group.lower()), *((name, "") for name in commands)]
    ]
    assert rows == listed


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_shows_an_example_that_it_understands(name: str) -> None:
    text = COMMANDS[name].format_help()
    example = text.partition("example:\n  ")[2].strip().splitlines()[0]
    words = shlex.split(re.split(r" > | && ", example)[0])
    assert words[:2] == ["soakrig", name]
    PARSER.parse_args(words[1:])


def test_the_exit_codes_of_the_readme_are_those_of_the_errors() -> None:
    table = re.findall(r"^\| (\d[\d, ]*) \| (?!---)", README.read_text("utf-8"), re.MULTILINE)
    listed = {int(code) for cell in table for code in cell.split(",")}
    raised = {
        one.exit_code
        for one in vars(errors).values()
        if isinstance(one, type) and issubclass(one, SoakrigError)
    }
    assert raised <= listed
    said = {int(code) for code in re.findall(r"(?:^|· |: |\n)(\d+) (?=[a-z])", app.__doc__ or "")}
    assert listed == said


def test_files_that_the_documents_name_are_there() -> None:
    named = re.findall(
        r"`((?:configs|lab|tests|rig)/[\w./-]+)`", README.read_text("utf-8") + GUIDE.read_text("utf-8")
    )
    assert len(named) >= 4
    for name in named:
        assert (ROOT / name).exists() or (ROOT / "configs" / name).exists(), name


def test_the_worked_examples_of_what_is_added_are_there_and_as_many_as_it_says() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## Adding things")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (an? [^|]+): (\d) \|[^|]*\| ([^|;]+)", text, re.MULTILINE)
    assert len(rows) >= 5
    for what, count, example in rows:
        named = re.findall(r"`([\w./-]+\.(?:py|md))`", example)
        assert len(named) == int(count), what
        assert [name for name in named if not (ROOT / name).exists()] == [], what


@pytest.mark.parametrize("name", ["soakrig.service", "soakrig-alerts.service"])
def test_the_service_manager_understands_the_unit_files(tmp_path: Path, name: str) -> None:
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.skip("systemd-analyze is not installed here, so nobody can judge a unit file")
    text = (ROOT / "configs" / name).read_text("utf-8").replace("/opt/soakrig/bin/soakrig", f"{BIN}/soakrig")
    (tmp_path / name).write_text(text, "utf-8")
    done = subprocess.run(
        [found, "verify", str(tmp_path / name)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_the_logger_as_a_service_is_watched_and_starts_again() -> None:
    """Reasons in systemd.service(5): a start limit leaves a unit dead; some faults no restart mends."""
    text = (ROOT / "configs" / "soakrig.service").read_text("utf-8")
    facts = dict(re.findall(r"^(\w+)=(.*)$", text, re.MULTILINE))
    assert facts["Type"] == "notify"
    assert int(facts["WatchdogSec"]) >= 10
    assert facts["Restart"] == "always"
    assert facts["StartLimitIntervalSec"] == "0"
    codes = {errors.UsageError.exit_code, errors.ConfigError.exit_code}
    assert {int(one) for one in facts["RestartPreventExitStatus"].split()} == codes


def test_the_pages_tour_of_notebooks_is_python() -> None:
    assert len(blocks(GUIDE, "python")) >= 4
    for number, body in enumerate(blocks(GUIDE, "python")):
        compile(body, f"{GUIDE.name}, block {number}", "exec")


# ---- really run


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as a newcomer has it: the project's configs, an environment, and the demo's recording."""
    folder = tmp_path_factory.mktemp("newcomer")
    shutil.copytree(ROOT / "configs", folder / "configs")
    (folder / ".venv").symlink_to(BIN.parent)
    done = shell("soakrig demo --folder demo", folder)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


def shell(text: str, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PATH": f"{BIN}:{os.environ['PATH']}", "TZ": "UTC"}
    environment.pop("PYTHONWARNINGS", None)
    return subprocess.run(
        ["bash", "-eu", "-o", "pipefail", "-c", text],
        cwd=folder, env=environment, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip


SHELL = [
    pytest.param(body, id=f"{page.name} {number}")
    for page in (README, GUIDE)
    for number, body in enumerate(blocks(page, "sh"))
    if "--whole-job" not in body  # has a test of its own
]


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.xdist_group("documents")
@pytest.mark.parametrize("body", SHELL)
def test_what_the_documents_say_can_be_typed(place: Path, body: str) -> None:
    # the recording is there already, and what is written must not be there
    body = "\n".join(line for line in body.splitlines() if not line.startswith("soakrig demo --folder"))
    for name in ("room.yaml", "room.csv", "heat.svg", "report.html", "death.html"):
        (place / name).unlink(missing_ok=True)
    done = shell(body, place)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.strip()


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.xdist_group("documents")
def test_the_tour_of_notebooks_runs_and_says_something(place: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(blocks(GUIDE, "python"))],
        cwd=place, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "A2.fan" in done.stdout
    assert (place / "a2.svg").read_bytes().startswith(b"<?xml")


def masked(line: str) -> str:
    """Return a line with every number, and the name of a run, as a hole: they are never the same twice."""
    number = r"simulated-room-\w+|[-+]?\d[\d.e-]*(?: (?:ms|s|min)\b)?"
    return " ".join(re.sub(number, "#", line).split())


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_the_story_of_the_readme_is_what_the_whole_job_says(tmp_path: Path) -> None:
    (body,) = (body for body in blocks(README, "sh") if "--whole-job" in body)
    done = shell(f"cd {shlex.quote(str(tmp_path))}; {body}", tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    said = {masked(line) for line in done.stdout.splitlines()}
    told = [
        line
        for body in blocks(README, "text")
        for line in body.splitlines()
        if line.strip() not in {"", "..."}
    ]
    assert len(told) > 60
    strange = [line for line in told if masked(line) not in said]
    # what nobody can put in order stands in another order each time
    assert len(strange) < 0.25 * len(told), strange
    assert [line for line in strange if line.startswith("$")] == []
