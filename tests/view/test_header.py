"""What the header says of whether the room is shown as it is now."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest
from rich.text import Text

from rig.domain.model import Status
from rig.view.header import Canvas, header
from rig.view.snapshot import RunState, Snapshot
from rig.view.snapshot_maker import LEAST_PATIENCE_S
from tests.view.rooms import Feeder, layout


def top(snapshot: Snapshot) -> list[Text]:
    return header(snapshot, Canvas(width=120, height=30, zone=UTC))


def green(lines: list[Text]) -> set[str]:
    """Return the words that are marked as good."""
    return {
        text.plain[span.start : span.end]
        for text in lines
        for span in text.spans
        if "green" in str(span.style)
    }


def quiet() -> Feeder:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    return feeder


def test_good_counts_are_marked_while_the_view_is_live() -> None:
    assert green(top(quiet().picture(1.5))) == {"RUNNING", "57 ok", "7 online"}


@pytest.mark.parametrize("state", [RunState.CRASHED, RunState.STOPPED, RunState.FINISHED])
def test_after_the_end_nothing_is_marked_as_good_and_all_is_last_known(state: RunState) -> None:
    lines = top(quiet().picture(61.0, state))
    assert green(lines) == set()
    assert "last known, 1 min old" in lines[0].plain
    assert lines[1].plain.startswith("last known: 57 ok")
    assert lines[2].plain.startswith("instruments: last known 7 online")


def dead_instruments(seconds: int) -> Snapshot:
    """Return a room whose instruments have all been silent for some seconds, while the logger records on."""
    feeder = quiet()
    for at_s in range(2, 2 + seconds):
        feeder.everything(float(at_s), dict.fromkeys(feeder.plan.channels, Status.NO_REPLY))
    return feeder.picture(1.2 + seconds)


def test_records_without_a_good_reading_are_no_fresh_data() -> None:
    snapshot = dead_instruments(60)
    assert snapshot.age_s == pytest.approx(60.2)
    lines = top(snapshot)
    assert green(lines) == set()
    assert "RUNNING" not in lines[0].plain
    assert lines[0].plain.startswith("NO DATA")
    assert "last known, 1 min old" in lines[0].plain
    assert "no good reading of any instrument for 1 min, since 17:46:41" in lines[3].plain


@pytest.mark.parametrize(("seconds", "live"), [(9, True), (10, False)])
def test_the_view_is_live_up_to_its_patience(seconds: int, live: bool) -> None:
    assert LEAST_PATIENCE_S == 10.0
    assert dead_instruments(seconds).live is live


def test_where_no_good_reading_is_known_none_is_invented() -> None:
    feeder = Feeder(layout())
    for at_s in range(1, 30):
        feeder.everything(float(at_s), dict.fromkeys(feeder.plan.channels, Status.NO_REPLY))
    lines = top(feeder.picture(30.0))
    assert lines[0].plain.startswith("NO DATA")
    assert "no good reading" in lines[0].plain
    assert "for at least 29 s" in lines[3].plain


def test_one_slow_instrument_that_replies_keeps_the_view_live_between_its_polls() -> None:
    plan = layout(1)
    slow = replace(plan.instruments["supply"], poll_s=60.0)
    feeder = Feeder(replace(plan, instruments={**plan.instruments, "supply": slow}))
    feeder.everything(1.0)
    for at_s in range(2, 51):
        feeder.everything(
            float(at_s), dict.fromkeys(plan.units["A1"].channels, Status.NO_REPLY), frozenset({"supply"})
        )
    assert feeder.picture(50.5).live
    assert not feeder.picture(1.0 + 3 * 60.0 + 2.0).live


@pytest.mark.parametrize(
    ("width", "text"),
    [
        (80, "RUNNING  hot-room  2030-03-17-soak               data 0.5 s old  17:46:41 UTC"),
        (40, "RUNNING  data 0.5 s old  17:46:41 UTC"),
        (30, "RUNNING  data 0.5 s old"),
    ],
)
def test_where_there_is_little_room_the_age_of_the_data_is_kept(width: int, text: str) -> None:
    first = header(quiet().picture(1.5), Canvas(width=width, height=12, zone=UTC))[0].plain
    assert first.split() == text.split()
