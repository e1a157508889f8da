"""Incidents follow from the recorded events: numbers that never change, corrections that keep what was said.

Relevant and non-relevant failures: IEC 61124, IEC 60050-192 (from memory). One incident for each unit and
episode, and the time within which several units' incidents are linked: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.incidents import COMMON_S, Incident, IncidentKind, incidents, open_count, together
from rig.domain.model import Event, EventKind
from tests.endurance.rooms import S, at, channel, event, layout_of

LAYOUT = layout_of([channel(f"A{n}.v") for n in range(1, 7)])


def found(*events: Event) -> tuple[Incident, ...]:
    return incidents(events, LAYOUT)


def failed(t_s: float, unit: str = "A2", **more: Any) -> Event:
    data: dict[str, Any] = {
        "serial": f"S{unit}",
        "state": "failed",
        "before": "driven",
        "cause": "",
        "certainty": "likely",
    }
    data |= {"earliest_ns": at(t_s - 61), "latest_ns": at(t_s - 60), "evidence": [], "retracts": False}
    return event(EventKind.STATE, t_s, unit, "failure suspected", **{**data, **more})


def state(t_s: float, name: str, unit: str = "A2", *, retracts: bool = False) -> Event:
    return event(EventKind.STATE, t_s, unit, f"{unit} {name}", state=name, retracts=retracts)


def switch(t_s: float, what: str = "ordered", unit: str = "A2", **more: Any) -> Event:
    data: dict[str, Any] = {"what": what, "purpose": "switch-off", "attempt": 1, **more}
    return event(EventKind.SWITCH, t_s, unit, f"switching {unit} off", **data)


def died(t_s: float, unit: str = "A2", **more: Any) -> Event:
    return event(EventKind.NOTE, t_s, unit, "smoke", died=True, by="eve@room", **more)


def swap(t_s: float, serial: str, unit: str = "A2", before: str = "SA2", **more: Any) -> Event:
    return event(EventKind.UNIT, t_s, unit, "swapped", serial=serial, before=before, **more)


def opened(t_s: float, unit: str = "A2", **more: Any) -> Event:
    return event(EventKind.INCIDENT, t_s, unit, "hums", what="opened", unit=unit, by="eve@room", **more)


def entry(t_s: float, of: Incident, text: str = "", **more: Any) -> Event:
    data = {
        "what": "entry",
        "number": of.number,
        "unit": of.place,
        "opened_ns": of.opened_ns,
        "by": "eve@room",
    }
    return event(EventKind.INCIDENT, t_s, of.place or "run", text, **{**data, **more})


def closing(t_s: float, of: Incident, relevance: str = "relevant", cause: str = "unit", **more: Any) -> Event:
    return entry(t_s, of, "inspected", relevance=relevance, cause=cause, **more)


def test_nothing_recorded_is_no_incident() -> None:
    quiet = [
        event(EventKind.NOTE, 1, "A2", "hums", unit="A2"),
        state(2, "driven"),
        state(3, "muted"),
        switch(4, "sent"),
        switch(5, purpose="source"),
        switch(6, purpose="pre-flight"),
        swap(7, "S9"),
    ]
    assert found(*quiet) == ()


@pytest.mark.parametrize(
    ("opening", "kind", "moment"),
    [
        (switch(100), IncidentKind.TRIP, (100, 100)),
        (failed(100), IncidentKind.SUSPECTED, (39, 40)),
        (failed(100, certainty="certain"), IncidentKind.NOTED, (39, 40)),
        (died(100), IncidentKind.NOTED, (100, 100)),
        (died(100, at_ns=at(50)), IncidentKind.NOTED, (50, 50)),
        (opened(100), IncidentKind.BY_HAND, (100, 100)),
        (opened(100, at_ns=at(60)), IncidentKind.BY_HAND, (60, 60)),
    ],
)
def test_each_way_of_opening_says_kind_place_serial_and_moment(
    opening: Event, kind: IncidentKind, moment: tuple[float, float]
) -> None:
    (one,) = found(opening)
    assert (one.number, one.kind, one.place, one.serial) == (1, kind, "A2", "SA2")
    assert (one.earliest_ns, one.latest_ns) == (at(moment[0]), at(moment[1]))
    assert one.is_open
    assert one.status == "open"


def test_a_trip_a_suspicion_and_a_note_of_one_episode_are_one_incident() -> None:
    (one,) = found(switch(100), switch(102, attempt=2), failed(180), died(4000))
    assert one.kind is IncidentKind.TRIP
    assert [r.text for r in one.reports] == ["switching A2 off", "failure suspected", "smoke"]
    assert one.noted
    assert one.told_ns == at(4000)


@pytest.mark.parametrize("again", [state(200, "driven"), switch(200, "on"), swap(200, "S9")])
def test_after_the_unit_was_driven_again_or_swapped_it_is_another_incident(again: Event) -> None:
    one, other = found(switch(100), again, switch(300))
    assert (one.number, other.number) == (1, 2)


def test_a_suspicion_that_is_taken_back_stays_listed_and_is_not_open() -> None:
    (one,) = found(failed(100), state(150, "driven", retracts=True))
    assert not one.is_open
    assert one.status == "retracted"
    assert one.retracted == "A2 driven"
    one, other = found(failed(100), state(150, "driven", retracts=True), failed(400))
    assert (one.is_open, other.is_open) == (False, True)


@pytest.mark.parametrize("stands", [switch(90), died(90)])
def test_what_was_more_than_a_suspicion_is_not_taken_back_by_the_tool(stands: Event) -> None:
    (one,) = found(stands, failed(100), state(150, "driven", retracts=True))
    assert one.is_open


def test_a_trip_is_over_when_the_suspicion_after_it_is_taken_back_by_output() -> None:
    trip, again = found(switch(100), failed(170), state(200, "driven", retracts=True), switch(900))
    assert (trip.kind, trip.driven_again_ns, again.number) == (IncidentKind.TRIP, at(200), 2)
    assert found(switch(100), failed(170), state(200, "unpowered", retracts=True))[0].driven_again_ns is None


def test_a_note_after_the_unit_was_taken_out_joins_the_incident_of_its_serial_number() -> None:
    (one,) = found(failed(100), swap(500, ""), died(900, unit="run", serial="SA2"))
    assert (one.serial, one.noted) == ("SA2", True)


def test_a_note_on_a_unit_that_was_driven_since_or_closed_opens_another() -> None:
    first, second = found(switch(100), state(200, "driven"), died(900))
    assert (first.noted, second.noted) == (False, True)
    (one,) = found(switch(100))
    first, second = found(switch(100), closing(150, one), died(900))
    assert (first.noted, second.kind) == (False, IncidentKind.NOTED)


def test_a_swap_recorded_after_the_fact_corrects_the_serial_number_and_no_number() -> None:
    events = [switch(100), swap(500, "S9", at_ns=at(50))]
    (one,) = found(*events)
    assert (one.number, one.serial) == (1, "S9")
    (one,) = found(*events, died(600))
    assert (one.serial, one.noted) == ("S9", True)
    (one,) = found(switch(100), swap(500, "S9", at_ns=at(150)))
    assert one.serial == "SA2"


def test_a_disposition_closes_and_a_correction_keeps_what_was_said_before() -> None:
    (one,) = found(switch(100))
    first = closing(200, one, "relevant", "unit", mechanism="bond wire lifted", part="Q7", revision="C")
    second = closing(300, one, "non-relevant", "rig", at_ns=at(250))
    (one,) = found(switch(100), first, second)
    assert not one.is_open
    assert [(d.relevance.value, d.cause.value) for d in one.dispositions] == [
        ("relevant", "unit"),
        ("non-relevant", "rig"),
    ]
    assert (one.dispositions[0].mechanism, one.dispositions[0].part) == ("bond wire lifted", "Q7")
    assert one.disposition == one.dispositions[1]
    assert (one.disposition.by, one.disposition.at_ns) == ("eve@room", at(250))
    assert one.status == "non-relevant, rig"


def test_an_entry_finds_its_incident_by_what_opened_it_and_not_by_its_number() -> None:
    """Where damage has lost an incident the numbers behind it move; what was said of them must not."""
    _, second = found(switch(100, unit="A1"), switch(900, unit="A2"))
    (left,) = found(switch(900, unit="A2"), closing(950, second))
    assert (left.number, left.status) == (1, "relevant, unit")


def test_an_entry_about_an_incident_that_is_lost_is_kept_as_one_of_its_own() -> None:
    (lost,) = found(switch(100))
    (one,) = found(closing(200, lost, "non-relevant", "handling"))
    assert (one.kind, one.place, one.status) == (IncidentKind.BY_HAND, "A2", "non-relevant, handling")


def test_words_that_no_disposition_has_change_nothing() -> None:
    (one,) = found(switch(100))
    (one,) = found(switch(100), closing(200, one, "perhaps"), closing(300, one, cause="weather"))
    assert one.is_open


def test_attached_files_are_listed_in_the_order_in_which_they_came() -> None:
    (one,) = found(opened(1))
    file = {"name": "a.jpg", "sha256": "0" * 64, "size": 3}
    (one,) = found(opened(1), entry(2, one, files=[file]), entry(3, one, files=[{**file, "name": "b.jpg"}]))
    assert [(f.number, f.name) for f in one.files] == [(1, "a.jpg"), (1, "b.jpg")]
    assert [(r.t_ns, r.text) for r in one.reports[1:]] == [
        (at(2), "attached: a.jpg"),
        (at(3), "attached: b.jpg"),
    ]
    (one,) = found(opened(1), entry(2, one, files=[file]), entry(3, one, files=[file]))
    assert [f.name for f in one.files] == ["a.jpg"], "the same file, attached again"
    strange = [{**file, "name": "../a.jpg"}, "x", {**file, "sha256": "12"}, {**file, "size": -1}]
    (one,) = found(opened(1), entry(2, one, files=strange))
    assert one.files == ()


# ---- common causes


def test_incidents_of_several_units_within_the_time_are_linked() -> None:
    events = [switch(100, unit="A1"), switch(140, unit="A2"), switch(180, unit="A3"), switch(900, unit="A4")]
    one, two, common, three, alone = found(*events)
    assert common.kind is IncidentKind.COMMON
    assert common.members == (1, 2, 4)
    assert [x.common for x in (one, two, three, alone)] == [3, 3, 3, None]
    assert together(common, found(*events), LAYOUT.units) == "3 of 6 units within 80 s"


@pytest.mark.parametrize(("apart_s", "linked"), [(COMMON_S, True), (COMMON_S + 0.001, False)])
def test_the_time_within_which_they_are_linked_has_two_sides(apart_s: float, linked: bool) -> None:
    numbers = [one.kind for one in found(switch(100, unit="A1"), switch(100 + apart_s, unit="A2"))]
    assert (IncidentKind.COMMON in numbers) is linked
    assert COMMON_S == 120.0


def test_a_moment_that_is_not_known_so_well_links_nothing() -> None:
    wide = failed(1000, unit="A1", earliest_ns=at(100), latest_ns=at(990))
    assert len(found(wide, switch(1000, unit="A2"))) == 2
    assert (
        len(found(died(100, unit="A1"), died(130, unit="A2"))) == 2
    )  # when they were noted, not when it was
    noted = [died(900, unit="A1", at_ns=at(100)), died(960, unit="A2", at_ns=at(130))]
    assert len(found(*noted)) == 3
    assert len(found(opened(100, unit="A1"), opened(101, unit="A2"))) == 2


def test_a_suspicion_that_was_taken_back_is_no_part_of_a_common_cause() -> None:
    back = state(200, "driven", "A3", retracts=True)
    events = [failed(100, "A2"), failed(140, "A3"), failed(150, "A1")]
    whole = next(one for one in found(*events) if one.kind is IncidentKind.COMMON)
    assert together(whole, found(*events), ["A1", "A2", "A3"]).startswith("3 of 3 units")
    after = found(*events, back)
    left = next(one for one in after if one.kind is IncidentKind.COMMON)
    assert {after[number - 1].place for number in left.members} == {"A1", "A2"}
    assert [one.common for one in after if one.place == "A3"] == [None]
    assert left.is_open
    two = found(*events[:2], back)
    none = next(one for one in two if one.kind is IncidentKind.COMMON)
    assert (none.status, none.members, none.is_open) == ("retracted", (), False)
    assert [one.common for one in two] == [None, None, None]


def test_one_unit_alone_is_no_common_cause() -> None:
    assert len(found(switch(100), switch(110, "on"), switch(120))) == 2


def test_the_disposition_of_a_common_cause_counts_for_its_units_unless_they_have_their_own() -> None:
    events = [switch(100, unit="A1"), switch(140, unit="A2")]
    one, two, common = found(*events)
    events += [closing(200, common, "non-relevant", "rig"), closing(210, two, "relevant", "unit")]
    one, two, common = found(*events)
    assert (one.status, two.status) == ("non-relevant, rig (#3)", "relevant, unit")
    assert open_count(found(*events)) == 0
    # told of a member after that is another matter
    assert found(*events, died(900, unit="A1"))[-1].number == 4


def test_a_common_cause_is_closed_with_the_last_of_its_units() -> None:
    events = [failed(100, unit="A1"), failed(140, unit="A2")]
    one, two, _ = found(*events)
    events += [closing(200, one, "relevant", "unit")]
    assert found(*events)[2].is_open
    assert open_count(found(*events)) == 2
    assert not found(*events, closing(210, two))[2].is_open
    assert not found(*events, state(220, "driven", "A2", retracts=True))[2].is_open


# ---- whatever follows


def some_events() -> st.SearchStrategy[list[Event]]:
    unit = st.sampled_from(["A1", "A2", "A3"])
    step = st.sampled_from([1, 30, 90, 119, 121, 500])
    makers = st.sampled_from(
        [
            lambda t, u: switch(t, unit=u),
            lambda t, u: switch(t, "on", unit=u),
            failed,
            lambda t, u: state(t, "driven", u),
            lambda t, u: state(t, "driven", u, retracts=True),
            died,
            lambda t, u: died(t, u, at_ns=at(t - 50)),
            lambda t, u: swap(t, f"S{t}", u, before=f"S{u}"),
            lambda t, u: swap(t, f"S{t}", u, before=f"S{u}", at_ns=at(t - 100)),
            opened,
            None,  # a disposition of one that there is by then
        ]
    )

    def made(steps: list[tuple[int, str, Any, int, str]]) -> list[Event]:
        events: list[Event] = []
        t_s = 0
        for seconds, name, maker, pick, relevance in steps:
            t_s += seconds
            if maker is not None:
                events.append(maker(t_s, name))
                continue
            known = found(*events)
            if known:
                events.append(closing(t_s, known[pick % len(known)], relevance))
        return events

    relevance = st.sampled_from(["relevant", "non-relevant", "no-failure"])
    picks = st.integers(0, 9)
    return st.lists(st.tuples(step, unit, makers, picks, relevance), max_size=25).map(made)


@given(some_events(), st.integers(0, 25))
def test_numbers_are_stable_when_more_events_follow_and_nothing_that_was_said_is_lost(
    events: list[Event], cut: int
) -> None:
    before, after = found(*events[:cut]), found(*events)
    assert [one.number for one in after] == list(range(1, len(after) + 1))
    for one, later in zip(before, after, strict=False):
        facts = [(x.number, x.kind, x.place, x.opened_ns, x.reports[0]) for x in (one, later)]
        assert facts[0] == facts[1]
        assert later.dispositions[: len(one.dispositions)] == one.dispositions
        assert later.reports[: len(one.reports)] == one.reports
        assert later.disposition is not None or one.disposition is None
    assert len(before) <= len(after)


@given(some_events())
def test_every_disposition_is_kept_once_and_links_go_both_ways(events: list[Event]) -> None:
    known = found(*events)
    said = sum("relevance" in one.data for one in events)
    assert sum(len(one.dispositions) for one in known) == said
    for one in known:
        for number in one.members:
            assert known[number - 1].common == one.number
        if one.members:
            mine = [known[number - 1] for number in one.members]
            assert len({x.place for x in mine}) >= 2
            assert max(x.latest_ns for x in mine) - min(x.earliest_ns for x in mine) <= COMMON_S * S
    assert_no_place_twice_open(known)


def assert_no_place_twice_open(known: Sequence[Incident]) -> None:
    """Of one serial number in one place at most one incident of the tool still lasts."""
    lasting: dict[tuple[str, str], int] = {}
    for one in known:
        tools = one.kind in {IncidentKind.TRIP, IncidentKind.SUSPECTED}
        if tools and one.is_open and one.driven_again_ns is None and not one.retracted:
            lasting[one.place, one.serial] = lasting.get((one.place, one.serial), 0) + 1
    assert all(count == 1 for count in lasting.values())
