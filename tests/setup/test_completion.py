"""Shell completion, judged by a real shell."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rig.cli import app


def completion(shell: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli", "completion", shell], capture_output=True, text=True, check=True
    )
    return done.stdout


def completed(tmp_path: Path, *words: str) -> list[str]:
    """Return what bash offers for the last of the words."""
    script = tmp_path / "completion.sh"
    script.write_text(completion("bash"))
    asking = f"""
        source {script}
        name=$(complete -p soakrig | sed 's/.*-F \\([^ ]*\\).*/\\1/')
        COMP_WORDS=({" ".join(f"'{one}'" for one in words)})
        COMP_CWORD={len(words) - 1}
        COMP_LINE="${{COMP_WORDS[*]}}"
        COMP_POINT=${{#COMP_LINE}}
        $name soakrig "${{COMP_WORDS[-1]}}" "${{COMP_WORDS[-2]}}"
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    done = subprocess.run(
        ["bash", "--norc", "-c", asking], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    return done.stdout.split()


@pytest.mark.slow
def test_bash_completes_every_command(tmp_path: Path) -> None:
    parser = app._parser()
    commands = next(action.choices for action in parser._actions if isinstance(action.choices, dict))
    assert set(completed(tmp_path, "soakrig", "")) >= set(commands)
    assert sorted(completed(tmp_path, "soakrig", "ver")) == ["verdict", "verify"]


@pytest.mark.slow
def test_bash_completes_options_choices_and_folders(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    (tmp_path / "rooms.yaml").touch()
    assert "--no-probe" in completed(tmp_path, "soakrig", "check", "--")
    assert set(completed(tmp_path, "soakrig", "completion", "")) >= {"bash", "zsh", "fish"}
    assert [one.rstrip("/") for one in completed(tmp_path, "soakrig", "watch", "r")] == ["runs"]
    assert "rooms.yaml" in completed(tmp_path, "soakrig", "check", "r")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_takes_its_text_for_a_program(tmp_path: Path, shell: str) -> None:
    text = completion(shell)
    assert "reliability" in text
    found = shutil.which(shell)
    if found is None:
        pytest.skip(f"{shell} is not installed here, so nobody can read this text for certain")
    script = tmp_path / "script"
    script.write_text(text)
    done = subprocess.run([found, "-n", str(script)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
