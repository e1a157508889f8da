"""First-out: latched for each unit, kept however long the list, consequences of a shutdown folded."""

from __future__ import annotations

from datetime import UTC

import pytest

from rig.domain.model import EventKind
from rig.view.excursion_rows import current, folded_rows
from rig.view.latched_episodes import KEPT_EXCURSIONS
from rig.view.snapshot import Snapshot
from tests.view.rooms import Feeder
from tests.view.unit_rooms import driven_room, failed_room, state, taken_away


def sequence(snapshot: Snapshot) -> list[str]:
    """Return rank and channel of each line of the sequence, or the words that stand there."""
    lines = [text.plain.split() for text, _ in folded_rows(current(snapshot), snapshot, UTC, 100)]
    return [f"{one[0]} {one[2]}" if one[0][0].isdigit() else " ".join(one) for one in lines]


LED_TO_IT = ["1. A2.heatsink", "2. A2.transformer", "3. A2.bias"]


def test_what_led_to_a_failure_stays_and_what_followed_from_it_is_one_line() -> None:
    snapshot = failed_room().picture(41.0)
    # ripple at 30.6 s, power and a rail began after the output was gone (30.5 s); output and current show it
    assert sequence(snapshot) == [*LED_TO_IT, "and 5 consequences of A2 shutting down"]
    assert all(one.ended_ns is not None for one in snapshot.excursions)
    (first,) = [one for one in snapshot.excursions if one.first_out]
    assert first.channel == "A2.heatsink"


@pytest.mark.parametrize(("began_s", "folded"), [(30.4, False), (30.5, True)])
def test_an_excursion_that_began_between_the_readings_of_the_shutdown_may_have_caused_it(
    began_s: float, folded: bool
) -> None:
    feeder = driven_room()
    feeder.out("A2.heatsink", 10.0)
    feeder.out("A2.ripple", began_s, delay_s=0.1)
    state(feeder, "A2", "failed", 40.0, "unknown", "likely", since=(30.0, 30.5))
    assert ("2. A2.ripple" in sequence(feeder.picture(41.0))) is not folded


def test_the_first_out_is_kept_when_it_is_back_inside_and_others_are_not() -> None:
    feeder = driven_room()
    for at_s, quantity in enumerate(("heatsink", "transformer", "bias", "ripple"), 10):
        feeder.out(f"A2.{quantity}", float(at_s))
    for quantity in ("heatsink", "transformer", "bias"):
        feeder.event(EventKind.LIMIT_IN, 20.0, f"A2.{quantity}", side="high")
    assert sequence(feeder.picture(21.0)) == ["1. A2.heatsink", "4. A2.ripple"]


def test_the_first_out_is_let_go_when_the_unit_is_driven_again() -> None:
    feeder = failed_room()
    state(feeder, "A2", "driven", 50.0)
    snapshot = feeder.picture(51.0)
    assert sequence(snapshot) == []
    assert not [one for one in snapshot.excursions if one.latched]
    feeder.out("A2.ripple", 60.0)
    assert sequence(feeder.picture(65.0)) == ["1. A2.ripple"]


def test_the_first_out_is_kept_over_a_restart_and_while_the_unit_is_not_read() -> None:
    feeder = failed_room()
    feeder.event(EventKind.SESSION_START, 60.0, "run", "session 2", session=2)
    state(feeder, "A1", "unobserved", 60.0)
    state(feeder, "A1", "driven", 63.0)
    assert sequence(feeder.picture(64.0))[:3] == LED_TO_IT


def test_while_a_unit_gives_no_output_what_goes_out_joins_its_episode() -> None:
    feeder = driven_room()
    feeder.out("A2.heatsink", 10.0)
    feeder.event(EventKind.LIMIT_IN, 12.5, "A2.heatsink", side="high")
    state(feeder, "A2", "muted", 20.0, since=(15.0, 16.0))
    feeder.out("A2.output", 25.0, "low")
    snapshot = feeder.picture(30.0)
    assert sequence(snapshot) == ["1. A2.heatsink", "and 1 consequence of A2 shutting down"]
    state(feeder, "A2", "driven", 31.0)
    taken_away(feeder, 32.0, ("A2.output", "low"))
    feeder.out("A2.bias", 40.0)
    assert sequence(feeder.picture(45.0)) == ["1. A2.bias"]


def test_a_new_episode_of_a_driven_unit_has_a_first_out_of_its_own() -> None:
    feeder = driven_room()
    feeder.out("A2.heatsink", 10.0)
    feeder.event(EventKind.LIMIT_IN, 15.0, "A2.heatsink", side="high")
    assert sequence(feeder.picture(16.0)) == []  # it is over, and the unit is driven
    feeder.out("A2.bias", 20.0)
    assert sequence(feeder.picture(25.0)) == ["1. A2.bias"]


def test_the_first_out_survives_more_excursions_than_are_kept() -> None:
    feeder = driven_room(1)
    feeder.out("A1.heatsink", 2.0)
    feeder.out("A1.ripple", 3.0)
    feeder.event(EventKind.LIMIT_IN, 6.0, "A1.heatsink", side="high")
    for at in range(KEPT_EXCURSIONS + 10):
        feeder.out("A1.bias", 10.0 + at, delay_s=0.1)
        feeder.event(EventKind.LIMIT_IN, 10.5 + at, "A1.bias", side="high")
    snapshot = feeder.picture(2000.0)
    assert sequence(snapshot) == ["1. A1.heatsink", "2. A1.ripple"]
    assert len(snapshot.excursions) <= KEPT_EXCURSIONS + 2
    assert [one.channel for one in snapshot.excursions if one.first_out] == ["A1.heatsink"]


def test_episodes_stand_in_the_order_in_which_they_began() -> None:
    feeder: Feeder = driven_room()
    feeder.out("A4.heatsink", 5.0)
    feeder.out("A3.heatsink", 10.0)
    feeder.out("A4.bias", 12.0)
    assert sequence(feeder.picture(20.0)) == ["1. A4.heatsink", "2. A4.bias", "1. A3.heatsink"]
