"""What the command line does where a command's answer cannot be given."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.cli.app import main

FULL = Path("/dev/full")
"""Linux: every write to it fails with ENOSPC (full(4))."""


@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
def test_an_answer_that_the_disk_refuses_is_told_in_one_line_with_the_code_for_storage() -> None:
    with FULL.open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "rig.cli", "reference"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 5
    assert "No space left on device; free space there" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_disk_that_says_no_is_told_with_the_place_and_is_no_fault_of_soakrig_itself(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from rig.cli.commands import swap

    def refused(path: str) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), "/mnt/stick/runs")

    monkeypatch.setattr(swap, "run_of", refused)
    assert main(["swap", "runs", "A1", "7"]) == 5
    said = capsys.readouterr().err
    assert (
        said == "soakrig: /mnt/stick/runs: Read-only file system; free space there, unlock it, or name "
        "another place\n"
    )

    def broken(path: str) -> None:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))

    monkeypatch.setattr(swap, "run_of", broken)
    with pytest.raises(OSError, match="Bad file descriptor"):
        main(["swap", "runs", "A1", "7"])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("postmorten", "did you mean 'postmortem'?"),
        ("zzz", "no command 'zzz'; 'soakrig --help' lists them all"),
    ],
)
def test_a_command_that_there_is_not_is_answered_with_the_one_that_may_be_meant(
    name: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "runs"])
    assert ended.value.code == 2
    assert words in capsys.readouterr().err
