"""Live limits of a session: fast where all is calm, exact where it is not."""

import itertools
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, EventKind, Limit, Scan, Side, Status

S = 1_000_000_000
HEAT = Channel(
    name="A1.heatsink",
    unit_of_measure="degC",
    unit="A1",
    kind=ChannelKind.RESPONSE,
    formula="1",
    limits=(Limit(side=Side.HIGH, value=95.0, early=85.0, deadband=2.0, on_delay_s=2.0, trip=True),),
    silence_s=10.0,
)
MAINS = Channel(
    name="mains",
    unit_of_measure="V",
    unit=None,
    kind=ChannelKind.STIMULUS,
    formula="1",
    limits=(
        Limit(side=Side.LOW, value=207.0, deadband=1.0),
        Limit(side=Side.HIGH, value=253.0, deadband=1.0),
    ),
    silence_s=10.0,
)
CHANNELS = {HEAT.name: HEAT, MAINS.name: MAINS}
BLOCKS = [(HEAT.name, MAINS.name)]


def fresh() -> Evaluation:
    return Evaluation(BLOCKS, CHANNELS, 0)


def scan(t_s: float, heat: float, mains: float) -> Scan:
    codes = bytes(Status.NO_VALUE if math.isnan(value) else Status.GOOD for value in (heat, mains))
    return Scan(
        block=0, sent_ns=round(t_s * S), received_ns=round(t_s * S), values=(heat, mains), statuses=codes
    )


def kinds(evaluation: Evaluation, scans: list[Scan]) -> list[tuple[int, EventKind, str]]:
    return [
        (finding.boot_ns // S, finding.kind, finding.channel)
        for one in scans
        for finding in evaluation.feed(one)
    ]


def test_a_calm_scan_says_nothing() -> None:
    assert kinds(fresh(), [scan(0, 60, 230), scan(1, 61, 231)]) == []


def test_an_excursion_is_told_with_its_early_warning_and_its_end() -> None:
    heats = [(0, 80), (1, 86), (2, 96), (3, 96), (4, 96), (5, 94), (6, 92), (7, 82)]
    assert kinds(fresh(), [scan(t, heat, 230) for t, heat in heats]) == [
        (1, EventKind.EARLY_OUT, HEAT.name),
        (4, EventKind.LIMIT_OUT, HEAT.name),
        (6, EventKind.LIMIT_IN, HEAT.name),
        (7, EventKind.EARLY_IN, HEAT.name),
    ]


def test_a_counted_excursion_names_its_beginning() -> None:
    evaluation = fresh()
    findings = [f for t in (5, 6, 7) for f in evaluation.feed(scan(t, 96, 230))]
    (out,) = [f for f in findings if f.kind is EventKind.LIMIT_OUT]
    assert out.data["began_boot_ns"] == 5 * S
    assert out.data["trip"] is True
    assert "95 degC" in out.text


def test_a_unit_is_known_to_have_crossed_from_the_first_reading_out_on() -> None:
    evaluation = fresh()
    evaluation.feed(scan(0, 86, 230))
    assert evaluation.crossed_units == set()
    evaluation.feed(scan(1, 95.1, 230))
    assert evaluation.crossed_units == {"A1"}
    evaluation.feed(scan(2, 60, 206))
    assert evaluation.crossed_units == {"A1", None}


def test_a_channel_is_near_while_it_is_beyond_its_early_warning() -> None:
    evaluation = fresh()
    evaluation.feed(scan(0, 86, 230))
    assert evaluation.near == {HEAT.name}
    evaluation.feed(scan(1, 80, 230))
    assert evaluation.near == set()


def test_a_channel_without_valid_readings_is_an_alarm_of_its_own() -> None:
    evaluation = fresh()
    evaluation.feed(scan(0, 60, 230))
    for t in range(1, 11):
        evaluation.feed(scan(t, math.nan, 230))
        assert evaluation.tick(t * S) == []
    (silent,) = evaluation.tick(11 * S)
    assert (silent.kind, silent.channel) == (EventKind.NO_VALID, HEAT.name)
    assert evaluation.tick(12 * S) == []
    assert kinds(evaluation, [scan(13, 60, 230)]) == [(13, EventKind.VALID_AGAIN, HEAT.name)]


def test_a_dead_instrument_silences_all_its_channels() -> None:
    evaluation = fresh()
    evaluation.feed(scan(0, 60, 230))
    assert {f.channel for f in evaluation.tick(11 * S)} == set(CHANNELS)


heats = st.sampled_from([60.0, 84.9, 85.0, 85.1, 92.9, 93.1, 95.0, 95.1, 120.0, math.nan])
volts = st.sampled_from([206.9, 207.0, 207.1, 208.1, 230.0, 252.1, 253.0, 253.1, math.nan])


@given(st.lists(st.tuples(heats, volts), max_size=40))
def test_the_fast_road_never_differs_from_the_slow_one(readings: list[tuple[float, float]]) -> None:
    fast, slow = fresh(), fresh()
    for t, (heat, mains) in enumerate(readings):
        one = scan(t, heat, mains)
        block = slow._blocks[0]
        assert fast.feed(one) == slow._look_closely(block, one)


@pytest.mark.parametrize("seed", range(3))
def test_events_alternate_out_and_in(seed: int) -> None:
    draw = random.Random(seed)
    evaluation = fresh()
    level = 90.0
    seen = []
    for t in range(2000):
        level = min(110.0, max(70.0, level + draw.gauss(0, 1.5)))
        seen += [f.kind for f in evaluation.feed(scan(t, level, 230)) if f.kind.startswith("limit")]
    assert len(seen) > 4
    assert all(a != b for a, b in itertools.pairwise(seen))
    assert seen[0] is EventKind.LIMIT_OUT


# ---- what an earlier session left open


LEFT = [("mains", "high")]


def going_on() -> Evaluation:
    return Evaluation(BLOCKS, CHANNELS, 0, LEFT)


def test_an_excursion_that_was_left_open_is_said_again_and_marked_so() -> None:
    evaluation = going_on()
    (out,) = [f for f in evaluation.feed(scan(1, 60, 254)) if f.kind is EventKind.LIMIT_OUT]
    assert out.data["again"] is True
    assert evaluation.still_open() == set(LEFT)
    (back,) = evaluation.feed(scan(2, 60, 252))
    assert (back.kind, back.data["side"]) == (EventKind.LIMIT_IN, "high")
    (fresh_one,) = evaluation.feed(scan(3, 60, 254))
    assert "again" not in fresh_one.data


def test_an_excursion_that_was_left_open_is_over_with_the_first_reading_well_inside_and_no_sooner() -> None:
    evaluation = going_on()
    within_the_deadband, lost = scan(1, 60, 252.5), scan(2, 60, math.nan)
    assert evaluation.feed(within_the_deadband) == evaluation.feed(lost) == []
    assert evaluation.still_open() == set(LEFT)
    (back,) = evaluation.feed(scan(3, 60, 230))
    assert (back.kind, back.channel, back.data["side"]) == (EventKind.LIMIT_IN, "mains", "high")
    assert evaluation.still_open() == set()
    assert evaluation.feed(scan(4, 60, 230)) == []


def test_what_was_left_open_of_a_limit_that_is_gone_ends_with_the_next_reading() -> None:
    bare = {**CHANNELS, "mains": Channel(
        name="mains", unit_of_measure="V", unit=None, kind=ChannelKind.STIMULUS, formula="1", limits=(),
    )}  # fmt: skip
    never_was = Evaluation(BLOCKS, bare, 7, LEFT)
    taken_away = going_on()
    assert taken_away.arm(bare, 7) == []
    for evaluation in (never_was, taken_away):
        assert evaluation.feed(scan(1, 60, math.nan)) == []
        (ended,) = evaluation.feed(scan(2, 60, 300))
        assert (ended.kind, ended.boot_ns, ended.data["cause"]) == (EventKind.LIMIT_IN, 7, "limit taken away")
        assert evaluation.feed(scan(3, 60, 300)) == []


def test_an_event_says_for_how_long_the_channel_had_been_out_when_it_counted() -> None:
    evaluation = fresh()
    found = [f for t in (1, 2, 3) for f in evaluation.feed(scan(t, 96, 230)) if f.kind is EventKind.LIMIT_OUT]
    assert [f.data["out_for_ns"] for f in found] == [2 * S]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_neither_trips_nor_clears_a_limit(value: float) -> None:
    evaluation = fresh()
    evaluation.feed(scan(0, 60, 254))
    odd = Scan(block=0, sent_ns=S, received_ns=S, values=(60.0, value), statuses=bytes(2))
    assert evaluation.feed(odd) == []
    assert evaluation.still_open() == set(LEFT)
