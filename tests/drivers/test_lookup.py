"""Looking a driver up by its name: every way in which that can fail is told in words, none breaks out."""

from __future__ import annotations

from pathlib import Path

import pytest

import drivers
from rig.errors import UsageError


@pytest.mark.parametrize("name", ["...lines", ".lines", "lab..meter", "lab.", "lab meter.x", ".", "a.b-c"])
def test_what_is_no_modules_name_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match="no module's name"):
        drivers.load(name)


def test_an_unknown_name_is_answered_with_the_known_ones() -> None:
    with pytest.raises(UsageError, match="lines, modbus, scpi"):
        drivers.load("linse")


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("import nothing_of_this", "ModuleNotFound"),
        ("def", "SyntaxError"),
        ("1 / 0", "ZeroDivision"),
    ],
)
def test_an_own_module_that_fails_while_it_is_read_says_why(
    source: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / f"own_{told.lower()}"
    folder.mkdir()
    (folder / "meter.py").write_text(source, "utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(UsageError, match=told):
        drivers.load(f"{folder.name}.meter")


def test_an_own_module_without_the_two_classes_says_which_lack(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own_empty").mkdir()
    (tmp_path / "own_empty" / "meter.py").write_text("class Options: ...\n", "utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(UsageError, match="lacks Driver"):
        drivers.load("own_empty.meter")
