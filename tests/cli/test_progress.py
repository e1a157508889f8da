"""Signs of life on long work: for people at a terminal, and for nobody else."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import termios

import pytest

WORK = """
import time
from rig.cli import progress
progress.PATIENCE_S = {patience}
with progress.shown("counting [sheep]") as done:
    for at in range(6):
        done(at, 10)
        time.sleep(0.1)
print("result")
"""


def on_terminal(patience: float, environment: dict[str, str] | None = None) -> str:
    """Return what a terminal gets that is the error stream of the work."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    process = subprocess.Popen(
        [sys.executable, "-c", WORK.format(patience=patience)],
        stderr=slave, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "TERM": "xterm", **(environment or {})},
    )  # fmt: skip
    os.close(slave)
    seen = b""
    while select.select([master], [], [], 10)[0]:
        try:
            seen += os.read(master, 4096)
        except OSError:
            break
    assert process.communicate()[0] == "result\n"
    os.close(master)
    return seen.decode()


def test_long_work_shows_how_far_it_is_and_leaves_nothing_behind() -> None:
    seen = on_terminal(0.05)
    assert "counting [sheep]" in seen
    assert "%" in seen
    assert seen.rstrip("\r\n").endswith("\x1b[2K")  # the line is wiped


def test_short_work_shows_nothing() -> None:
    assert on_terminal(30.0) == ""


@pytest.mark.parametrize("environment", [{"TERM": "dumb"}])
def test_a_terminal_that_can_only_print_is_spared(environment: dict[str, str]) -> None:
    assert on_terminal(0.05, environment) == ""


def test_a_file_or_a_pipe_gets_the_result_alone() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WORK.format(patience=0.05)], capture_output=True, text=True, check=True
    )
    assert (done.stdout, done.stderr) == ("result\n", "")
