"""What follows from a unit going off, on falls and cycles made by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.domain.model import Channel, ChannelKind, Event, EventKind, Side
from rig.forensics.aftermath import Shutdown, bracketed, consequences, cycling, shutdown
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import Censoring, ChannelStory, CrossingExcursion, Interval, Mark, Method
from tests.forensics.rooms import START_NS, Room, channel, series

S = 1_000_000_000
N = 400
AT = 300
T = np.arange(N)
LIVELY = 0.01 * np.resize([0.0, 1.0, 0.0, -1.0], N)


def scene_of(
    rows: dict[str, np.ndarray], channels: Sequence[Channel] = (), events: Sequence[Event] = ()
) -> AnalysisData:
    made = {c.name: c for c in channels}
    all_of_them = [made.get(name) or channel(name) for name in rows]
    data = {name: series(name, np.arange(len(row)) * 1.0, row) for name, row in rows.items()}
    room = Room(channels=all_of_them, data=data, happened=events)
    return AnalysisData(room, room.layout, room.span)


def falling(*steps: float, at: int = AT, level: float = 10.0) -> np.ndarray:
    """A channel at a level that takes these values from ``at`` on, and the last of them to the end."""
    row = level + level * LIVELY
    for k, value in enumerate(steps):
        row[at + k :] = value
    return row


def off(*rows: np.ndarray, from_s: int = 200, **more: object) -> Shutdown | None:
    found = scene_of({f"A1.x{k}": row for k, row in enumerate(rows)}, **more)  # type: ignore[arg-type]
    return shutdown(found, "A1", START_NS + from_s * S)


def span_s(found: Shutdown | None) -> tuple[float, float] | None:
    if found is None or found.interval.earliest_ns is None or found.interval.latest_ns is None:
        return None
    return (found.interval.earliest_ns - START_NS) / S, (found.interval.latest_ns - START_NS) / S


def test_a_unit_went_off_where_its_channels_fell_to_nothing() -> None:
    found = off(falling(0.0), falling(0.0, at=AT + 1), np.full(N, 5.0))
    assert found is not None
    assert found.channels == ("A1.x0", "A1.x1")
    assert span_s(found) == (AT - 1, AT)
    assert found.text == "A1.x0, A1.x1 dropped out"


@pytest.mark.parametrize(("first", "begun"), [(5.5, AT), (4.5, AT - 1)])
def test_a_fall_is_placed_where_half_is_lost(first: float, begun: int) -> None:
    assert span_s(off(falling(first, 0.0), falling(first, 0.0))) == (begun, begun + 1)


@pytest.mark.parametrize(("left", "gone"), [(1.15, True), (1.25, False), (-1.15, True), (-1.25, False)])
def test_an_eighth_of_what_it_was_is_next_to_nothing(left: float, gone: bool) -> None:
    assert (off(falling(left), falling(left)) is not None) is gone


def test_one_channel_that_fell_does_not_show_that_the_unit_went_off() -> None:
    assert off(falling(0.0), np.full(N, 5.0)) is None


def test_one_reading_at_nothing_is_no_fall_and_two_are() -> None:
    assert off(falling(0.0, 10.0), falling(0.0, 10.0)) is None
    assert off(falling(0.0, 0.0, 10.0), falling(0.0, 0.0, 10.0)) is not None


def test_an_alternating_quantity_is_as_large_below_zero() -> None:
    turning = 10.0 * np.resize([1.0, -1.0], N) * (1 + LIVELY)
    turning[AT:] = 0.0
    assert off(turning, -turning) is None  # its noise is as large as itself: nothing shows that it fell
    below = -falling(0.0)
    assert span_s(off(below, below)) == (AT - 1, AT)


@pytest.mark.parametrize(("sigma", "seen"), [(0.75, True), (0.95, False)])
def test_a_channel_less_than_twelve_times_its_noise_cannot_be_seen_to_fall(sigma: float, seen: bool) -> None:
    rng = np.random.default_rng(12)
    rows = [10 + rng.normal(0, sigma, N) for _ in range(2)]
    for row in rows:
        row[AT:] = 0.0
    assert (off(*rows) is not None) is seen


@pytest.mark.parametrize(("apart", "together"), [(3, True), (4, False)])
def test_falls_belong_together_within_two_polls_of_each_other(apart: int, together: bool) -> None:
    # brackets of 1 s: [299, 300] and [299 + d, 300 + d] are d - 1 apart, twice the wider is 2 s
    found = off(falling(0.0), falling(0.0, at=AT + apart))
    assert (found is not None) is together


def test_what_fell_alone_before_is_left_out() -> None:
    found = off(falling(0.0, at=AT - 50), falling(0.0), falling(0.0), falling(0.0, at=AT + 60))
    assert found is not None
    assert found.channels == ("A1.x1", "A1.x2", "A1.x3")
    assert span_s(found) == (AT - 1, AT)


def test_temperatures_stimuli_derived_channels_and_other_units_do_not_show_it() -> None:
    others = [
        channel("A1.x1", unit_of_measure="degC"),
        channel("A1.x2", kind=ChannelKind.STIMULUS),
        channel("A1.x3", unit="A2"),
        Channel(name="A1.x4", unit="A1", unit_of_measure="W", kind=ChannelKind.RESPONSE, formula="A1.x0 * 2"),
    ]
    assert off(*[falling(0.0)] * 5, channels=others) is None
    assert off(*[falling(0.0)] * 5) is not None


def test_what_fell_before_the_moment_asked_for_does_not_count() -> None:
    assert off(falling(0.0), falling(0.0), from_s=AT - 1) is not None
    assert off(falling(0.0), falling(0.0), from_s=N) is None
    assert off(falling(0.0, 0.0, *[10.0] * 60), falling(0.0, 0.0, *[10.0] * 60), from_s=AT + 55) is None


@pytest.mark.parametrize(("before", "seen"), [(4, False), (5, True)])
def test_fewer_than_five_readings_before_do_not_show_what_was_usual(before: int, seen: bool) -> None:
    row = np.concatenate([np.full(before, 10.0), np.zeros(20)])
    assert (off(row, row, from_s=before) is not None) is seen


# ---- recorded switching


def switch(second: float, unit: str = "A1", **data: object) -> Event:
    return Event(
        kind=EventKind.SWITCH, t_ns=START_NS + round(second * S), session=1, seq=1, subject=unit,
        text="A1 off", data=data,
    )  # fmt: skip


def test_a_recorded_switch_is_the_moment_itself() -> None:
    found = off(falling(0.0), falling(0.0), events=[switch(AT - 0.5, state="off")])
    assert found is not None
    assert found.text == "switched off: A1 off"
    assert found.channels == ("A1.x0", "A1.x1")
    assert span_s(found) == (AT - 0.5, AT - 0.5)
    assert found.interval.best_ns == found.interval.earliest_ns
    assert set(found.interval.quantiles_ns) == {found.interval.best_ns}


@pytest.mark.parametrize(
    ("event", "counts"),
    [
        (switch(AT - 0.5, to="off"), True),
        (switch(AT - 0.5), True),
        (switch(AT - 0.5, state="OPEN"), True),
        (switch(AT - 0.5, state=0), True),
        (switch(AT - 0.5, state=False), True),
        (switch(AT - 0.5, state="on"), False),
        (switch(AT - 0.5, state="off", unit="A2"), False),
        (switch(199, state="off"), False),
        (switch(200, state="off"), True),
        (switch(AT, state="off"), True),
        (switch(AT + 0.1, state="off"), False),  # after what fell had fallen
    ],
)
def test_only_a_switching_off_of_this_unit_since_then_and_before_the_fall_counts(
    event: Event, counts: bool
) -> None:
    found = off(falling(0.0), falling(0.0), events=[event])
    assert found is not None
    assert found.text.startswith("switched off") is counts


def test_a_switch_counts_though_nothing_fell() -> None:
    found = off(np.full(N, 5.0), events=[switch(250, state="off")])
    assert found is not None
    assert (found.channels, span_s(found)) == ((), (250, 250))


# ---- consequences


def out(
    name: str, begin_s: float, side: Side = Side.LOW, back_s: float | None = None, sure: bool = True
) -> CrossingExcursion:
    def mark(s: float) -> Mark:
        return Mark(index=int(s), t_ns=START_NS + round(s * S), h_ns=0, value=0.0)

    return CrossingExcursion(
        channel=name, side=side, limit=1.0, last_inside=mark(begin_s - 1), first_outside=mark(begin_s),
        last_outside=mark(begin_s), returned=None if back_s is None else mark(back_s), worst=mark(begin_s),
        counted_ns=mark(begin_s).t_ns, sure=sure, pieces=1, lost=0,
        interval=Interval(
            earliest_ns=START_NS + round((begin_s - 1) * S), latest_ns=START_NS + round(begin_s * S),
            best_ns=START_NS + round((begin_s - 0.5) * S), method=Method.BRACKET,
        ),
    )  # fmt: skip


def followed(excursion: CrossingExcursion, fell: tuple[str, ...] = (), unit: str = "A1") -> str | None:
    names = {
        "A1.x": channel("A1.x"),
        "A2.x": channel("A2.x", unit="A2"),
        "mains": channel("mains", unit=None),
        "A1.s": channel("A1.s", kind=ChannelKind.STIMULUS),
    }
    data = scene_of({name: np.zeros(3) for name in names}, list(names.values()))
    gone = Shutdown(
        interval=Interval(
            earliest_ns=START_NS + 300 * S, latest_ns=START_NS + 301 * S, best_ns=None, method=Method.BRACKET
        ),
        channels=fell, text="switched off: by hand",
    )  # fmt: skip
    found = consequences(data, gone, {excursion.channel: excursion}, unit)
    assert all((one.channel, one.of) == (excursion.channel, unit) for one in found)
    return found[0].reason if found else None


def test_what_left_its_limit_certainly_after_the_unit_went_off_follows_from_it() -> None:
    assert followed(out("A1.x", 303)) == "effect of A1 shutting down (low limit crossed afterwards)"
    assert (
        followed(out("A1.x", 303, Side.HIGH)) == "effect of A1 shutting down (high limit crossed afterwards)"
    )
    assert followed(out("A1.x", 302)) is None  # its bracket touches that of the switching off
    assert followed(out("A1.x", 290)) is None


def test_what_fell_as_the_unit_went_off_follows_from_it_unless_it_fell_certainly_before() -> None:
    fell = ("A1.x",)
    assert followed(out("A1.x", 301), fell) == "effect of A1 shutting down (switched off: by hand)"
    assert followed(out("A1.x", 300), fell) is not None  # touching is not before
    assert followed(out("A1.x", 299), fell) is None
    assert followed(out("A1.x", 301, Side.HIGH), fell) is None


def test_other_units_and_stimuli_do_not_follow() -> None:
    assert followed(out("A2.x", 310)) is None
    assert followed(out("mains", 310)) is None
    assert followed(out("A1.s", 310)) is None


def test_without_a_shutdown_nothing_follows() -> None:
    data = scene_of({"A1.x": np.zeros(3)})
    assert consequences(data, None, {"A1.x": out("A1.x", 10)}, "A1") == []


def test_a_known_moment_has_no_width() -> None:
    found = bracketed(5)
    assert (found.earliest_ns, found.latest_ns, found.best_ns, found.width_s) == (5, 5, 5, 0.0)
    assert found.quantiles_ns == (5,) * 41


# ---- cycling


def story(
    name: str, *starts_s: float, lasts: float | None = 5.0, unit: str = "A1", sure: bool = True
) -> ChannelStory:
    found = [out(name, s, back_s=None if lasts is None else s + lasts, sure=sure) for s in starts_s]
    return ChannelStory(
        channel=name, unit=unit, kind=ChannelKind.RESPONSE, unit_of_measure="V", censoring=Censoring.NONE,
        readings=1000, usable=1000, excursions=tuple(found),
    )  # fmt: skip


def test_three_ways_out_at_an_even_pace_are_one_story() -> None:
    [found] = cycling([story("A1.x", 100, 170, 240)], "A1")
    assert (found.channels, found.count, found.period_s) == (("A1.x",), 3, 70.0)
    assert (found.first_ns, found.last_ns) == (START_NS + 100 * S, START_NS + 240 * S)
    assert found.text == "A1.x: 3 excursions and returns, one every 70 s"
    assert cycling([story("A1.x", 100, 170)], "A1") == []


def test_the_last_way_out_need_not_have_ended_but_the_others_must() -> None:
    three = story("A1.x", 100, 170, 240).excursions
    still = ChannelStory(
        channel="A1.x", unit="A1", kind=ChannelKind.RESPONSE, unit_of_measure="V", censoring=Censoring.NONE,
        readings=9, usable=9, excursions=(*three[:2], out("A1.x", 240)),
    )  # fmt: skip
    assert len(cycling([still], "A1")) == 1
    assert cycling([story("A1.x", 100, 170, 240, lasts=None)], "A1") == []


@pytest.mark.parametrize(("gap", "even"), [(205, True), (210, False)])
def test_a_pace_is_even_within_a_third(gap: int, even: bool) -> None:
    # gaps of 100 and 205 lie 52.5 off their middle of 152.5, and 0.35 of that is 53.4; of 100 and 210, 55
    # and 54.3
    assert bool(cycling([story("A1.x", 100, 200, 200 + gap)], "A1")) is even


def test_doubtful_ways_out_and_other_units_are_no_cycles() -> None:
    assert cycling([story("A1.x", 100, 170, 240, sure=False)], "A1") == []
    assert cycling([story("A2.x", 100, 170, 240, unit="A2")], "A1") == []


@pytest.mark.parametrize(("second", "stories"), [(124, 1), (126, 2), (76, 1), (74, 2)])
def test_channels_of_one_pace_are_told_together(second: float, stories: int) -> None:
    first = story("A1.x", *(1000 + 100 * k for k in range(4)))
    other = story("A1.y", *(990 + second * k for k in range(5)))
    found = cycling([first, other], "A1")
    assert len(found) == stories
    if stories == 1:
        [one] = found
        assert (one.channels, one.count) == (("A1.x", "A1.y"), 5)
        assert one.period_s == (100 + second) / 2
        assert (one.first_ns, one.last_ns) == (START_NS + 990 * S, START_NS + max(1300, 990 + 4 * second) * S)
