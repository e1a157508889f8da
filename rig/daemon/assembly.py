"""Polling plan of a rig file: table of blocks, instruments of each bus, formulas."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import drivers
from rig.clock import Clock
from rig.daemon.poller import PolledInstrument
from rig.domain.conversions import curve
from rig.domain.derived import Evaluate
from rig.domain.formula import Formula
from rig.domain.model import Channel
from rig.domain.reply_mapping import Route, route
from rig.domain.schedule import Backoff, Cadence
from rig.rigfile.config import Instrument, RigConfig


@dataclass(frozen=True, slots=True, kw_only=True)
class PollingPlan:
    """Blocks, instruments and formulas of one session.

    blocks: channel names of every block; a block's index stands in every scan.
    blocks_of: per instrument, for each exchange of its poll, the index of its block and its routes.
    formulas: per derived channel its inputs and how it is computed.
    """

    blocks: Sequence[tuple[str, ...]]
    blocks_of: Mapping[str, Sequence[tuple[int, Sequence[Route]]]]
    formulas: Mapping[str, tuple[tuple[str, ...], Evaluate]]
    drivers_of: Mapping[str, drivers.Driver]


def plan(config: RigConfig) -> PollingPlan:
    """Return the plan of a session for this rig file."""
    blocks: list[tuple[str, ...]] = []
    blocks_of: dict[str, list[tuple[int, Sequence[Route]]]] = {}
    drivers_of: dict[str, drivers.Driver] = {}
    for instrument in config.instruments.values():
        driver: drivers.Driver = drivers.load(instrument.driver).Driver(instrument.options)
        drivers_of[instrument.name] = driver
        own = _channels_of(config, instrument)
        mine: list[tuple[int, Sequence[Route]]] = []
        for exchange in driver.polls:
            carried = [one for one in own if one.source and one.source.field in exchange.fields]
            mine.append((len(blocks), [route(one, exchange.fields, curve) for one in carried]))
            blocks.append(tuple(one.name for one in carried))
        blocks_of[instrument.name] = mine
    formulas: dict[str, tuple[tuple[str, ...], Evaluate]] = {}
    for channel in config.layout.channels.values():
        if channel.formula is not None:
            formula = Formula(channel.formula)
            formulas[channel.name] = (tuple(sorted(formula.names)), formula.evaluate)
            blocks.append((channel.name,))
    return PollingPlan(blocks=blocks, blocks_of=blocks_of, formulas=formulas, drivers_of=drivers_of)


def polled_instruments(
    config: RigConfig, planned: PollingPlan, bus: str, clock: Clock
) -> list[PolledInstrument]:
    """Return the instruments of one bus in their initial state, first poll due now."""
    now_ns = clock.monotonic_ns()
    mine = [one for one in config.instruments.values() if one.bus == bus]
    share = list(config.buses).index(bus) / len(config.buses)
    found = []
    for at, instrument in enumerate(mine):
        # spread over the period, so that instruments on one bus do not queue for each other, nor the
        # threads of all buses for the interpreter
        offset_ns = round(instrument.poll_s * 1e9 * (at + share) / len(mine))
        found.append(
            PolledInstrument(
                name=instrument.name,
                driver=planned.drivers_of[instrument.name],
                blocks=planned.blocks_of[instrument.name],
                poll_s=instrument.poll_s,
                timeout_s=instrument.timeout_s,
                fast_poll_s=instrument.fast_poll_s,
                cadence=Cadence(period_ns=round(instrument.poll_s * 1e9), due_ns=now_ns + offset_ns),
                backoff=Backoff(first_s=instrument.poll_s),
            )
        )
    return found


def _channels_of(config: RigConfig, instrument: Instrument) -> list[Channel]:
    return [
        channel
        for channel in config.layout.channels.values()
        if channel.source is not None and channel.source.instrument == instrument.name
    ]
