"""Incidents as text: nothing is sent to a unit without the caution, and everything that was said is there."""

from __future__ import annotations

import json

import pytest
from rich.cells import cell_len

from rig.domain.incidents import Incident, incidents
from rig.domain.model import Event, EventKind
from rig.render import incidents_text
from rig.render.postmortem_text import CAUTION
from tests.endurance.rooms import at, channel, event, layout_of

LAYOUT = layout_of([channel(f"A{n}.v") for n in range(1, 7)])


def trip(t_s: float, unit: str) -> Event:
    return event(
        EventKind.SWITCH, t_s, unit, f"switching {unit} off", what="ordered", purpose="switch-off", attempt=1
    )


def closing(t_s: float, of: Incident, relevance: str, cause: str, text: str = "") -> Event:
    return event(
        EventKind.INCIDENT, t_s, of.place or "run", text, what="entry", number=of.number, unit=of.place,
        opened_ns=of.opened_ns, relevance=relevance, cause=cause, by="eve@room",
    )  # fmt: skip


THREE = [trip(100, "A1"), trip(140, "A2"), trip(180, "A3")]


def found(*events: Event) -> tuple[Incident, ...]:
    return incidents(events, LAYOUT)


def flat(text: str) -> str:
    return " ".join(text.replace("\n- ", "\n").split())


def test_the_list_has_a_line_each_and_says_what_is_linked() -> None:
    known = found(*THREE)
    said = incidents_text.listing(known, LAYOUT.units, "runs")
    assert max(cell_len(line) for line in said.splitlines()) <= 80
    assert "#3: 3 of 6 units within 80 s (#1 A1, #2 A2, #4 A3): look for a common cause first" in flat(said)
    assert "4 incidents, 4 open" in said


def test_the_longest_words_keep_a_line_within_80_columns() -> None:
    names = layout_of([channel("left-front-12.v"), channel("left-front-13.v")])
    events = [trip(100, "left-front-12"), trip(101, "left-front-13")]
    common = incidents(events, names)[2]
    known = incidents([*events, closing(200, common, "non-relevant", "handling")], names)
    said = incidents_text.listing(known, names.units, "runs")
    assert max(cell_len(line) for line in said.splitlines()) <= 80
    assert len([line for line in said.splitlines() if "left-front" in line and "trip" in line]) == 2


@pytest.mark.parametrize("number", [1, 3])
def test_the_caution_stands_before_what_sends_somebody_to_a_unit(number: int) -> None:
    known = found(*THREE)
    said = flat(incidents_text.whole(known[number - 1], known, LAYOUT.units, "runs"))
    assert CAUTION in said
    assert said.index(CAUTION) < said.index("check first:") < said.index("then close it:")
    assert "it is no failure of a unit" in said
    noted = event(EventKind.NOTE, 900, "A1", "smoke", died=True)
    known = found(*THREE, noted)
    said = flat(incidents_text.whole(known[0], known, LAYOUT.units, "runs"))
    assert "until then it counts as a relevant failure (IEC 61124)" in said


def test_a_closed_one_sends_nobody_and_says_how_it_is_corrected() -> None:
    events = [trip(100, "A1")]
    (one,) = found(*events)
    known = found(*events, closing(200, one, "relevant", "unit", "bond wire lifted"))
    said = flat(incidents_text.whole(known[0], known, LAYOUT.units, "runs"))
    assert "status closed as relevant, unit" in said
    assert "eve@room: closed as relevant, cause unit; bond wire lifted" in said
    assert "check first" not in said
    assert "a correction is entered in the same way: soakrig incident runs 1 --close" in said


def test_what_the_post_mortem_says_to_check_first_is_told() -> None:
    known = found(trip(100, "A1"))
    said = flat(incidents_text.whole(known[0], known, LAYOUT.units, "runs", check_first="A1.fan"))
    assert "check first: A1.fan" in said
    said = flat(incidents_text.whole(known[0], known, LAYOUT.units, "runs"))
    assert "check first: see the post-mortem: soakrig postmortem runs --unit A1" in said


def test_as_json_each_has_its_status_and_its_history() -> None:
    one = found(*THREE)[2]
    content = json.loads(incidents_text.as_json(found(*THREE, closing(300, one, "non-relevant", "rig"))))
    assert [row["status"] for row in content["incidents"]] == [
        "non-relevant, rig (#3)",
        "non-relevant, rig (#3)",
        "non-relevant, rig",
        "non-relevant, rig (#3)",
    ]
    assert content["incidents"][2]["members"] == [1, 2, 4]
    assert content["incidents"][0]["earliest_ns"] == at(100)
