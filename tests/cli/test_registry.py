"""The registry finds every command by its file, and listing them costs no more than their first lines."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import subprocess
import sys

import pytest

from rig.cli import commands, registry
from rig.cli.app import main


def every() -> dict[str, str]:
    return {name: text for listed in registry.listed().values() for name, text in listed.items()}


def test_every_file_of_the_package_is_a_command_in_a_group_that_is_shown() -> None:
    files = {found.name.rstrip("_") for found in pkgutil.iter_modules(commands.__path__)}
    assert set(every()) == files
    assert all(registry.listed().values()), "a group without a command"
    for name, summary in every().items():
        module = importlib.import_module(registry.module_of(name))
        assert (inspect.getdoc(module) or "").splitlines()[0].endswith(f": {summary}.")
        assert module.EXAMPLE.startswith(f"soakrig {name}")


def test_help_shows_all_commands_in_groups_and_loads_none(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    said = capsys.readouterr().out
    for group, listed in registry.listed().items():
        section = said.partition(f"{group}:\n")[2].partition("\n\n")[0]
        assert [line.split()[0] for line in section.splitlines()] == list(listed)
        assert [" ".join(line.split()[1:]) for line in section.splitlines()] == list(listed.values())
    asked = "import sys, rig.cli.app\ntry: rig.cli.app.main(['--help'])\nexcept SystemExit: pass\n"
    asked += "print(*sys.modules, file=sys.stderr)"
    loaded = subprocess.run(
        [sys.executable, "-c", asked], capture_output=True, text=True, check=True
    ).stderr.split()
    assert not {name for name in loaded if name.startswith("rig.cli.commands")}
    assert not {"rig.cli.arguments", "rig.errors", "dataclasses", "numpy"} & set(loaded)


def test_a_command_is_whole_whatever_stands_before_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["plot", "--help"])
    assert ended.value.code == 0
    assert "--last TIME" in capsys.readouterr().out
    with pytest.raises(SystemExit) as ended:
        main(["no-such-command"])
    assert ended.value.code == 2
    assert "no-such-command" in capsys.readouterr().err
