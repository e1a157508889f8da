"""A run in few numbers, and many of them added up: by serial number, each copy once, in any order."""

from __future__ import annotations

import dataclasses
import random
from typing import Any

import numpy as np
import pytest

from rig.domain.accounting import Accounting, LevelPlan
from rig.domain.event_summary import EventSummary, summarise
from rig.domain.model import EventKind
from rig.domain.program import Phase, PhaseTarget, Program
from rig.endurance.run_identity import RunIdentity
from rig.endurance.run_summary import summary
from rig.errors import UsageError
from rig.reliability.demonstration import lives
from rig.reliability.run_digest import RunDigest, digest, histories, in_order, overlaps, services
from rig.reliability.service_hours import Counting
from tests.endurance.rooms import Room, channel, event, limit, phase_event, series

T = np.arange(0, 3600.0)
ACCOUNT = Accounting(
    energy="{unit}.p",
    output=LevelPlan(channel="{unit}.v", on_above=5, off_below=3),
    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
    trip_least_s=10,
    bands={"mains": (220.0, 240.0)},
    cycles={"{unit}.heat": 1.0},
)


class Planned(Room):
    """A room whose layout asks for an account."""

    def __init__(
        self, asks: Accounting | None = ACCOUNT, program: Program | None = None, **more: Any
    ) -> None:
        super().__init__(**more)
        self.layout = dataclasses.replace(self.layout, accounting=asks, program=program)

    def event_summary(self) -> EventSummary:
        return summarise(self.happened)


def room(volts: Any = 20.0, mains: Any = 230.0, **more: Any) -> Planned:
    names = {"mains": mains, "level": 1.0, "A1.v": volts, "A1.p": 100.0, "A1.heat": 70.0}
    uom = {"A1.p": "W", "A1.heat": "degC"}
    return Planned(
        channels=[
            channel(n, *([limit("high", 95)] if n == "A1.heat" else []), uom=uom.get(n, "V")) for n in names
        ],
        data={name: series(name, T, value) for name, value in names.items()},
        **more,
    )


def facts(run: str = "r1", **more: Any) -> RunIdentity:
    return RunIdentity(run=run, name=run, rig="room", where=f"/{run}", state="stopped", created_ns=0, **more)


def later(one: RunDigest, hours: float, run: str, **installation: Any) -> RunDigest:
    """Return the same run once more, so many hours later, under another id."""
    move = round(hours * 3600e9)
    installations = tuple(
        dataclasses.replace(s, start_ns=s.start_ns + move, end_ns=s.end_ns + move, **installation)
        for s in one.installations
    )
    return dataclasses.replace(
        one,
        facts=facts(run),
        start_ns=one.start_ns + move,
        end_ns=one.end_ns + move,
        installations=installations,
    )


def test_a_run_is_told_in_the_numbers_of_its_account() -> None:
    mains = np.where(T < 1800, 230.0, 250.0)
    out = event(EventKind.LIMIT_OUT, 600, "A1.heat", side="high")
    (installation,) = digest(room(mains=mains, happened=[out]), facts()).installations
    assert (installation.unit, installation.serial, installation.counting) == ("A1", "SA1", Counting.OUTPUT)
    assert installation.hours == pytest.approx(1.0, abs=0.001)
    assert installation.energy_wh == pytest.approx(100.0, rel=0.001)
    assert installation.bands["mains"].hours == pytest.approx((0, 0.5, 0.5), abs=0.001)
    assert (installation.trips, installation.excursions, installation.death) == (0, 1, None)
    assert installation.suspect is not None


def test_hours_that_count_end_with_a_death() -> None:
    (installation,) = digest(room(np.where(T < 900, 20.0, 0.0)), facts()).installations
    assert installation.death is not None
    assert installation.suspect is None
    assert installation.hours == pytest.approx(0.25, abs=0.001)
    assert installation.observed_h == pytest.approx(1.0, abs=0.001)
    logged = digest(room(np.where(T < 900, 20.0, 0.0)), facts(), Counting.OBSERVED).installations[0]
    assert logged.hours == pytest.approx(0.25, abs=0.001)


def test_with_a_program_only_hours_within_targets_count() -> None:
    phase = Phase(name="high", duration_s=3600, targets={"mains": PhaseTarget(value=250, tolerance=3)})
    made = room(mains=np.where(T < 1800, 230.0, 250.0), happened=[phase_event(0, "high")])
    made.layout = dataclasses.replace(made.layout, program=Program(phases=(phase,), order=("high",)))
    (installation,) = digest(made, facts()).installations
    assert installation.counting is Counting.TARGETS
    assert installation.hours == pytest.approx(0.5, abs=0.001)
    assert installation.phases["high"].out_h == pytest.approx(0.5, abs=0.001)


def test_a_way_of_counting_that_the_rig_file_has_no_words_for_is_refused() -> None:
    with pytest.raises(UsageError, match="no program with targets"):
        digest(room(), facts(), Counting.TARGETS)
    silent = room()
    silent.layout = dataclasses.replace(silent.layout, accounting=None)
    assert digest(silent, facts()).installations[0].counting is Counting.OBSERVED
    with pytest.raises(UsageError, match="no output level"):
        digest(silent, facts(), Counting.OUTPUT)


def test_a_serial_number_is_followed_over_runs_whatever_their_order() -> None:
    one = digest(room(), facts("r1"))
    runs = [one, later(one, 24, "r2"), later(one, 48, "r3", serial="else")]
    first, second = histories(runs)
    assert [(f.serial, len(f.installations)) for f in (first, second)] == [("SA1", 2), ("else", 1)]
    assert first.hours == pytest.approx(2.0, abs=0.002)
    assert first.energy_wh == pytest.approx(200.0, rel=0.001)
    assert first.bands["mains"].hours[1] == pytest.approx(2.0, abs=0.002)
    for seed in range(5):
        shuffled = random.Random(seed).sample(runs, k=3)
        assert histories(shuffled) == [first, second]


def test_a_copy_of_a_run_counts_once_and_the_longer_one_wins() -> None:
    whole = digest(room(), facts())
    copy = dataclasses.replace(
        whole, facts=facts(skipped=("x",)), end_ns=whole.end_ns - 10, installations=whole.installations
    )
    assert in_order([copy, whole]) == [whole]
    assert in_order([whole, copy]) == [whole]


def test_bands_with_other_edges_are_not_added_up() -> None:
    one = digest(room(), facts())
    other = room()
    other.layout = dataclasses.replace(
        other.layout, accounting=dataclasses.replace(ACCOUNT, bands={"mains": (225.0,)})
    )
    (told,) = histories([one, later(digest(other, facts()), 24, "r2")])
    assert set(told.bands) == {"mains at 220, 240", "mains at 225"}


def test_a_serial_number_in_two_places_at_once_is_said() -> None:
    one = digest(room(), facts("r1"))
    (told,) = histories([one, later(one, 0.5, "r2")])
    assert "at the same time" in overlaps(told)[0]
    (fine,) = histories([one, later(one, 1.5, "r2")])
    assert overlaps(fine) == []


def test_a_unit_that_served_on_after_its_death_must_be_said_to_be_repaired() -> None:
    dead = digest(room(np.where(T < 900, 20.0, 0.0)), facts("r1"))
    alive = later(digest(room(), facts()), 24, "r2")
    with pytest.raises(UsageError, match="failed in run r1 and has hours in run r2"):
        lives(services([dead, alive]))
    found = lives(services([dead, alive], repaired=["SA1"]))
    assert [(one.serial, one.failed, round(one.hours, 2)) for one in found] == [
        ("SA1", True, 0.25), ("SA1/2", False, 1.0),
    ]  # fmt: skip


def test_a_person_may_overrule_the_record() -> None:
    dead = digest(room(np.where(T < 900, 20.0, 0.0)), facts("r1"))
    assert [one.failed for one in services([dead])] == [True]
    assert [one.failed for one in services([dead], survived=["SA1"])] == [False]
    alive = digest(room(), facts("r1"))
    both = [alive, later(alive, 24, "r2")]
    assert [one.failed for one in services(both, failed=["SA1"])] == [False, True]


def test_a_run_is_summed_up_from_its_events_alone() -> None:
    events = [
        event(EventKind.LIMIT_OUT, 10, "A1.heat", side="high"),
        event(EventKind.LIMIT_OUT, 20, "mains", side="high"),
        event(EventKind.LIMIT_IN, 30, "mains", side="high"),
        event(EventKind.UNIT, 40, "A1", "swapped", serial="0099"),
        event(EventKind.NOTE, 50, "run", "hm"),
    ]
    found = summary(room(happened=events), facts(), 123)
    assert found.excursions == (("", 1), ("A1", 1))
    assert found.serials == ("SA1", "0099")
    assert (found.notes, found.size) == (1, 123)


def test_failures_count_by_their_dispositions_and_what_is_left_out_is_said() -> None:
    died = event(EventKind.NOTE, 1800, "A1", "smoke", died=True, unit="A1")
    noted = digest(room(happened=[died]), facts())
    assert noted.dispositions == (
        "SA1 counts as a relevant failure while incident 1 (noted failure) is open",
    )
    assert [one.failed for one in services([noted])] == [True]
    entry = event(
        EventKind.INCIDENT, 1900, "A1", "loose connector", what="entry", number=1, unit="A1",
        opened_ns=died.t_ns, relevance="non-relevant", cause="rig", by="eve@room",
    )  # fmt: skip
    closed = digest(room(happened=[died, entry]), facts())
    assert [one.failed for one in services([closed])] == [False]
    assert closed.non_relevant == ("SA1",)
    # it was not taken out: its hours go on
    assert closed.installations[0].hours == pytest.approx(2 * noted.installations[0].hours, rel=0.01)
    out = event(EventKind.UNIT, 2700, "A1", "taken out", serial="", before="SA1")
    ended = digest(room(happened=[died, entry, out]), facts())
    assert ended.installations[0].hours == pytest.approx(noted.installations[0].hours, rel=0.01)
