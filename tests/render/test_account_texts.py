"""Accounts, verdicts, comparisons, proofs as text: every width, hostile names, nothing claimed too much."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from rich.cells import cell_len

from rig.domain.accounting import Accounting, LevelPlan, PartPlan, StagePlan
from rig.domain.model import Event, EventKind
from rig.domain.program import Phase, PhaseTarget, Program
from rig.endurance.acceleration import arrhenius
from rig.endurance.comparison import compare
from rig.endurance.event_search import EventQuery, matches
from rig.endurance.held_readings import HeldReadings
from rig.endurance.run_account import account, judged
from rig.endurance.run_identity import RunIdentity
from rig.endurance.run_summary import RunSummary
from rig.endurance.sides import sides
from rig.endurance.verdict import ReasonEvidence
from rig.reliability.design_evidence import EvidenceOptions, demonstrate
from rig.reliability.run_digest import RunDigest, digest, histories
from rig.render import account_text, fleet_text, reliability_text, runs_text, verdict_text
from rig.render import comparison_text as compare_text
from tests.endurance.rooms import Room, channel, event, limit, phase_event, series
from tests.reliability.test_design_evidence import installation, run

T = np.arange(0, 3600.0)
WIDTHS = [80, 100, 140]
EVIL = "\x1b[31m\u202e<b>名"
ASKED = Accounting(
    ambient="air",
    energy="{unit}.p",
    output=LevelPlan(channel="{unit}.v", on_above=5, off_below=3),
    drive=LevelPlan(channel="mains", on_above=100, off_below=50),
    trip_least_s=5,
    bands={"mains": (220.0, 240.0), "{unit}.heat": (60.0,)},
    cycles={"{unit}.heat": 1.0},
    parts={"r1": PartPlan(rating_w=20, rated_c=70, zero_c=155, power="{unit}.p", temperature="{unit}.heat")},
    stages={"sink": StagePlan(hot="{unit}.heat", cold="air", power="{unit}.p", window_s=600)},
)
PROGRAM = Program(
    phases=(
        Phase(name="low", duration_s=1800, targets={"mains": PhaseTarget(value=230, tolerance=3)}),
        Phase(name="high", duration_s=7200, targets={"mains": PhaseTarget(value=253, tolerance=3)}),
    ),
    order=("low", "high"),
)


class Planned(Room):
    """A room whose rig file asks for an account and has a program."""

    def __init__(self, **more: Any) -> None:
        super().__init__(**more)
        units = {
            name: dataclasses.replace(one, serial=f"{EVIL}{name}", load=EVIL)
            for name, one in self.layout.units.items()
        }
        self.layout = dataclasses.replace(self.layout, units=units, accounting=ASKED, program=PROGRAM)


def room(volts: Any = 20.0, heat: Any = 65.0, units: tuple[str, ...] = ("A1", "A2")) -> Planned:
    values: dict[str, Any] = {"mains": np.where(T < 1800, 230.0, 253.0), "air": 40.0}
    for unit in units:
        values |= {f"{unit}.v": volts, f"{unit}.p": 10.0, f"{unit}.heat": heat}
    uom = {"air": "degC", "heat": "degC", "p": "W"}
    limits = {"heat": (limit("high", 95),)}
    noise = np.random.default_rng(1)
    happened: list[Event] = [
        phase_event(0, "low"),
        phase_event(1800, "high"),
        event(EventKind.LIMIT_OUT, 600, "A1.heat", EVIL, side="high", limit=95.0),
        event(EventKind.NOTE, 700, "A1", EVIL),
    ]
    return Planned(
        channels=[
            channel(n, *limits.get(n[-4:], ()), uom=uom.get(n.split(".")[-1], "V"), resolution=0.1)
            for n in values
        ],
        data={n: series(n, T, v + noise.normal(0, 0.05, len(T))) for n, v in values.items()},
        happened=happened,
    )  # fmt: skip


FACTS = RunIdentity(
    run="r", name=EVIL, rig=EVIL, where=f"/x/{EVIL}", state="stopped", created_ns=0, skipped=(EVIL,)
)
DEAD = np.where(T < 900, 20.0, 0.0)
HELD_BACK_THEN_DEAD = np.where((T > 300) & (T < 400), 0.0, DEAD)


def digests() -> list[RunDigest]:
    return [digest(room(DEAD), FACTS)]


def proof(width: int) -> str:
    wanted = EvidenceOptions(
        mtbf_h=1000.0,
        good_mtbf_h=4000.0,
        shape=2.0,
        reliability=0.9,
        mission_h=10.0,
        acceleration=arrhenius(0.7, 40, 75, half_width_ev=0.1),
    )
    return reliability_text.text(demonstrate(digests(), wanted), [EVIL], width)


def comparison(width: int) -> str:
    pairs = sides(("old", HeldReadings(room())), (EVIL, HeldReadings(room(heat=70.0))), "A1", None)
    return compare_text.text([compare(one, two) for one, two in pairs], width)


def found(width: int) -> str:
    return fleet_text.matches(matches(room(), FACTS, EventQuery()), [EVIL], 1, width)


def test_a_note_that_was_looked_for_is_shown_whole() -> None:
    text = "the fan of A1 hums since the mains is at 253 V; it smells of hot varnish near the transformer"
    made = room()
    made.happened = [event(EventKind.NOTE, 5.0, "A1", text)]
    lines = fleet_text.matches(matches(made, FACTS, EventQuery(kind="note")), [], 1, 80).splitlines()
    assert lines[0] == "1 match in 1 run"
    assert max(map(len, lines)) <= 80
    assert text in " ".join(" ".join(lines).split())


TEXTS: dict[str, Callable[[int], str]] = {
    "account": lambda width: account_text.text(
        account(room(HELD_BACK_THEN_DEAD, heat=np.where(T > 600, 96.0, 65.0))), width
    ),
    "verdict": lambda width: verdict_text.text(judged(room(DEAD), account(room(DEAD))), EVIL, width),
    "proof": proof,
    "comparison": comparison,
    "histories": lambda width: fleet_text.histories(histories(digests()), [EVIL], width),
    "matches": found,
}


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", list(TEXTS))
def test_no_line_is_wider_than_asked_and_nothing_moves_the_cursor(name: str, width: int) -> None:
    text = TEXTS[name](width)
    assert max(cell_len(line) for line in text.split("\n")) <= width
    assert all(line.isprintable() for line in text.split("\n"))


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_the_account_tells_phases_bands_trips_margins_parts_and_the_rule() -> None:
    text = one_line(TEXTS["account"](100))
    for words in (
        "ACCOUNT of rig test, from readback",
        "failed? ",
        "FAILED? 2023-11-14",
        "trip 1",
        "low: mains 230 ±3: within for 30 min",
        "high: mains 253 ±3",
        "mains at < 220: 0 s, 220 to 240: 30 min, >= 240: 30 min",
        "smallest margins",
        "part r1: ",
        "stage sink: ",
        "each reading covers half the interval to its neighbours",
    ):
        assert words in text, words


def test_an_account_without_its_section_says_so() -> None:
    plain = Room(channels=list(room().layout.channels.values()), data=room().data)
    assert "the rig file has no section account" in one_line(account_text.text(account(plain), 100))


def test_a_verdict_says_the_word_first_and_puts_what_is_against_it_before_what_is_for_it() -> None:
    text = TEXTS["verdict"](100)
    assert text.split("\n")[0].startswith("VERDICT on rig")
    assert text.split("\n")[0].endswith(": FAIL")
    signs = [line.split()[0] for line in text.split("\n") if line[:4] in {"FAIL", "INCO", "pass"}]
    first = signs[: signs.index("pass") + 1]
    assert first == sorted(first, key=["FAIL", "INCONCLUSIVE", "pass"].index)
    assert "2 h within its targets" in one_line(text)


def test_probabilities_are_told_only_where_they_leave_a_doubt() -> None:
    sure = ReasonEvidence(channel="x", value=1.0, uncertainty=0.1, probability=0.9999, unit_of_measure="degC")
    assert verdict_text.evidence(sure) == ""
    doubt = dataclasses.replace(sure, probability=0.975)
    assert verdict_text.evidence(doubt) == "standard uncertainty 0.1 K, probability of conformity 97.5 %"


def test_beside_every_number_of_a_proof_stands_what_it_does_not_cover() -> None:
    text = one_line(proof(100))
    assert text.count("does not cover:") == 7
    assert text.count("assumes:") == 3
    assert "Weibull fit to 2 units with 2 failures" in text
    assert "producer's risk" in text
    assert "half have failed by 0.25 h (median life)" in text


def test_a_fit_is_told_with_the_lives_that_it_means() -> None:
    """The NIST/SEMATECH e-Handbook's numbers of 8.4.1.3: mean 540.737 h, standard deviation 323.806 h."""
    handbook = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)
    stays = [installation(str(n), hours, died=True) for n, hours in enumerate(handbook)]
    stays += [installation(f"s{n}", 500) for n in range(10)]
    text = one_line(reliability_text.text(demonstrate([run("a", *stays)]), width=100))
    # B10 from shape and scale: 606.528 (-ln 0.9)^(1/1.7208) = 164.0
    assert "mean life 541 h, standard deviation 324 h; 10 % have failed by 164 h (B10 life)" in text
    alive = demonstrate(
        [run("a", installation("1", 100, died=True), installation("2", 200), installation("3", 200))]
    )
    assert "more than half survive: no median life yet" in one_line(reliability_text.text(alive))


def test_of_several_comparisons_those_with_a_proven_difference_come_first_and_the_rule_once() -> None:
    before, after = HeldReadings(room()), HeldReadings(room(heat=70.0))
    (like,) = sides(("old", before), ("older", HeldReadings(room())), "A1", "A1")
    (unlike,) = sides(("old", before), ("new", after), "A1", "A1")
    text = compare_text.text([compare(*like), compare(*unlike)])
    assert text.index("higher for the second") < text.index("no significant difference")
    assert text.count("ranked by") == 1


def test_what_matters_stands_first_in_a_comparison_and_temperature_differences_are_in_kelvin() -> None:
    text = one_line(comparison(100))
    assert "1. heat" in text
    assert "5 K higher for the second" in text


def test_everything_is_json_that_other_tools_read() -> None:
    made = room(DEAD)
    texts = [
        account_text.as_json(account(made)),
        verdict_text.as_json(judged(made, account(made))),
        reliability_text.as_json(demonstrate(digests()), ["x"]),
        compare_text.as_json([]),
        fleet_text.histories_json(histories(digests()), ["x"]),
        fleet_text.matches_json(matches(made, FACTS, EventQuery()), []),
    ]
    for text in texts:
        parsed = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
        assert parsed["schema"] == 2


def test_a_list_of_runs_from_two_folders_names_them() -> None:
    one = RunSummary(
        facts=dataclasses.replace(FACTS, name="a", where="s3://b/x/a", skipped=()), start_ns=0, end_ns=10**12,
        sessions=1, serials=(), excursions=(("A1", 2), ("", 1)), notes=0, size=1000,
    )  # fmt: skip
    other = dataclasses.replace(one, facts=dataclasses.replace(one.facts, name="b", where="/y/b"))
    text = runs_text.text([one, other])
    assert "/y:" in text
    assert "3: A1, room" in text
