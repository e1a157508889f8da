"""The test program as `soakrig check` prints it: who goes with whom, and what is told again when."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import drivers
from rig.domain.accounting import LevelPlan
from rig.domain.model import Signals
from rig.render import program_text
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig

RIG_FILE = Path(__file__).parents[2] / "configs" / "three-mains.yaml"
WIDTH = 400


def rig(**mains: str) -> RigConfig:
    config = yaml_reader.read(RIG_FILE, drivers.spec)
    units = {
        name: replace(
            one,
            signals=Signals(
                mains=LevelPlan(channel=mains[name], on_above=150.0, off_below=100.0),
                drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
            )
            if name in mains
            else Signals(),
        )
        for name, one in config.layout.units.items()
    }
    return replace(config, layout=replace(config.layout, units=units))


def text(config: RigConfig) -> str:
    return "\n".join(program_text.lines(config, WIDTH))


def test_one_group_on_one_source_is_not_spoken_of() -> None:
    for config in (rig(), rig(A1="mains", A2="mains")):
        assert "for itself" not in text(config)
        assert "together" not in text(config)


def test_units_that_share_only_a_generator_that_changes_go_together() -> None:
    found = text(rig(A1="mains", A2="ambient"))  # as if that were another variac
    assert "A1, A2 share a source that has to change, so they go step by step together" in found
    assert "for itself" not in found


def test_groups_are_listed_with_their_sources() -> None:
    config = rig(A1="mains", A2="ambient")
    program = config.layout.program
    assert program is not None
    steady = replace(
        program,
        phases=tuple(
            replace(one, drive=None, targets={"mains": one.targets["mains"]}) for one in program.phases
        ),
    )
    found = text(replace(config, layout=replace(config.layout, program=steady)))
    assert "for itself: A1 (level, mains)" in found
    assert "for itself: A2 (ambient, level)" in found


def test_each_phase_says_after_how_long_it_is_told_again() -> None:
    found = text(rig())
    assert "told again after 1 h off target" in found  # as written for the phase high
    assert "told again after 30 min off target" in found
