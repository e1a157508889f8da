"""Onset: departure from a channel's own normal, not from what is done to it."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.model import ChannelKind
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import Onset
from rig.forensics.onset import onset
from tests.forensics.rooms import START_NS, Room, channel, series

T = np.arange(0, 3600.0, 2)
UNTIL = START_NS + int(3500e9)


def look(rows: dict[str, np.ndarray], name: str = "A1.t", **kinds: ChannelKind) -> tuple[Onset | None, str]:
    channels = [
        channel(
            n,
            unit=n.split(".")[0] if "." in n else None,
            kind=kinds.get(n.replace(".", "_"), ChannelKind.RESPONSE),
        )
        for n in rows
    ]
    room = Room(channels=channels, data={n: series(n, T, v) for n, v in rows.items()})
    return onset(AnalysisData(room, room.layout, room.span), name, UNTIL, None, 0.95)


def wander(seed: int, sigma: float = 0.2) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, len(T))


def test_the_onset_of_a_slow_rise_is_bracketed_long_before_any_limit() -> None:
    rise = np.where(T > 2000, 0.01 * (T - 2000), 0.0)
    found, note = look({"A1.t": 60 + rise + wander(1), "A2.t": 61 + wander(2), "A3.t": 59 + wander(3)})
    assert found is not None, note
    assert found.interval.earliest_ns is not None
    assert found.interval.latest_ns is not None
    assert found.interval.earliest_ns <= START_NS + 2000e9 <= found.interval.latest_ns
    assert found.interval.width_s < 300
    assert found.rising
    assert found.baseline == pytest.approx(60, abs=0.1)
    assert set(found.corrected_for) == {"A2.t", "A3.t"}


def test_no_departure_is_an_answer_with_the_slope_that_would_not_have_been_seen() -> None:
    found, note = look({"A1.t": 60 + wander(4), "A2.t": 61 + wander(5)})
    assert found is None
    assert "drift below" in note


def test_what_all_units_do_together_is_not_a_departure() -> None:
    together = np.where(T > 1800, 8.0, 0.0) + 20 * (1 - np.exp(-T / 400))  # warm-up, then a mains step
    rows = {
        "A1.t": 60 + 1.02 * together + wander(6),
        "A2.t": 61 + together + wander(7),
        "A3.t": 59 + together + wander(8),
    }
    assert look(rows)[0] is None


def test_a_unit_alone_is_judged_against_its_stimuli() -> None:
    mains = 230 + np.where((T > 300) & (T < 900), 10.0, 0.0) + np.where(T > 2400, 10.0, 0.0) + wander(9, 0.1)
    quiet = {"A1.t": 60 + 0.5 * (mains - 230) + wander(10), "mains": mains}
    assert look(quiet, mains=ChannelKind.STIMULUS)[0] is None
    sick = {"A1.t": quiet["A1.t"] + np.where(T > 2800, 0.02 * (T - 2800), 0.0), "mains": mains}
    found, note = look(sick, mains=ChannelKind.STIMULUS)
    assert found is not None, note
    assert found.interval.best_ns is not None
    assert (found.interval.best_ns - START_NS) / 1e9 == pytest.approx(2800, abs=120)


def test_a_stimulus_has_no_normal_to_depart_from() -> None:
    found, note = look(
        {"mains": 230 + np.where(T > 2000, 20.0, 0.0) + wander(11)}, "mains", mains=ChannelKind.STIMULUS
    )
    assert found is None
    assert "stimulus" in note


def test_too_short_a_recording_says_so() -> None:
    room = Room(channels=[channel("A1.t")], data={"A1.t": series("A1.t", np.arange(20.0), np.ones(20))})
    found, note = onset(AnalysisData(room, room.layout, room.span), "A1.t", START_NS + int(20e9), None, 0.95)
    assert found is None
    assert note == "baseline too short"


# ---- hand-made rows of bin means: two readings make one bin, the normal alternates by one unit about its
# level

UNIT = 1.4826
"""Scatter of a row that alternates by one: the median absolute deviation as a normal standard deviation."""
BINS = 600
ALTERNATING = np.resize([1.0, -1.0], BINS)


def of_bins(row: np.ndarray, **more: np.ndarray) -> tuple[Onset | None, str]:
    """Look for the onset in a channel of these bin means; ``more``: mains, or like channels by their unit."""
    rows = {"A1.t": row} | {("mains" if n == "mains" else f"{n}.t"): r for n, r in more.items()}
    t = 0.2 * np.arange(2 * len(row))
    channels = [
        channel(
            n,
            unit=n[:2] if "." in n else None,
            kind=ChannelKind.STIMULUS if n == "mains" else ChannelKind.RESPONSE,
        )
        for n in rows
    ]
    room = Room(channels=channels, data={n: series(n, t, np.repeat(r, 2)) for n, r in rows.items()})
    until = START_NS + round(0.4e9 * len(row))
    return onset(AnalysisData(room, room.layout, room.span), "A1.t", until, None, 0.95)


def late(scatters: float, bins: int) -> np.ndarray:
    """A calm row whose last bins lie so many scatters off."""
    row = 60 + ALTERNATING.copy()
    row[-bins:] = 60 + scatters * UNIT
    return row


@pytest.mark.parametrize(
    ("scatters", "bins", "seen"),
    [
        (5.3, 4, True),  # 4 (5.3 - 1.5) = 15.2, over 14
        (5.3, 3, False),  # 11.4
        (5.5, 3, False),  # 12
        (60.0, 3, False),  # no bin counts for more than six: 13.5
        (-5.3, 4, True),
        (-5.3, 3, False),
    ],
)
def test_a_departure_is_decided_by_fourteen_scatters_in_sum(scatters: float, bins: int, seen: bool) -> None:
    # tabular sum of what exceeds 1.5 scatters (NIST/SEMATECH e-Handbook 6.3.2.3), by hand
    found, _ = of_bins(late(scatters, bins))
    assert (found is not None) is seen
    if found is not None:
        assert found.rising is (scatters > 0)
        assert found.baseline == pytest.approx(60, abs=1.01)
        assert found.scatter == pytest.approx(UNIT, rel=1e-3)


@pytest.mark.parametrize(("scatters", "seen"), [(5.1, True), (4.9, False)])
def test_a_departure_ends_at_least_five_scatters_off(scatters: float, seen: bool) -> None:
    assert (of_bins(late(scatters, 40))[0] is not None) is seen


def test_what_came_back_did_not_depart() -> None:
    row = late(20.0, 40)
    row[-5:] = 60.0
    assert of_bins(row)[0] is None


def test_a_normal_that_wanders_asks_for_more() -> None:
    # 2.5 times what the normal itself reaches in sum: four bins of 5.5 scatters reach 16 there
    assert of_bins(late(5.5, 9))[0] is not None  # 36 in sum
    for bins, seen in ((9, False), (11, True)):  # 36 and 44, corrected_for 2.5 times 16
        row = late(5.5, bins)
        row[100:104] = 60 + 5.5 * UNIT
        row[150:154] = 60 - 5.5 * UNIT  # so that the middle stays where it is
        assert (of_bins(row)[0] is not None) is seen


def test_the_slope_that_would_not_have_been_seen_is_five_scatters_over_the_time_looked_at() -> None:
    found, note = of_bins(60 + ALTERNATING)
    assert found is None
    hours = 0.4 * BINS / 3600
    assert f"drift below {5 * UNIT / hours:.2g} V/h" in note


@pytest.mark.parametrize(("count", "enough"), [(119, False), (120, True)])
def test_fewer_than_sixty_bins_of_two_readings_do_not_show_a_normal(count: int, enough: bool) -> None:
    t = np.arange(count) * 0.2
    room = Room(
        channels=[channel("A1.t")], data={"A1.t": series("A1.t", t, 60 + np.resize([1.0, -1.0], count))}
    )
    _, note = onset(
        AnalysisData(room, room.layout, room.span), "A1.t", START_NS + round(0.2e9 * count), None, 0.95
    )
    assert ("none detected" in note) is enough
    assert ("baseline too short" in note) is not enough


@pytest.mark.parametrize(("blank_s", "enough"), [(82.0, True), (86.0, False)])
def test_the_normal_is_the_first_two_fifths_of_which_twenty_bins_must_be_known(
    blank_s: float, enough: bool
) -> None:
    # 240 s, of which the first 96 say what is normal. Blank for 82 s, 790 readings make 395 bins of 0.61 s
    # and 23 of them are known of the normal; blank for 86 s they are 770, 0.62 s and 16.
    t = 0.2 * np.arange(2 * BINS)
    status = np.where(t < blank_s, 4, 0)
    found = series("A1.t", t, 60 + np.repeat(ALTERNATING, 2), status=list(status))
    room = Room(channels=[channel("A1.t")], data={"A1.t": found})
    _, note = onset(
        AnalysisData(room, room.layout, room.span), "A1.t", START_NS + 240_000_000_000, None, 0.95
    )
    assert ("none detected" in note) is enough
    assert ("baseline too short" in note) is not enough


def test_a_sharp_bend_is_stated_with_half_its_interval_on_either_side() -> None:
    row = 60 + ALTERNATING.copy()
    row[360:] += 12 * UNIT
    found, note = of_bins(row)
    assert found is not None, note
    parts = {r.code: r.widened_s for r in found.interval.reasons}
    assert parts["sampling"] == pytest.approx(0.4)
    bare = parts["sampling"] + parts["noise"]
    assert parts["shape"] == pytest.approx(bare, rel=1e-6)
    assert found.interval.width_s == pytest.approx(2 * bare, rel=1e-6)
    assert found.interval.earliest_ns is not None
    assert found.interval.latest_ns is not None
    assert found.interval.earliest_ns <= START_NS + round(360 * 0.4e9) <= found.interval.latest_ns
    cuts = found.interval.quantiles_ns
    assert (cuts[0], cuts[20], cuts[40]) == (
        found.interval.earliest_ns, found.interval.best_ns, found.interval.latest_ns
    )  # fmt: skip


def test_a_step_between_two_bins_is_found_where_they_meet() -> None:
    row = 60 + 0.01 * ALTERNATING
    row[360:] += 12 * UNIT
    found, note = of_bins(row)
    assert found is not None, note
    assert found.interval.best_ns is not None
    assert found.interval.best_ns == pytest.approx(START_NS + round(360 * 0.4e9), abs=0.02e9)


def test_a_stimulus_that_never_changed_corrects_nothing() -> None:
    found, note = of_bins(late(20.0, 40), mains=np.full(BINS, 230.0))
    assert found is not None, note
    assert found.corrected_for == ()


def test_a_fall_is_the_mirror_of_a_rise() -> None:
    row = ALTERNATING.copy()
    row[360:] += 12 * UNIT
    row[355:360] += [1.0, 3.0, 2.0, 6.0, 9.0]
    up, down = of_bins(60 + row)[0], of_bins(60 - row)[0]
    assert up is not None
    assert down is not None
    assert (up.rising, down.rising) == (True, False)
    assert up.interval == down.interval
    assert up.detected_ns == down.detected_ns
    assert up.reached == pytest.approx(down.reached)
    assert up.detected_ns == pytest.approx(START_NS + round(361 * 0.4e9), abs=2e9)
    assert up.reached == pytest.approx(12, abs=0.7)


@pytest.mark.parametrize(("last_s", "enough"), [(10.0, True), (14.0, False)])
def test_a_channel_that_was_not_read_in_the_last_twentieth_shows_no_onset(
    last_s: float, enough: bool
) -> None:
    t = 0.2 * np.arange(2 * BINS)
    status = np.where(t >= 240 - last_s, 4, 0)
    found = series("A1.t", t, 60 + np.repeat(ALTERNATING, 2), status=list(status))
    room = Room(channels=[channel("A1.t")], data={"A1.t": found})
    _, note = onset(
        AnalysisData(room, room.layout, room.span), "A1.t", START_NS + 240_000_000_000, None, 0.95
    )
    assert ("baseline too short" in note) is not enough


@pytest.mark.parametrize(("more", "seen"), [(0.27, True), (0.23, False), (-0.27, True), (-0.23, False)])
def test_like_units_may_respond_differently_by_a_twentieth(more: float, seen: bool) -> None:
    # all three rise by a hundred scatters; five times the tolerance of 5 % is a quarter of the movement
    step = np.where(np.arange(BINS) >= 360, 300.0, 0.0)
    found, _ = of_bins(
        60 + ALTERNATING + (1 + more) * step, A2=61 + ALTERNATING + step, A3=59 + ALTERNATING + step
    )
    assert (found is not None) is seen
    if found is not None:
        assert found.rising is (more > 0)
        assert found.corrected_for == ("A2.t", "A3.t")


@pytest.mark.parametrize(("more", "seen"), [(1.45, True), (1.05, False)])
def test_a_response_learnt_from_a_small_change_may_be_off_by_a_quarter_for_a_large_one(
    more: float, seen: bool
) -> None:
    # learnt at one volt a volt from changes of 20 V; later 200 V, and five times a quarter of it is 1.25
    k = np.arange(BINS)
    mains = 230 + np.where((k // 20) % 2 == 1, 20.0, 0.0)
    mains[240:] = 230
    mains[360:] = 430
    own = 60 + 0.1 * ALTERNATING + (mains - 230) + np.where(k >= 360, more * 200.0, 0.0)
    found, _ = of_bins(own, mains=mains)
    assert (found is not None) is seen
    if found is not None:
        assert found.corrected_for == ("mains",)


@pytest.mark.parametrize("memory", [3.0, 12.0, 50.0, 200.0])
def test_what_follows_a_stimulus_slowly_has_not_departed(memory: float) -> None:
    # first-order answer of a time constant of so many bins to a stimulus that goes up and down, then up
    # for good
    k = np.arange(BINS)
    mains = np.where((k // 60) % 2 == 1, 240.0, 230.0)
    mains[300:] = 250.0
    own = np.zeros(BINS)
    keep = np.exp(-1 / memory)
    for j in range(1, BINS):
        own[j] = keep * own[j - 1] + (1 - keep) * (mains[j] - 230)
    noise = np.random.default_rng(5).normal(0, 0.05, BINS)
    found, note = of_bins(60 + own + noise, mains=mains)
    assert found is None
    assert "none detected" in note
    gone = 60 + own + noise + np.where(k > 450, 0.2 * (k - 450), 0.0)
    found, _ = of_bins(gone, mains=mains)
    assert found is not None
    assert found.rising


@pytest.mark.parametrize(("off", "bins"), [(0.3, 2), (0.45, 1)])
def test_a_bin_between_two_levels_belongs_to_either_within_its_scatter(off: float, bins: int) -> None:
    # A step of ten scatters with one bin half way: giving it to one level or the other differs by 20 x off
    # (a little
    # more, as the levels too are known to a few bins only), and 3.84 x 1.5^2 = 8.64 is what 95 % of
    # chi-square allow.
    unit = 0.01 * UNIT
    row = 60 + 0.01 * ALTERNATING
    row[360] = 60 + (5 + off) * unit
    row[361:] += 10 * unit
    found, note = of_bins(row)
    assert found is not None, note
    parts = {r.code: r.widened_s for r in found.interval.reasons}
    assert parts["noise"] == pytest.approx(0.4 * bins)
