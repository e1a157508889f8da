"""The account of a simulated run against what truly happened in the room: a hand-turned variac, a meter
that hangs, a logger that is killed, a unit that dies.

The room is computed step by step from its seed alone, so its truth is computed once more here, with the
variac turned at the recorded instants.
"""

from __future__ import annotations

import itertools
import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rig.domain.model import Series, Status
from rig.endurance.bands import BandHours
from rig.endurance.exposure import PhaseExposure
from rig.endurance.run_account import RunAccount, account
from rig.simulator.room_plan import plan
from rig.simulator.running_room import running
from rig.simulator.scenarios import scenario
from rig.simulator.world import World
from rig.store.reader import RunReader
from rig.store.rundir import newest_run

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
SCENARIO, SEED, POLL_S = "fan-failure", 11, 0.5
HUNG_S = 3.0
OPENING_S = 5.0
BACK_OFF_S = 3.0
"""How long the logger may wait until it tries an instrument that was lost once more."""
EDGES = {"mains": (215.0, 222.5, 240.0), "level": (1.1,), "A1.volts": (10.0, 22.0)}
ASKED = """
account:
  ambient: ambient
  energy: "{unit}.power"
  output: {channel: "{unit}.volts", on-above: 5 V, off-below: 3 V}
  drive: {channel: level, on-above: 0.5 V, off-below: 0.3 V}
  dead-after: 5 s
  bands: {mains: [215 V, 222.5 V, 240 V], level: [1.1 V], "{unit}.volts": [10 V, 22 V]}
program:
  settle: 1 s
  phases:
    low: {targets: {mains: 212 V +- 4 V}, duration: 1 h}
    high: {targets: {mains: 248 V +- 4 V}, duration: 1 h}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    run: RunReader
    account: RunAccount
    truth: Mapping[str, Any]
    t_ns: NDArray[np.int64]
    true: Mapping[str, NDArray[np.float64]]
    killed_ns: tuple[int, int]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("room")
    with running(folder, scenario=SCENARIO, seed=SEED, poll_s=POLL_S) as room:
        room.rig_file.write_text(room.rig_file.read_text("utf-8") + ASKED, "utf-8")
        logger = _log(room.rig_file)
        _after(4.0, lambda: room.say(f"hang mains {HUNG_S}"))
        _after(7.0, lambda: room.say("turn mains 212"))
        _after(8.0, lambda: room.say("turn mains 248"))
        time.sleep(2.0)
        killed = time.time_ns()
        logger.send_signal(signal.SIGKILL)
        logger.wait()
        time.sleep(3.0)
        again = time.time_ns()
        logger = _log(room.rig_file)
        _after(14.0, lambda: logger.send_signal(signal.SIGTERM))
        assert logger.wait(60) == 0
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    run = RunReader.open(newest_run(folder / "runs"))
    t_ns, true = _computed(truth, run.span[1])
    return Recorded(
        run=run, account=account(run), truth=truth, t_ns=t_ns, true=true, killed_ns=(killed, again)
    )


def _log(rig_file: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "rig.cli", "log", str(rig_file)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _after(seconds: float, deed: Callable[[], object]) -> None:
    time.sleep(seconds)
    deed()


def _computed(
    truth: Mapping[str, Any], end_ns: int
) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """Return instants (UTC ns) and true values, step by step: of ``EDGES`` and of the victim's output."""
    start = truth["start"]
    offset = start["utc_ns"] - start["boot_ns"]
    world = World(
        plan=plan(seed=truth["seed"], pace=truth["pace"], poll_s=POLL_S),
        scenario=scenario(truth["scenario"]),
        seed=truth["seed"],
        start_ns=start["boot_ns"],
    )
    turns = [
        (one["at"]["boot_ns"], one["subject"], float(one["text"].removeprefix("turned to ")))
        for one in truth["happenings"]
        if one["text"].startswith("turned to ")
    ]
    assert len(turns) == 2
    times: list[int] = []
    values: dict[str, list[float]] = {name: [] for name in (*EDGES, f"{truth['victim']}.volts")}
    while world.now_ns + offset < end_ns:
        while turns and turns[0][0] <= world.now_ns:
            _, what, value = turns.pop(0)
            world.turn(what, value)
        world.advance(world.now_ns + world.step_ns)
        times.append(world.now_ns + offset)
        for name, column in values.items():
            column.append(world.true(name))
    return np.array(times), {name: np.array(column) for name, column in values.items()}


def band(recorded: Recorded, channel: str) -> BandHours:
    (one,) = (
        b for e in recorded.account.exposures for b in e.bands[:] if b.channel == channel and e.unit == "A1"
    )
    return one


def vouched(series: Series, usual_s: float) -> list[tuple[int, int]]:
    """Return the time for which GOOD readings vouch, worked out reading by reading."""
    found: list[tuple[int, int]] = []
    half = round(usual_s * 5e8)
    for before, at, after in zip([None, *range(len(series) - 1)], range(len(series)),
                                 [*range(1, len(series)), None], strict=True):  # fmt: skip
        if series.status[at] != Status.GOOD:
            continue
        t = int(series.t_ns[at])

        def reach(other: int | None, t: int = t, at: int = at) -> int:
            if other is None:
                return half
            step = abs(int(series.t_ns[other]) - t)
            near = step <= 1.5 * usual_s * 1e9
            return step // 2 if near else min(half, step // 2)

        found.append((t - reach(before), t + reach(after)))
    return found


def vouched_steps(recorded: Recorded, series: Series) -> tuple[NDArray[np.bool_], float]:
    """Return for which steps of the room a reading vouches, and what the edges of gaps may differ by.

    A stream runs faster than its poll: at each edge of a gap a reading may vouch for half of either.
    """
    usual_s = _usual_s(series)
    stretches = vouched(series, usual_s)
    known = np.zeros(len(recorded.t_ns), bool)
    for start_ns, end_ns in stretches:
        known |= (recorded.t_ns >= start_ns) & (recorded.t_ns < end_ns)
    gaps = sum(b[0] - a[1] > 1e6 for a, b in itertools.pairwise(stretches))
    return known, 0.05 + max(POLL_S - usual_s, 0.0) * (gaps + 1)


@pytest.mark.parametrize("channel", list(EDGES))
def test_hours_per_band_are_true_within_one_poll_per_transition(recorded: Recorded, channel: str) -> None:
    got, series = band(recorded, channel), recorded.run.series(channel)
    known, slack_s = vouched_steps(recorded, series)
    where = np.searchsorted(EDGES[channel], recorded.true[channel], side="right")
    step_s = 0.005
    for number, time_s in enumerate(got.time_s):
        inside = (where == number) & known
        true_s = float(np.count_nonzero(inside)) * step_s
        transitions = int(np.count_nonzero(np.diff((where == number).astype(int))))
        assert time_s == pytest.approx(true_s, abs=slack_s + POLL_S * transitions), (channel, number)
    transitions = int(np.count_nonzero(np.diff(where)))
    assert transitions >= 2, "the room was meant to move"


def test_unlogged_time_is_exact(recorded: Recorded) -> None:
    for channel in EDGES:
        series = recorded.run.series(channel)
        got = band(recorded, channel)
        stretches = vouched(series, _usual_s(series))
        first, last = recorded.run.span
        observed_s = sum(min(end, last) - max(start, first) for start, end in stretches) / 1e9
        # a stream runs faster than its poll: at each edge of a gap a reading may vouch for half a poll
        slack_s = 3 * POLL_S if channel == "mains" else 5e-3
        assert got.unobserved_s == pytest.approx((last - first) / 1e9 - observed_s, abs=slack_s), channel
        assert sum(got.time_s) + got.unobserved_s == pytest.approx((last - first) / 1e9, abs=1e-6)


def _usual_s(series: Series) -> float:
    same = np.diff(series.session) == 0
    return float(np.median(np.diff(series.t_ns)[same])) / 1e9


def test_a_hung_meter_and_a_killed_logger_are_unlogged_and_nothing_else_is(recorded: Recorded) -> None:
    outage_s = recorded.run.sessions[1].start_ns - recorded.run.sessions[0].end_ns
    killed, again = recorded.killed_ns
    assert outage_s >= again - killed
    level, mains = band(recorded, "level"), band(recorded, "mains")
    # a session begins before its instruments are opened, which takes as long as a busy machine makes it
    assert outage_s / 1e9 - POLL_S <= level.unobserved_s <= outage_s / 1e9 + 2 * OPENING_S
    hung_s = mains.unobserved_s - level.unobserved_s
    assert HUNG_S - POLL_S <= hung_s <= HUNG_S + BACK_OFF_S + 2 * POLL_S


def test_time_within_targets_is_true_within_one_poll_per_transition(recorded: Recorded) -> None:
    phases: dict[str, PhaseExposure] = {one.phase: one for one in recorded.account.exposures[0].phases}
    series = recorded.run.series("mains")
    known, slack_s = vouched_steps(recorded, series)
    for name, value in (("low", 212.0), ("high", 248.0)):
        inside = np.abs(recorded.true["mains"] - value) <= 4.0
        true_s = float(np.count_nonzero(inside & known)) * 0.005
        transitions = int(np.count_nonzero(np.diff(inside.astype(int))))
        assert true_s > 3
        assert phases[name].anywhere_s == pytest.approx(true_s, abs=slack_s + POLL_S * transitions)
        one = phases[name]
        assert one.within_s + one.out_s + one.unobserved_s == pytest.approx(one.in_force_s, abs=1e-6)


def test_the_death_is_found_where_it_happened(recorded: Recorded) -> None:
    victim = recorded.truth["victim"]
    assert recorded.truth["dead"] == [victim]
    (death,) = recorded.account.deaths
    serial = recorded.run.layout.units[victim].serial
    assert death.serial == serial
    # output may come back for less than a poll while fuse and protection fight over it
    gives = recorded.true[f"{victim}.volts"] > 3.0
    first_lost, last_given = recorded.t_ns[~gives][0], recorded.t_ns[gives][-1]
    assert (last_given - first_lost) / 1e9 < 5.0
    killed_ns, again_ns = recorded.killed_ns
    if killed_ns <= first_lost <= again_ns:  # nobody looked: any moment of that time is as good as another
        first_lost, last_given = killed_ns, max(last_given, again_ns)
    slack_ns = 2 * POLL_S * 1e9
    assert first_lost - slack_ns <= death.t_ns <= last_given + slack_ns


def test_energy_is_that_of_the_true_power(recorded: Recorded) -> None:
    exposure = recorded.account.exposures[0]
    assert exposure.energy is not None
    power = recorded.run.series("A1.power")
    good = power.status == Status.GOOD
    at = np.flatnonzero(good)
    step_s = np.diff(power.t_ns[at]) / 1e9
    near = step_s <= 1.5 * POLL_S
    by_hand = float(np.sum(((power.value[at][:-1] + power.value[at][1:]) / 2 * step_s)[near]))
    # at the edges of gaps, and at both ends, a reading vouches for half a poll
    edges_j = float(power.value[at].max()) * POLL_S * (np.count_nonzero(~near) + 1)
    assert exposure.energy.joule == pytest.approx(by_hand, rel=0.02, abs=edges_j)
