"""The registry of the post-mortem's rules: each file is a rule, and a number says which is asked first."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from rig.forensics import rules
from rig.forensics.attribution_rule import AttributionRule
from rig.forensics.fault_rule import ChannelRule, FaultType, InstrumentRule

ROOT = Path(__file__).parents[2]
PACKAGES = ("sensor_faults", "attribution")


def files(package: str) -> list[str]:
    return sorted(
        path.stem for path in (ROOT / "rig/forensics" / package).glob("*.py") if path.stem != "__init__"
    )


def place(rule: object, package: str) -> str:
    """Return the file of a rule."""
    (name,) = [
        name
        for name in files(package)
        if importlib.import_module(f"rig.forensics.{package}.{name}").RULE is rule
    ]
    return name


def test_every_file_is_a_rule_and_every_rule_is_asked() -> None:
    asked = [*rules.channel_rules(), *rules.instrument_rules()]
    assert sorted(place(rule, "sensor_faults") for rule in asked) == files("sensor_faults")
    assert sorted(place(rule, "attribution") for rule in rules.attribution_rules()) == files("attribution")


@pytest.mark.parametrize("package", PACKAGES)
def test_every_rule_has_its_test(package: str) -> None:
    tests = {path.name for path in (ROOT / "tests/forensics" / package).glob("test_*.py")}
    assert tests == {f"test_{name}.py" for name in files(package)}


def test_what_the_instrument_says_comes_before_what_the_values_show() -> None:
    """The order is part of the answers: a fault is told by the first rule that finds one."""
    channel = [place(rule, "sensor_faults") for rule in rules.channel_rules()]
    known = ["open_sensor", "stuck", "temperature_step", "detached", "left_behind"]
    assert [name for name in channel if name in known] == known
    whole = [place(rule, "sensor_faults") for rule in rules.instrument_rules()]
    assert [name for name in whole if name in {"common_step", "silence"}] == ["common_step", "silence"]


def test_the_unit_is_blamed_last() -> None:
    asked = [place(rule, "attribution") for rule in rules.attribution_rules()]
    known = ["stimulus_first", "common_cause", "stimulus_changed", "unit_itself"]
    assert [name for name in asked if name in known] == known
    assert asked[-1] == "unit_itself"


def test_a_type_of_fault_has_one_name_and_says_what_it_is_and_what_would_rule_it_out() -> None:
    types = [
        one
        for name in files("sensor_faults")
        for one in vars(importlib.import_module(f"rig.forensics.sensor_faults.{name}")).values()
        if isinstance(one, FaultType)
    ]
    different = {id(one): one for one in types}.values()
    assert len({one.name for one in different}) == len(different) >= 7
    assert all(one.name and one.what and one.refutation for one in different)


# ---- rules made for the test


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty package of rules, which can be imported as ``made_rules``."""
    monkeypatch.syspath_prepend(tmp_path)
    folder = tmp_path / "made_rules"
    folder.mkdir()
    (folder / "__init__.py").touch()
    yield folder
    for name in [name for name in sys.modules if name.startswith("made_rules")]:
        del sys.modules[name]


def rule(folder: Path, name: str, kind: type, precedence: int) -> None:
    (folder / f"{name}.py").write_text(
        f"from {kind.__module__} import {kind.__name__} as kind\n"
        f"RULE = kind(precedence={precedence}, look=lambda *given: {name!r})\n",
        "utf-8",
    )


def package() -> ModuleType:
    importlib.invalidate_caches()
    return importlib.import_module("made_rules")


def test_rules_are_asked_by_their_number_and_not_by_the_names_of_their_files(made: Path) -> None:
    for name, precedence in (("a", 30), ("b", 9), ("c", 20)):
        rule(made, name, AttributionRule, precedence)
    assert [one.precedence for one in rules.found(package(), AttributionRule)] == [9, 20, 30]


def test_each_kind_of_rule_is_found_for_itself(made: Path) -> None:
    rule(made, "a", ChannelRule, 10)
    rule(made, "b", InstrumentRule, 10)
    assert [type(one) for one in rules.found(package(), ChannelRule)] == [ChannelRule]
    assert [type(one) for one in rules.found(package(), InstrumentRule)] == [InstrumentRule]


def test_two_rules_with_one_number_are_refused_with_their_names(made: Path) -> None:
    rule(made, "a", AttributionRule, 20)
    rule(made, "b", AttributionRule, 20)
    with pytest.raises(ValueError, match=r"made_rules: the rules a and b both have precedence 20; give one"):
        rules.found(package(), AttributionRule)


def test_a_file_without_a_rule_is_an_error(made: Path) -> None:
    (made / "a.py").touch()
    with pytest.raises(AttributeError, match="RULE"):
        rules.found(package(), AttributionRule)
