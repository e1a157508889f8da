"""Rows of the list of units: one word of state, the worst channel that is read, the blind ones beside it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC

import pytest
from rich.cells import cell_len

from rig.domain.model import Status
from rig.view.header import Canvas
from rig.view.screen import ScreenPage, ViewPosition, everything, frame
from rig.view.snapshot import RunState, Snapshot
from tests.view.rooms import Feeder
from tests.view.unit_rooms import driven_room, failed_room, state

SIZES = [(40, 12), (80, 24), (100, 30), (200, 60)]


def lines(snapshot: Snapshot, width: int, height: int, page: ScreenPage = ScreenPage.OVERVIEW) -> list[str]:
    return [
        t.plain
        for t in frame(snapshot, ViewPosition(page=page), Canvas(width=width, height=height, zone=UTC))
    ]


def listed(snapshot: Snapshot, width: int, height: int) -> list[str]:
    """Return the rows of the list of units."""
    shown = lines(snapshot, width, height)
    first = next(at for at, text in enumerate(shown) if text.startswith("unit "))
    return [text for text in shown[first + 1 :] if re.match(r"(A\d|room) ", text)]


def row(snapshot: Snapshot, unit: str, width: int = 100, height: int = 30) -> str:
    return next(text for text in listed(snapshot, width, height) if text.startswith(f"{unit} "))


def silent_scanner(feeder: Feeder) -> Snapshot:
    """Return the room once the instrument of all heatsinks and transformers is silent."""
    mute = {f"{unit}.{q}": Status.NO_REPLY for unit in feeder.plan.units for q in ("heatsink", "transformer")}
    for at_s in (2.0, 3.0):
        feeder.everything(at_s, {**mute, "A4.ripple": 3.9})
    return feeder.picture(3.5)


def test_a_silent_scanner_hides_no_margin_of_the_other_channels() -> None:
    snapshot = silent_scanner(driven_room())
    assert snapshot.units[0].name == "A4"
    for unit in ("A1", "A4"):
        text = row(snapshot, unit, 120)
        assert "heatsink, transformer" in text
        assert "driven" in text
        assert re.search(r"\d (high|low)", text), text
        assert "no value" not in text
    assert re.search(r"^A4 +driven +ripple +warning +3.90 V ", row(snapshot, "A4", 120))
    assert " 2 of 9" in row(snapshot, "A4", 80)
    assert re.search(r"3.90 V +0.10 high", row(snapshot, "A4", 80))


def test_a_unit_of_which_nothing_is_read_says_so() -> None:
    feeder = driven_room()
    feeder.everything(2.0, dict.fromkeys(feeder.plan.units["A3"].channels, Status.NO_REPLY))
    state(feeder, "A3", "unobserved", 5.0)
    text = row(feeder.picture(5.5), "A3")
    assert re.search(r"^A3 +not read +\w+ +not read +no reply .* - .* all *$", text), text
    state(feeder, "A2", "failed", 6.0, "note")
    assert lines(feeder.picture(6.5), 80, 24)[1].rstrip() == "A2 FAILED 17:46:46, 4 units driven, 1 not read"


def test_where_nobody_is_read_nobody_is_said_to_have_been_driven() -> None:
    feeder = driven_room(3)
    state(feeder, "A2", "failed", 3.0, "note")
    for unit in ("A1", "A3"):
        state(feeder, unit, "unobserved", 5.0)
    text = lines(feeder.picture(60.0, RunState.CRASHED), 80, 24)[1]
    assert text.rstrip() == "A2 FAILED 17:46:43, 0 units driven, 2 not read"


def test_a_section_without_room_for_its_first_line_is_left_to_the_units() -> None:
    shown = lines(failed_room().picture(41.0), 40, 11)
    assert not any("first-out order" in text for text in shown)
    assert any("first-out order" in text for text in lines(failed_room().picture(41.0), 80, 24))


def test_a_dead_unit_shows_its_state_since_when_and_its_first_out_and_no_margin() -> None:
    feeder = failed_room()
    text = row(feeder.picture(41.0), "A2", 100)
    assert re.search(r"^A2 +FAILED\? +since 17:47:10, first-out heatsink .* - +$", text), text
    assert "ok" not in text
    assert re.search(r"^A2 +FAILED\? +first-out heatsink", row(feeder.picture(41.0), "A2", 40, 16))


def test_channels_that_left_their_limits_in_the_same_reading_are_not_ranked() -> None:
    feeder = driven_room()
    for quantity in ("heatsink", "bias"):
        feeder.out(f"A2.{quantity}", 10.0)
    state(feeder, "A2", "failed", 20.0, "note")
    assert "first-out 2 channels at once" in row(feeder.picture(21.0), "A2")


def test_what_was_switched_off_does_not_look_like_what_died() -> None:
    feeder = driven_room()
    state(feeder, "A1", "unpowered", 5.0, "order")
    state(feeder, "A2", "unpowered", 5.0, "note")
    state(feeder, "A3", "unpowered", 5.0, "mains")
    state(feeder, "A4", "failed", 5.0, "note")
    snapshot = feeder.picture(6.0)
    words = [row(snapshot, unit)[5:13].strip() for unit in ("A1", "A2", "A3", "A4")]
    assert words == ["TRIPPED", "OFF", "NO MAINS", "FAILED"]


def test_the_header_says_who_failed_and_how_many_go_on() -> None:
    feeder = failed_room()
    assert lines(feeder.picture(41.0), 80, 24)[1].rstrip() == "A2 FAILED? 17:47:10, 5 units driven"
    state(feeder, "A2", "failed", 45.0, "note")
    state(feeder, "A4", "unpowered", 46.0, "order")
    two = lines(feeder.picture(47.0), 80, 24)[1].rstrip()
    assert two == "A2 FAILED 17:47:25, A4 TRIPPED 17:47:26, 4 units driven"
    assert lines(feeder.picture(47.0), 40, 12)[1].rstrip() == "A2 FAILED 17:47:25, 1 more, 4 driven"


def test_while_nobody_failed_the_header_has_no_such_line() -> None:
    feeder = driven_room()
    state(feeder, "A1", "idle", 5.0)
    state(feeder, "A3", "absent", 5.0)
    assert lines(feeder.picture(6.0), 80, 24)[1].startswith("48 ok  9 unjudged  of 57 channels")


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("page", list(ScreenPage))
def test_with_states_too_a_frame_fills_the_terminal_exactly(
    page: ScreenPage, width: int, height: int
) -> None:
    shown = lines(failed_room().picture(41.0), width, height, page)
    assert [cell_len(text) for text in shown] == [width] * height


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_names_are_never_cut_before_numbers(width: int, height: int) -> None:
    snapshot = failed_room().picture(41.0)
    names = {one.quantity for one in snapshot.channels}
    assert listed(snapshot, width, height)
    for text in listed(snapshot, width, height):
        words = set(text[:60].replace(",", " ").split())
        assert words & names, text
    channels = lines(snapshot, width, 80, ScreenPage.CHANNELS)
    for one in snapshot.channels:
        assert any(re.search(rf"(^|│ ){re.escape(one.name)} ", text) for text in channels)
    for text in lines(snapshot, width, 40, ScreenPage.EXCURSIONS):
        if re.match(r" *\d+\. ", text):
            assert re.search(r"A2\.\w+ ", text), text


def test_somebody_who_may_go_to_a_unit_finds_the_caution_on_its_page() -> None:
    snapshot = failed_room().picture(41.0)
    page = " ".join(" ".join(lines(snapshot, 80, 24, ScreenPage.UNIT)).split())
    assert "Isolate it from the mains" in page
    assert "competent persons decide" in page
    assert "first isolate, discharge" in " ".join(lines(snapshot, 40, 12, ScreenPage.UNIT))
    printed = " ".join(text.plain.strip() for text in everything(snapshot, 100, UTC)[:20])
    assert "Isolate it from the mains" in printed
    assert "isolate" not in "\n".join(t.plain for t in everything(driven_room().picture(2.0), 100, UTC))
    driven = replace(snapshot, units=tuple(one for one in snapshot.units if one.name == "A1"))
    assert "isolate" not in " ".join(lines(driven, 80, 24, ScreenPage.UNIT))


def test_a_recording_without_states_has_a_dash_and_its_worst_channel() -> None:
    feeder = Feeder(driven_room().plan)
    feeder.everything(1.0)
    assert re.search(r"^A1 +- +\w+ +ok ", row(feeder.picture(1.5), "A1"))


def test_after_a_stop_nobody_is_said_to_be_driven_now() -> None:
    text = lines(failed_room().picture(90.0, RunState.CRASHED), 80, 24)[1]
    assert text.rstrip() == "A2 FAILED? 17:47:10, 5 units driven when last read"
