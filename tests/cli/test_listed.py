"""The list of commands says what the commands say, and costs no more than itself."""

from __future__ import annotations

import importlib
import pkgutil
import subprocess
import sys

import pytest

from rig import cli
from rig.cli.app import main
from rig.cli.listed import LISTED


def test_every_command_is_listed_in_its_own_words() -> None:
    for module, listed in LISTED.items():
        own = importlib.import_module(module).COMMANDS
        assert {one.name: one.summary for one in own} == listed
        assert [one.name for one in own] == list(listed)
    families = {f"rig.cli.{found.name}" for found in pkgutil.iter_modules(cli.__path__)}
    with_commands = {name for name in families if hasattr(importlib.import_module(name), "COMMANDS")}
    assert with_commands == {name for name in LISTED if name.startswith("rig.cli.")}


def test_help_loads_no_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    said = " ".join(capsys.readouterr().out.split())
    for listed in LISTED.values():
        for name, summary in listed.items():
            assert f"{name} {summary}" in said
    asked = "import sys, rig.cli\ntry: rig.cli.main(['--help'])\nexcept SystemExit: pass\n"
    asked += "print(*sys.modules, file=sys.stderr)"
    loaded = subprocess.run(
        [sys.executable, "-c", asked], capture_output=True, text=True, check=True
    ).stderr.split()
    assert not {"rig.cli.order_commands", "rig.errors", "dataclasses", "numpy", *(n for n in LISTED)} & set(
        loaded
    )


def test_a_command_is_whole_whatever_stands_before_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["plot", "--help"])
    assert ended.value.code == 0
    assert "--last TIME" in capsys.readouterr().out
    with pytest.raises(SystemExit) as ended:
        main(["no-such-command"])
    assert ended.value.code == 2
    assert "no-such-command" in capsys.readouterr().err
