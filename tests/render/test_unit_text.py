"""The page of a serial number: 80 columns, newest first, with a caution where it sends somebody."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from rich.cells import cell_len

from rig.domain.cautions import FAILED_UNIT
from rig.domain.operating_state import Certainty
from rig.endurance.run_identity import RunIdentity
from rig.endurance.verdict import Death
from rig.reliability.run_digest import InstallationDigest, PhaseHours, RunDigest, histories
from rig.reliability.service_hours import Counting
from rig.reliability.unit_life import FailureSign, LifeEvent, StatedRevision, StateHours, Stay, UnitLife
from rig.render import unit_text

S = 1_000_000_000
DAY = 86_400 * S
T0 = 1_900_000_000 * S
"""2030-03-17 17:46:40 UTC."""
EVIL = "A\x1b[2J\x07B \u202e " + "long " * 40
PAGE = 66
"""Lines of a printed page; common practice, no source."""


def stay(number: int) -> Stay:
    """Return a stay of one day in the run of that number."""
    facts = RunIdentity(
        run=f"r{number}", name=f"three-mains-{number:04d}", rig="three-mains", where=f"/runs/{number}",
        state="finished", created_ns=T0 + number * DAY,
    )  # fmt: skip
    installation = InstallationDigest(
        unit="A1", serial="0017", start_ns=T0 + number * DAY, end_ns=T0 + number * DAY + DAY // 2,
        installed_h=12.0, observed_h=11.0, unobserved_h=1.0, hours=10.0, counting=Counting.TARGETS,
        energy_wh=1000.0, output_h=9.0, drive_cycles=None, trips=2, excursions=1,
        phases={"low": PhaseHours(in_force_h=12.0, within_h=10.0, out_h=1.0, unobserved_h=1.0)},
        death=Death(serial="0017", t_ns=T0 + number * DAY, text="noted by a person: smoke"),
    )  # fmt: skip
    return Stay(
        facts=facts,
        installation=installation,
        load="8 ohm resistor",
        states={"driven": StateHours(hours=12.0, stretches=1, longest_h=12.0)},
        last_state="driven",
    )


def made(count: int = 2, *, dead: bool = False) -> UnitLife:
    """Return a life of so many days."""
    stays = [stay(number) for number in range(count)]
    if not dead:
        stays = [replace(one, installation=replace(one.installation, death=None)) for one in stays]
    digests = [
        RunDigest(
            facts=one.facts, start_ns=one.installation.start_ns, end_ns=one.installation.end_ns, sessions=1,
            installations=(one.installation,),
        )
        for one in stays
    ]  # fmt: skip
    [history] = histories(digests)
    return UnitLife(
        serial="0017", history=history, stays=tuple(reversed(stays)), revisions=(), unstated=(),
        states={"driven": StateHours(hours=18.0, stretches=3, longest_h=12.0),
                "idle": StateHours(hours=6.0, stretches=2, longest_h=5.0)},
        failures=(), events=(),
    )  # fmt: skip


def sign(number: int = 1, **more: object) -> FailureSign:
    values: dict[str, object] = {
        "run": "three-mains-0001", "unit": "A1", "source": "suspected", "certainty": Certainty.LIKELY,
        "earliest_ns": T0 + number * S, "latest_ns": T0 + number * S + 2 * S, "text": "no output for 60 s",
    }  # fmt: skip
    return FailureSign(**{**values, **more})  # type: ignore[arg-type]


def one_line(text: str) -> str:
    return " ".join(text.split())


def full(count: int) -> UnitLife:
    """Return a life with so much of everything."""
    return replace(
        made(count, dead=True),
        failures=tuple(sign(number) for number in range(count)),
        events=tuple(
            LifeEvent(run="three-mains-0001", unit="A1", kind="note", t_ns=T0 + n * S, text="hums")
            for n in range(count)
        ),
        revisions=tuple(
            StatedRevision(run="three-mains-0001", since_ns=T0 + n * S, keys={"bom": f"C{n}"})
            for n in range(count)
        ),
        together=("recorded in a (A1) and in b (A2) at the same time",),
    )


def test_a_year_of_runs_fits_a_page_or_two_and_says_what_was_left_out() -> None:
    lines = unit_text.text(full(100), width=80).split("\n")
    assert max(cell_len(line) for line in lines) <= 80
    assert len(lines) <= 2 * PAGE
    text = "\n".join(lines)
    assert f"{100 - unit_text.MOST_STAYS} older installations in --json" in text
    assert f"{100 - unit_text.MOST_FAILURES} older signs of a failure in --json" in text
    assert f"{100 - unit_text.MOST_EVENTS} older swaps and notes in --json" in text
    assert f"{100 - unit_text.MOST_REVISIONS} older revisions in --json" in text


def test_an_ordinary_life_is_one_page_of_80_columns() -> None:
    life = replace(full(3), together=())
    lines = unit_text.text(life, width=80).split("\n")
    assert len(lines) <= PAGE
    assert max(cell_len(line) for line in lines) <= 80


@pytest.mark.parametrize(
    ("count", "left_out"), [(unit_text.MOST_STAYS, False), (unit_text.MOST_STAYS + 1, True)]
)
def test_nothing_is_left_out_as_long_as_it_fits(count: int, left_out: bool) -> None:
    assert ("1 older installation in --json" in unit_text.text(made(count))) is left_out


@pytest.mark.parametrize("width", [80, 100, 140])
def test_whatever_is_in_it_no_line_is_wider_and_nothing_moves_the_cursor(width: int) -> None:
    life = replace(
        full(2),
        failures=(sign(text=EVIL),),
        events=(LifeEvent(run=EVIL, unit="A1", kind="note", t_ns=T0, text=EVIL),),
        revisions=(StatedRevision(run=EVIL, since_ns=T0, keys={"bom": EVIL}),),
        unstated=(EVIL,),
        together=(EVIL,),
    )
    lines = unit_text.text(life, [EVIL], [EVIL], width).split("\n")
    assert max(cell_len(line) for line in lines) <= width
    assert all(line.isprintable() for line in lines)


def test_the_newest_stands_first_with_its_figures() -> None:
    text = unit_text.text(made(), width=80)
    assert text.startswith("SERIAL NUMBER 0017: 2 installations in 2 runs of three-mains\n")
    assert text.index("three-mains-0001") < text.index("three-mains-0000")
    words = one_line(text)
    # two days of 12 h installed, 11 h observed, 10 h within targets, 2 trips, 1 kWh
    assert "24.0 h installed, 22.0 h observed; 20.0 h count" in words
    assert "4 protection trips, 2 excursions, 2 kWh, 18.0 h with output" in words
    assert "low 20.0 h 2.0 h 2.0 h 24.0 h" in words
    assert "driven 18.0 h 75.0% 3 12.0 h" in words
    assert "idle 6.0 h 25.0% 2 5.0 h" in words
    assert "not known to have failed; last recorded 2030-03-19 05:46 UTC in three-mains-0001 (A1)" in words
    assert "not stated in any run" in words


def test_what_sends_somebody_to_the_unit_carries_the_caution() -> None:
    assert FAILED_UNIT not in one_line(unit_text.text(made()))
    text = unit_text.text(replace(made(), failures=(sign(),)))
    assert FAILED_UNIT in one_line(text)
    assert f"\n{FAILED_UNIT[:40]}" in text, "a paragraph of its own"


def test_a_suspicion_is_told_apart_from_a_counted_failure_and_from_one_taken_back() -> None:
    suspected = one_line(unit_text.text(replace(made(), failures=(sign(),)), width=140))
    assert "not counted as failed, but a failure is suspected" in suspected
    assert (
        "between 2030-03-17 17:46:41 and 2030-03-17 17:46:43 UTC, A1 in three-mains-0001: "
        "suspected (likely): no output for 60 s" in suspected
    )
    retracted = one_line(unit_text.text(replace(made(), failures=(sign(retracted=True),)), width=140))
    assert "not known to have failed" in retracted
    assert "RETRACTED, it was none: suspected" in retracted
    assert "counted as FAILED since 2030-03-17 17:46 UTC" in one_line(unit_text.text(made(1, dead=True)))


def test_one_that_failed_and_was_installed_again_is_not_said_to_be_failed_since() -> None:
    text = one_line(unit_text.text(made(2, dead=True), width=140))
    assert "counted as FAILED at 2030-03-17 17:46 UTC, and installed again since; last recorded" in text


def test_what_changed_in_the_design_is_told_with_what_it_was() -> None:
    revisions = (
        StatedRevision(run="two", since_ns=T0 + DAY, keys={"bom": "C2", "firmware": "1.4"}),
        StatedRevision(run="one", since_ns=T0, keys={"bom": "C1", "board": "B"}),
    )
    text = one_line(unit_text.text(replace(made(), revisions=revisions, unstated=("zero",)), width=140))
    assert "(two): bom C2 (was C1), firmware 1.4, board not stated any more (was B)" in text
    assert "(one): bom C1, board B" in text
    assert "not stated in zero" in text


def test_incidents_have_a_place_of_their_own_only_where_there_are_some() -> None:
    assert "Incidents" not in unit_text.text(made())
    assert "Incidents\n---------\n- #3 open\n" in unit_text.text(made(), incidents=["#3 open"])


def test_what_was_not_read_and_what_is_inconsistent_is_told() -> None:
    damaged = stay(0)
    facts = replace(damaged.facts, skipped=("part 3: checksum",))
    life = replace(made(), stays=(replace(damaged, facts=facts),), together=("in two places",))
    text = unit_text.text(life, ["/runs/bad is damaged"])
    assert "Recorded in two places at once\n------------------------------\n- in two places" in text
    assert "- /runs/bad is damaged\n- three-mains-0000: part 3: checksum" in text
    found = json.loads(unit_text.as_json(life, ["/runs/bad is damaged"]))
    assert found["not_read"] == ["/runs/bad is damaged", "three-mains-0000: part 3: checksum"]
    assert found["unit"]["serial"] == "0017"
    assert found["unit"]["stays"][0]["load"] == "8 ohm resistor"
