"""Which stretch of a recording is the failure."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.domain.model import Side
from rig.forensics.answer import CrossingExcursion, Interval, Mark, Method
from rig.forensics.episodes import closeness_s, episodes, final, first_of_each, joined, unbroken

S = 1_000_000_000


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


@pytest.mark.parametrize("side", list(Side))
def test_of_equally_far_readings_of_a_stay_the_first_is_the_worst(side: Side) -> None:
    row = [went_out("b", 10, 12), went_out("b", 13, None)]
    torn = [replace(one, side=side, pieces=2, part=k) for k, one in enumerate(row, 1)]
    [stay] = unbroken(torn)
    assert stay.worst.index == 10


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


def test_an_episode_lasts_from_the_first_way_out_to_the_last_way_back() -> None:
    [found] = episodes([went_out("b", 15, 18), went_out("a", 10, 30)], 5)
    assert (found.start_ns, found.end_ns) == (10 * S, 30 * S)
    assert [e.channel for e in found.excursions] == ["a", "b"]
    [still] = episodes([went_out("a", 10, 12), went_out("b", 11, None), went_out("c", 900, 901)], 5)
    assert (still.start_ns, still.end_ns) == (10 * S, None)  # what is still out joins all that follows


def test_the_longest_one_out_decides_what_still_belongs_to_an_episode() -> None:
    found = episodes([went_out("a", 10, 30), went_out("b", 15, 18), went_out("c", 35, 36)], 5)
    assert [e.channels for e in found] == [{"a", "b", "c"}]
    found = episodes([went_out("a", 10, 30), went_out("b", 15, 18), went_out("c", 36, 37)], 5)
    assert [e.channels for e in found] == [{"a", "b"}, {"c"}]


def test_the_first_way_out_begins_an_episode_however_early_it_is() -> None:
    [found] = episodes([went_out("a", 1, 2)], 5)
    assert found.start_ns == S


def test_channels_that_go_out_together_are_told_by_name() -> None:
    [found] = episodes([went_out("b", 10, 11), went_out("a", 10, 11)], 5)
    assert [e.channel for e in found.excursions] == ["a", "b"]


def test_of_episodes_with_as_many_channels_the_later_is_the_failure() -> None:
    chosen = final(episodes([went_out("a", 10, 20), went_out("b", 90, 95), went_out("b", 96, 97)], 5))
    assert chosen is not None
    assert chosen.channels == {"b"}
    assert final([]) is None


def test_of_two_episodes_that_never_ended_the_later_is_the_failure() -> None:
    first, second = (episodes([went_out(name, at, None)], 5)[0] for name, at in (("a", 10), ("b", 90)))
    assert final([first, second]) is second


def test_the_first_time_out_of_each_channel_stands_for_it() -> None:
    [found] = episodes([went_out("a", 10, 11), went_out("a", 13, 14), went_out("b", 12, 13)], 5)
    assert {name: e.first_outside.t_ns for name, e in first_of_each(found).items()} == {
        "a": 10 * S, "b": 12 * S
    }  # fmt: skip


def test_only_what_lies_within_one_story_is_made_one() -> None:
    found = episodes([went_out("a", s, s + 5) for s in (100, 200, 300, 400)], 5)

    def starts(*spans: tuple[int, int]) -> list[list[int]]:
        made = joined(found, [(a * S, b * S) for a, b in spans])
        return [[e.first_outside.t_ns // S for e in episode.excursions] for episode in made]

    assert starts() == [[100], [200], [300], [400]]
    assert starts((100, 300)) == [[100, 200, 300], [400]]
    assert starts((200, 299)) == [[100], [200], [300], [400]]
    assert starts((100, 200), (300, 400)) == [[100, 200], [300, 400]]
    assert starts((101, 400)) == [[100], [200, 300, 400]]
    assert joined([], [(0, 1)]) == []


def test_closeness_is_five_polls_or_a_fiftieth_of_the_recording() -> None:
    # five polls of 4 s against 2 % of 900 and of 1100 s
    assert closeness_s((0, 900 * S), 4.0) == 20.0
    assert closeness_s((100 * S, 1200 * S), 4.0) == 22.0
    assert closeness_s((0, 10 * S), 200.0) == 600.0
