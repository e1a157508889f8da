"""Which units go through the test program together: those that depend on the same sources."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.domain.accounting import Accounting, LevelPlan
from rig.domain.layout_json import layout_from_json, to_json
from rig.domain.model import Channel, ChannelKind, ChannelSource, Layout, Signals, Unit
from rig.domain.program import Duty, Phase, PhaseTarget, Program
from rig.domain.source_groups import concerns, drive_of, foreign_sources, source_groups, sources_of


def channel(name: str) -> Channel:
    unit = name.partition(".")[0] if "." in name else None
    return Channel(
        name=name, unit_of_measure="V", unit=unit, kind=ChannelKind.STIMULUS,
        source=ChannelSource(instrument="meter", field=name),
    )  # fmt: skip


def signals(mains: str | None = None, drive: str | None = None) -> Signals:
    def level(name: str | None) -> LevelPlan | None:
        return None if name is None else LevelPlan(channel=name, on_above=1.0, off_below=0.5)

    return Signals(mains=level(mains), drive=level(drive))


def rig(program: Program | None = None, **units: Signals) -> Layout:
    names = ["mains_a", "mains_b", "level", "ambient", *(f"{unit}.volts" for unit in units)]
    return Layout(
        rig="room",
        units={
            name: Unit(name=name, serial=f"S{name}", load="", channels=(f"{name}.volts",), signals=one)
            for name, one in units.items()
        },
        channels={name: channel(name) for name in names},
        instruments={},
        program=program,
    )


def phase(name: str, **targets: float) -> Phase:
    return Phase(name=name, targets={key: PhaseTarget(value=v, tolerance=1.0) for key, v in targets.items()})


def program(*phases: Phase) -> Program:
    return Program(phases=phases, order=tuple(one.name for one in phases))


def units_of(layout: Layout) -> list[tuple[str, ...]]:
    return [one.units for one in source_groups(layout)]


def test_a_rig_file_without_signals_has_one_group_that_everything_concerns() -> None:
    layout = rig(A1=Signals(), A2=Signals())
    (group,) = source_groups(layout)
    assert (group.units, group.sources, group.foreign) == (("A1", "A2"), frozenset(), frozenset())
    assert all(concerns(layout, ("A1",), name) for name in ("mains_a", "mains_b", "level", "ambient"))
    assert not concerns(layout, ("A1",), "A2.volts")


def test_a_rig_without_units_has_one_group_of_none() -> None:
    (group,) = source_groups(rig())
    assert group.units == ()


def test_units_on_one_source_are_a_group_and_units_on_another_one_of_their_own() -> None:
    layout = rig(A1=signals("mains_a"), A2=signals("mains_b"), A3=signals("mains_a"))
    first, second = source_groups(layout)
    assert (first.units, set(first.sources), set(first.foreign)) == (("A1", "A3"), {"mains_a"}, {"mains_b"})
    assert (second.units, set(second.sources), set(second.foreign)) == (("A2",), {"mains_b"}, {"mains_a"})
    assert foreign_sources(layout, "A1") == {"mains_b"}
    assert concerns(layout, first.units, "mains_a")
    assert not concerns(layout, first.units, "mains_b")
    assert concerns(layout, first.units, "ambient")  # nobody's source: the whole room's


STEADY = program(phase("low", mains_a=207, mains_b=207, level=1.2), phase("high", mains_a=253, level=1.2))
COOLING = program(phase("low", mains_a=207, mains_b=207, level=1.2), phase("cool", level=0.0))
BURSTS = program(
    phase("low", level=1.2),
    replace(phase("high", level=1.2), drive=Duty(channel="A1.volts", on_above=5.0, on_s=55.0, off_s=5.0)),
)


@pytest.mark.parametrize(
    ("planned", "groups"),
    [
        (STEADY, [("A1",), ("A2",)]),
        (COOLING, [("A1", "A2")]),
        (BURSTS, [("A1", "A2")]),
        (None, [("A1",), ("A2",)]),
    ],
)
def test_a_shared_source_ties_units_together_where_it_has_to_change(
    planned: Program | None, groups: list[tuple[str, ...]]
) -> None:
    layout = rig(planned, A1=signals("mains_a", "level"), A2=signals("mains_b", "level"))
    assert units_of(layout) == groups
    # tied or not, the other's mains is no matter of this unit
    assert foreign_sources(layout, "A1") == {"mains_b"}


def test_a_unit_that_names_no_mains_may_hang_on_any() -> None:
    layout = rig(A1=signals("mains_a"), A2=signals("mains_b"), A3=Signals())
    assert sources_of(layout, "A3") == {"mains_a", "mains_b"}
    assert units_of(layout) == [("A1",), ("A2",), ("A3",)]
    changing = replace(layout, program=program(phase("low", mains_a=207), phase("high", mains_a=253)))
    assert units_of(changing) == [("A1", "A3"), ("A2",)]


def test_a_signal_that_is_a_channel_of_the_unit_itself_is_no_source_of_the_room() -> None:
    layout = rig(A1=signals("{unit}.volts"), A2=signals("{unit}.volts"))
    assert units_of(layout) == [("A1", "A2")]
    assert sources_of(layout, "A1") == frozenset()


def test_the_drive_of_a_unit_is_its_signal_else_what_the_account_goes_by() -> None:
    layout = rig(A1=signals(drive="level"), A2=Signals())
    assert drive_of(layout, "A2") is None
    other = LevelPlan(channel="ambient", on_above=2.0, off_below=1.0)
    layout = replace(layout, accounting=Accounting(drive=other))
    assert drive_of(layout, "A2") == other
    assert drive_of(layout, "A1") == LevelPlan(channel="level", on_above=1.0, off_below=0.5)


def test_signals_are_frozen_with_the_layout_and_older_layouts_have_none() -> None:
    layout = rig(A1=signals("mains_a", "level"))
    kept = to_json(layout)
    assert layout_from_json(kept) == layout
    del kept["units"]["A1"]["signals"]
    assert layout_from_json(kept).units["A1"].signals == Signals()
