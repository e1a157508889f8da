"""Every result can be written as JSON and read by anything."""

from __future__ import annotations

import json

import numpy as np

from rig.domain.jsonmap import printed
from rig.endurance.account_json import to_json
from rig.endurance.comparison import Party, compare
from rig.endurance.exposure import ExposureOptions, exposures
from rig.endurance.held_readings import AT_HAND, HeldReadings
from rig.endurance.margins import margins
from rig.endurance.phases_in_force import Phase, PhaseTarget
from rig.endurance.verdict import Record, verdict
from rig.reliability.demonstration import Life, mtbf
from rig.reliability.growth import growth
from rig.reliability.lifetimes import kaplan_meier
from tests.endurance.rooms import Room, channel, limit, phase_event, series


def room() -> Room:
    return Room(
        channels=[channel("mains"), channel("A1.heat", limit("high", 95), uom="degC")],
        data={
            "mains": series("mains", range(200), 207.0),
            "A1.heat": series("A1.heat", range(200), np.arange(200) % 50),
        },
        happened=[phase_event(0, "low")],
    )


def test_every_kind_of_result_becomes_json() -> None:
    made = room()
    phases = [Phase(name="low", duration_s=100, targets={"mains": PhaseTarget(value=207, tolerance=3)})]
    accounts = exposures(made, phases, ExposureOptions(cycles={"A1.heat": 1.0}))
    worst = margins(made, phases)
    readings = HeldReadings(made)
    party = Party(name="a", readings=readings, installation=readings.installations()[0], phases=phases)
    results = {
        "exposures": accounts,
        "margins": worst,
        "verdict": verdict(Record(layout=made.layout, exposures=accounts, margins=worst)),
        "comparison": compare(party, party),
        "mtbf": mtbf(1000, 0),
        "survival": kaplan_meier(
            [Life(serial="a", hours=3, failed=True), Life(serial="b", hours=5, failed=False)]
        ),
        "growth": growth([1, 2, 3], 100),
    }
    for kind, value in results.items():
        text = json.dumps(to_json(kind, value), allow_nan=False)
        assert json.loads(text)["schema"] == 2
    back = to_json("exposures", accounts)["exposures"][0]
    assert back["phases"][0]["phase"] == "low"
    assert back["cycles"]["A1.heat"]["range"][0] == 49.0
    assert to_json("verdict", results["verdict"])["verdict"]["outcome"] == "pass"


def test_a_bound_that_does_not_exist_is_none() -> None:
    assert printed(float("inf")) is None
    assert printed(mtbf(1000, 0))["two_sided_h"][1] is None


def test_the_interval_of_the_rig_file_is_that_of_the_slowest_input() -> None:
    made = Room(
        channels=[channel("mains"), channel("A1.p", source=None, formula="mains * 2", uom="W")],
        data={"mains": series("mains", range(5), 1.0), "A1.p": series("A1.p", range(5), 2.0)},
        poll_s=2.5,
    )
    readings = HeldReadings(made)
    assert (readings.poll_s("mains"), readings.poll_s("A1.p"), readings.poll_s("unknown")) == (2.5, 2.5, 0.0)


def test_only_so_many_channels_are_kept_in_memory_and_answers_stay_the_same() -> None:
    names = [f"c{k}" for k in range(2 * AT_HAND)]
    made = Room(
        channels=[channel(name) for name in names],
        data={name: series(name, range(5), float(k)) for k, name in enumerate(names)},
    )
    readings = HeldReadings(made)
    assert [readings(name).value[0] for name in (*names, *names)] == [*range(len(names))] * 2
    assert readings("c3") is readings("c3")
