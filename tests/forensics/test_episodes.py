"""Which stretch of a recording is the failure."""

from __future__ import annotations

from dataclasses import replace

from rig.domain.model import Side
from rig.forensics.answer import CrossingExcursion, Interval, Mark, Method
from rig.forensics.episodes import closeness_s, episodes, final, first_of_each, joined, unbroken


def went_out(name: str, begin_s: float, end_s: float | None) -> CrossingExcursion:
    def at(s: float) -> Mark:
        return Mark(index=int(s), t_ns=int(s * 1e9), h_ns=0, value=1.0)

    return CrossingExcursion(
        channel=name,
        side=Side.HIGH,
        limit=0.0,
        last_inside=at(begin_s - 1),
        first_outside=at(begin_s),
        last_outside=at(begin_s),
        returned=None if end_s is None else at(end_s),
        worst=at(begin_s),
        counted_ns=int(begin_s * 1e9),
        sure=True,
        pieces=1,
        lost=0,
        interval=Interval(
            earliest_ns=int(begin_s - 1), latest_ns=int(begin_s), best_ns=None, method=Method.BRACKET
        ),
    )


def test_excursions_that_overlap_or_follow_closely_are_one_episode() -> None:
    found = episodes(
        [went_out("a", 10, 20), went_out("b", 15, 30), went_out("c", 33, 40), went_out("d", 90, 95)], 5
    )
    assert [e.channels for e in found] == [{"a", "b", "c"}, {"d"}]


def test_a_row_that_noise_tore_apart_is_one_stay_with_the_farthest_of_its_readings() -> None:
    low, *row = [went_out("a", 5, 7), went_out("b", 10, 12), went_out("b", 13, 14), went_out("b", 16, None)]
    torn = [
        replace(one, pieces=3, part=k, worst=replace(one.worst, value=value))
        for k, (one, value) in enumerate(zip(row, (2.0, 5.0, 3.0), strict=True), 1)
    ]
    alone, stay = unbroken([low, *torn])
    assert alone == low
    assert (stay.first_outside, stay.last_outside, stay.returned) == (
        row[0].first_outside, row[2].last_outside, None,
    )  # fmt: skip
    assert (stay.worst.value, stay.pieces) == (5.0, 3)
    below = unbroken([replace(one, side=Side.LOW) for one in torn])
    assert below[0].worst.value == 2.0


def test_the_failure_is_the_last_from_which_a_channel_never_came_back() -> None:
    found = episodes([went_out("a", 10, 20), went_out("b", 12, 20), went_out("c", 90, None)], 5)
    chosen = final(found)
    assert chosen is not None
    assert chosen.channels == {"c"}


def test_where_all_came_back_it_is_the_one_with_most_channels() -> None:
    chosen = final(episodes([went_out("a", 10, 20), went_out("b", 12, 20), went_out("c", 90, 95)], 5))
    assert chosen is not None
    assert chosen.channels == {"a", "b"}
    assert set(first_of_each(chosen)) == {"a", "b"}


def test_one_story_is_one_episode() -> None:
    found = episodes([went_out("a", s, s + 5) for s in (100, 200, 300)] + [went_out("b", 500, None)], 5)
    assert len(joined(found, [(100 * 10**9, 300 * 10**9)])) == 2


def test_closeness_grows_with_the_recording_up_to_ten_minutes() -> None:
    assert closeness_s((0, int(60e9)), 0.5) == 2.5
    assert closeness_s((0, int(3600e9)), 1.0) == 72.0
    assert closeness_s((0, int(30 * 86400e9)), 1.0) == 600.0
