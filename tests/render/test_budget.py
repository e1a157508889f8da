"""The printed budget of measurement uncertainty: items, sums, what is not stated, and how it is rounded."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.cells import cell_len

import drivers
from rig.cli.app import main
from rig.domain.model import Layout
from rig.errors import UsageError
from rig.render.budget import beside, budgets, two_digits
from rig.rigfile import yaml_reader

CONFIGS = Path(__file__).parents[2] / "configs"


def layout(name: str) -> Layout:
    return yaml_reader.read(CONFIGS / name, drivers.spec).layout


def part(text: str, title: str) -> str:
    """Return the lines of one channel."""
    lines = text.split("\n")
    at = next(k for k, line in enumerate(lines) if line.split(" =")[0] == title)
    end = next((k for k in range(at, len(lines)) if not lines[k]), len(lines))
    return "\n".join(lines[at:end])


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.2254, "1.2"),
        (0.02886, "0.029"),
        (0.99999, "1.0"),
        (10.47, "10"),
        (127.3, "130"),
        (0.0, "0"),
        (float("inf"), "-"),
    ],
)
def test_an_uncertainty_has_two_significant_digits(value: float, text: str) -> None:
    """JCGM 100:2008, 7.2.6; 10.47 becomes 10 as there."""
    assert two_digits(value) == text


def test_a_value_ends_where_its_uncertainty_ends() -> None:
    """JCGM 100:2008, 7.2.6: 10.057 62 ohm with u = 27 mohm becomes 10.058 ohm."""
    assert beside(10.05762, 0.027) == "10.058"
    assert beside(12345.0, 127.0) == "12340"
    assert beside(12.5, 0.0) == "12.5"


def test_a_rise_shows_both_thermometers_and_their_sum() -> None:
    said = part(budgets(layout("six-units.yaml"), width=120), "A1.rise")
    assert "A1.rise = A1.heatsink - ambient" in said
    row = next(line for line in said.split("\n") if line.startswith("accuracy of ambient"))
    assert row.split()[3:] == ["rectangular", "1.5", "0.87", "-1", "50", "%"]
    assert "combined u = 1.2 K, U = 2.5 K (k = 2), bound of error 3.1 K" in said
    assert "not stated: uncertainty of the calibration of A1.heatsink" in said
    assert "between those of its inputs" in said


def test_what_is_not_stated_is_said_and_nothing_made_up() -> None:
    said = part(budgets(layout("six-units.yaml"), width=100), "A1.amps")
    assert "not stated: accuracy of A1.amps" in said
    assert "combined" not in said


def test_a_thermometer_of_the_standard_s_class_a_is_taken_at_its_limit() -> None:
    """IEC 60751 class A: 0.15 + 0.002 x 45 = 0.24 K; the certificate's 0.05 K and its number stand beside."""
    said = part(budgets(layout("thermocouples.yaml"), width=120), "ambient")
    accuracy = next(line for line in said.split("\n") if line.startswith("accuracy"))
    assert accuracy.split()[4] == "0.24"
    assert "calibration of ambient (certificate T-0815)" in said
    cold = part(budgets(layout("thermocouples.yaml"), width=120), "B1.heatsink")
    assert "accuracy of terminals, cold junction of B1.heatsink" in cold


def test_a_budget_is_wanted_at_a_value_that_is_given() -> None:
    said = part(budgets(layout("thermocouples.yaml"), ["ambient=25"], 120), "ambient")
    assert "at 25.00 degC" in said
    for wrong, words in (
        ("B9.heatsink=80", "no measured channel 'B9.heatsink'"),
        ("ambient=warm", "'warm' is not a number"),
        ("ambient", "'' is not a number"),
        ("ambient=nan", "'nan' is not a number"),
    ):
        with pytest.raises(UsageError, match=words):
            budgets(layout("thermocouples.yaml"), [wrong])


@pytest.mark.parametrize("width", [80, 140])
def test_it_fits_the_paper(width: int) -> None:
    for name in ("six-units.yaml", "three-mains.yaml", "thermocouples.yaml", "minimal.yaml"):
        assert max(cell_len(line) for line in budgets(layout(name), width=width).split("\n")) <= width


def test_the_command_prints_it_and_probes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(CONFIGS / "thermocouples.yaml")
    assert main(["check", "--budget", path, "--at", "ambient=20"]) == 0
    said = capsys.readouterr().out
    assert "measurement uncertainty" in said
    assert "at 20.00 degC" in said
    assert "Answers" not in said
    assert main(["check", path, "--at", "ambient=20"]) != 0
    assert "write --budget too" in capsys.readouterr().err
