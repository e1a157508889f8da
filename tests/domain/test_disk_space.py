"""Room on a disk: told in time, once a day, and again after there had been enough."""

from __future__ import annotations

from rig.domain.disk_space import AGAIN_NS, DAY_NS, HOUR_NS, LEAST_BYTES, LEAST_INODES, SpaceWatch

MINUTE_NS = 60_000_000_000
GB = 1_000_000_000
MANY = 1_000_000


def watched(watch: SpaceWatch, hours: float, free: float, per_hour: float, begin_h: float = 0.0) -> list[str]:
    """Return what is told when room goes at a steady pace, looked at each minute."""
    told = []
    for k in range(round(hours * 60)):
        text = watch.look(round(begin_h * HOUR_NS) + k * MINUTE_NS, round(free - per_hour * k / 60), MANY)
        if text:
            told.append(text)
    return told


def test_a_large_disk_that_hardly_fills_is_no_news() -> None:
    assert watched(SpaceWatch(), 48, 500 * GB, 0.01 * GB) == []


def test_a_disk_that_will_be_full_within_three_days_is_told_with_the_time_left() -> None:
    # 100 GB at 2 GB an hour: full in 50 hours, 49 when the first of them is over
    (told,) = watched(SpaceWatch(), 2, 100 * GB, 2 * GB)
    assert told.startswith("disk space low: 98 GB free; full in 2 d at the rate")


def test_a_pace_of_less_than_an_hour_says_nothing() -> None:
    assert watched(SpaceWatch(), 0.9, 100 * GB, 10 * GB) == []


def test_a_disk_that_breathes_with_sealing_is_no_news() -> None:
    """Journals grow for an hour and go when they are sealed: over hours hardly anything is used up."""
    watch = SpaceWatch()
    free = [20 * GB - round(0.5 * GB * (k % 60) / 60) for k in range(24 * 60)]
    assert [text for k, left in enumerate(free) if (text := watch.look(k * MINUTE_NS, left, MANY))] == []


def test_little_room_is_told_at_the_first_look_whatever_the_pace() -> None:
    assert "268 MB free; nothing is lost yet" in SpaceWatch().look(0, LEAST_BYTES - 1, MANY)
    assert SpaceWatch().look(0, LEAST_BYTES, MANY) == ""


def test_files_run_out_as_well_as_bytes() -> None:
    assert "and 999 files more" in SpaceWatch().look(0, 100 * GB, LEAST_INODES - 1)
    watch = SpaceWatch()
    told = [watch.look(k * MINUTE_NS, 100 * GB, 100_000 - 50 * k) for k in range(120)]
    assert [text for text in told if text], "3000 of 100000 names an hour: gone in 32 hours"


def test_a_file_system_that_counts_no_files_never_runs_out_of_them() -> None:
    watch = SpaceWatch()
    assert [watch.look(k * MINUTE_NS, 100 * GB, -1) for k in range(120)] == [""] * 120


def test_it_is_told_again_after_a_day_and_at_once_when_there_had_been_enough() -> None:
    watch = SpaceWatch()
    little = LEAST_BYTES // 2
    assert watch.look(0, little, MANY)
    assert watch.look(AGAIN_NS - 1, little, MANY) == ""
    assert watch.look(AGAIN_NS, little, MANY)
    assert watch.look(AGAIN_NS + HOUR_NS, LEAST_BYTES + 1, MANY) == ""
    assert watch.look(AGAIN_NS + 2 * HOUR_NS, little, MANY) == "", "a little more for a while is not enough"
    assert watch.look(AGAIN_NS + 8 * HOUR_NS, 100 * GB, MANY) == ""
    assert watch.look(AGAIN_NS + 9 * HOUR_NS, little, MANY)


def test_memory_is_bounded() -> None:
    watch = SpaceWatch()
    for k in range(round(3 * DAY_NS / MINUTE_NS)):
        watch.look(k * MINUTE_NS, 100 * GB, MANY)
    assert len(watch._seen) <= 6 * 60 + 1
