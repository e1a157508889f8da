"""What a rig file becomes: first polls spread over the period."""

from __future__ import annotations

from pathlib import Path

import pytest

import drivers
from rig.clock import SYSTEM
from rig.daemon import assembly
from rig.rigfile import yaml_reader

RIG = """
rig: spread
runs: runs
planned: 1 d
buses:
{buses}
instruments:
{instruments}
channels:
{channels}
"""

STALE_RIG = """
rig: stale
runs: runs
planned: 1 d
buses: {net: {tcp: "127.0.0.1:5000"}}
instruments:
  calm: {bus: net, driver: lines, poll: 10 s, timeout: 500 ms, terminator: LF, reads: [{ask: Q, fields: [v]}]}
  quick: {bus: net, driver: lines, poll: 1 s, timeout: 250 ms, terminator: LF, reads: [{ask: Q, fields: [v]}]}
channels:
  last: {formula: sum + double, unit: V, limits: none}
  sum: {formula: slow + fast, unit: V, limits: none}
  double: {formula: 2 * fast, unit: V, limits: none}
  slow: {from: calm.v, unit: V, limits: none}
  fast: {from: quick.v, unit: V, limits: none}
"""


def made(tmp_path: Path, buses: int, each: int) -> dict[str, list[int]]:
    """Return the moments of the first polls (ns), by bus, of meters that are polled once a second."""
    names = [f"m{b}x{k}" for b in range(buses) for k in range(each)]
    text = RIG.format(
        buses="\n".join(f'  bus{b}: {{tcp: "127.0.0.1:{5000 + b}"}}' for b in range(buses)),
        instruments="\n".join(
            f"  {name}: {{bus: bus{name[1]}, driver: lines, poll: 1 s, timeout: 100 ms, terminator: LF, "
            'reads: [{ask: "R?", fields: [v]}]}'
            for name in names
        ),
        channels="\n".join(f"  {name}c: {{from: {name}.v, unit: V, limits: none}}" for name in names),
    )
    file = tmp_path / "rig.yaml"
    file.write_text(text, encoding="utf-8")
    config = yaml_reader.read(file, drivers.spec)
    plan = assembly.plan(config)

    class Still:
        def __getattr__(self, name: str) -> object:
            return getattr(SYSTEM, name)

        def monotonic_ns(self) -> int:
            return 0

    return {
        bus: [one.cadence.due_ns for one in assembly.polled_instruments(config, plan, bus, Still())]  # type: ignore[arg-type]
        for bus in config.buses
    }


@pytest.mark.parametrize(("buses", "each"), [(1, 1), (1, 3), (4, 1), (4, 2)])
def test_first_polls_of_all_buses_are_spread_evenly_over_the_period(
    tmp_path: Path, buses: int, each: int
) -> None:
    due = made(tmp_path, buses, each)
    whole = sorted(one for mine in due.values() for one in mine)
    assert whole == [round(1e9 * k / (buses * each)) for k in range(buses * each)]
    assert due["bus0"] == [round(1e9 * k / each) for k in range(each)]


def test_a_reading_shows_what_is_now_for_a_few_polls_of_the_slowest_instrument_it_depends_on(
    tmp_path: Path,
) -> None:
    """By hand: three polls, the timeout and a second; of what is derived, the longest of its inputs."""
    file = tmp_path / "rig.yaml"
    file.write_text(STALE_RIG, encoding="utf-8")
    config = yaml_reader.read(file, drivers.spec)
    stale_s = assembly.stale_s(config, assembly.plan(config))
    assert stale_s == pytest.approx({"slow": 31.5, "fast": 4.25, "sum": 31.5, "double": 4.25, "last": 31.5})
