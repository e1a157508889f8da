"""Comparing a verdict with the truth: pure, over plain data."""

from typing import Any

import pytest

from rig.simulator.crossing_ledger import Crossing
from rig.simulator.room_plan import plan
from rig.simulator.scenarios import scenario
from rig.simulator.truth import closer_than, compare, document
from rig.simulator.world import World

SECOND = 1_000_000_000


def crossing(
    channel: str, at_s: float, *, before: bool = False, lasted_s: float | None = None
) -> dict[str, Any]:
    at_ns = round(at_s * SECOND)
    return {
        "channel": channel,
        "side": "high",
        "limit": 1.0,
        "out": {"boot_ns": at_ns, "utc_ns": at_ns + 1000 * SECOND},
        "back": None,
        "lasted_s": lasted_s,
        "out_before_start": before,
    }


def truth(*crossings: dict[str, Any]) -> dict[str, Any]:
    names = {one["channel"] for one in crossings} | {"A1.idle", "A2.idle"}
    return {
        "crossings": list(crossings),
        "channels": {
            name: {
                "unit": name.split(".", maxsplit=1)[0] if "." in name else None,
                "poll_s": 0.5,
                "on_delay_s": 1.0,
            }
            for name in names
        },
    }


def span(low_s: float, high_s: float) -> tuple[int, int]:
    return round((1000 + low_s) * SECOND), round((1000 + high_s) * SECOND)


THREE = truth(crossing("A1.a", 10.0), crossing("A1.b", 10.2), crossing("A1.c", 14.0))


def test_an_interval_that_holds_the_moment_is_inside_and_one_beside_it_is_off_by_so_much() -> None:
    found = compare(THREE, {"A1.a": span(9.5, 10.1), "A1.c": span(14.5, 15.0), "A1.b": span(9.0, 10.0)})
    assert found.inside == ("A1.a",)
    assert {miss.channel: miss.off_s for miss in found.outside} == {
        "A1.c": pytest.approx(-0.5),
        "A1.b": pytest.approx(0.2),
    }
    assert not found.sound


def test_the_ends_of_an_interval_belong_to_it() -> None:
    assert compare(THREE, {"A1.a": span(10.0, 10.0)}).inside == ("A1.a",)


def test_certain_pairs_are_right_or_wrong_and_those_closer_than_a_poll_are_luck() -> None:
    verdicts = {name: span(9.0, 15.0) for name in ("A1.a", "A1.b", "A1.c")}
    found = compare(THREE, verdicts, [("A1.a", "A1.b"), ("A1.a", "A1.c"), ("A1.c", "A1.b")])
    assert found.right == (("A1.a", "A1.b"), ("A1.a", "A1.c"))
    assert found.wrong == (("A1.c", "A1.b"),)
    assert found.lucky == (("A1.a", "A1.b"),)


def test_what_never_left_its_limit_is_invented_and_what_got_no_interval_is_missed() -> None:
    found = compare(THREE, {"A1.idle": span(1.0, 2.0), "A1.a": span(9.0, 11.0)}, unit="A1")
    assert found.invented == ("A1.idle",)
    assert found.missed == ("A1.b", "A1.c")
    assert found.first == "A1.a"


def test_other_units_are_not_missed_and_the_room_is() -> None:
    found = compare(truth(crossing("A2.x", 3.0), crossing("mains", 4.0)), {}, unit="A1")
    assert found.missed == ("mains",)
    assert found.first == "mains"


def test_what_happens_after_the_recording_does_not_count() -> None:
    assert compare(THREE, {}, unit="A1", until_ns=span(0.0, 12.5)[1]).missed == ("A1.a", "A1.b")


def test_what_was_out_for_less_than_its_on_delay_is_not_missed() -> None:
    brief = truth(crossing("A1.a", 10.0, lasted_s=1.9), crossing("A1.b", 11.0, lasted_s=2.1))
    found = compare(brief, {}, unit="A1")
    assert (found.missed, found.first) == (("A1.b",), "A1.b")
    assert compare(brief, {"A1.a": span(9.0, 11.0)}, unit="A1").inside == ("A1.a",)


def test_what_left_its_limit_just_before_the_end_is_not_missed() -> None:
    assert compare(truth(crossing("A1.a", 10.0)), {}, unit="A1", until_ns=span(0.0, 11.0)[1]).missed == ()


def test_of_several_excursions_the_nearest_is_meant() -> None:
    twice = truth(crossing("A1.a", 10.0), crossing("A1.a", 20.0), crossing("A1.b", 15.0))
    found = compare(twice, {"A1.a": span(19.0, 21.0), "A1.b": span(14.0, 16.0)}, [("A1.b", "A1.a")])
    assert found.sound
    assert found.right == (("A1.b", "A1.a"),)


def test_a_recording_with_its_own_clock_offset_is_compared_by_boot_time() -> None:
    shifted = {"A1.a": (10 * SECOND - 1 + 5, 10 * SECOND + 1 + 5)}
    assert compare(THREE, shifted, utc_minus_boot_ns=5).inside == ("A1.a",)


def test_pairs_closer_than_a_poll_are_named_in_their_true_order() -> None:
    crossings = [
        Crossing(channel=name, side="high", limit=1.0, out_ns=round(at_s * SECOND))
        for name, at_s in (("c", 14.0), ("b", 10.2), ("a", 10.0))
    ]
    (pair,) = closer_than(crossings, poll_s=0.5)
    assert (pair["first"], pair["second"]) == (["a", "high"], ["b", "high"])
    assert pair["apart_s"] == pytest.approx(0.2)


def test_the_truth_says_who_died_of_what_and_how_much_time_is_shortened() -> None:
    world = World(plan=plan(units=2), scenario=scenario("fan-failure"), seed=1, start_ns=0)
    world.advance(31 * SECOND)
    found = document(world, seed=1, boot_id="b", utc_minus_boot_ns=7, ended=True)
    assert found["dead"] == [found["victim"]]
    assert found["expected_first"] == f"{found['victim']}.fan"
    assert found["crossings"][0]["channel"] == found["expected_first"]
    assert "60 times" in found["note"]
    first = found["crossings"][0]["out"]
    assert first["utc_ns"] - first["boot_ns"] == 7
    assert len(found["closer_than_a_poll"]) > 3
    assert found["channels"][f"{found['victim']}.heatsink"]["high"] == 95.0


def test_a_truth_compared_with_itself_is_sound() -> None:
    world = World(plan=plan(units=2), scenario=scenario("dried-capacitor"), seed=1, start_ns=0)
    world.advance(31 * SECOND)
    found = document(world, seed=1, boot_id="b", utc_minus_boot_ns=0, ended=True)
    moments = {one["channel"]: one["out"]["utc_ns"] for one in reversed(found["crossings"])}
    ordered = sorted(moments, key=lambda name: moments[name])
    certain = [(a, b) for at, a in enumerate(ordered) for b in ordered[at + 1 :]]
    verdict = compare(found, {name: (at, at) for name, at in moments.items()}, certain)
    assert verdict.sound
    assert verdict.missed == ()
    assert len(verdict.right) == len(certain)
    assert verdict.first == found["expected_first"]
