"""Polling plan of a rig file: table of blocks, formulas, instruments and poller of each bus."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import drivers
from drivers.bus.exchange import Link
from drivers.bus.opening import open_transport
from rig.clock import Clock
from rig.daemon.instrument_commands import CommandQueue
from rig.daemon.intake import Intake
from rig.daemon.poller import FastPollRequests, PolledInstrument, Poller
from rig.domain.conversions import curve
from rig.domain.derived import Evaluate
from rig.domain.formula import Formula
from rig.domain.model import Channel
from rig.domain.reply_mapping import Route, route
from rig.domain.schedule import Backoff, Cadence
from rig.rigfile.config import Instrument, RigConfig

STALE_POLLS = 3
"""Polls without a reading until the last one is too old to show what is now; common practice, no source."""
STALE_SLACK_S = 1.0
"""What a poll may come late on a busy bus; common practice, no source."""


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


def poller(
    config: RigConfig,
    planned: PollingPlan,
    bus: str,
    *,
    intake: Intake,
    fast_requests: FastPollRequests,
    commands: CommandQueue,
    clock: Clock,
) -> Poller:
    """Return a poller of one bus: not started, its port not open, nothing known of its instruments."""
    spec = config.buses[bus]
    return Poller(
        bus=bus,
        wire=Link(open_transport(spec), settle_s=spec.settle_s),
        instruments=polled_instruments(config, planned, bus, clock),
        intake=intake,
        clock=clock,
        fast_requests=fast_requests,
        settle_s=spec.settle_s,
        commands=commands,
    )


def polled_buses(config: RigConfig) -> list[str]:
    """Return the buses with an instrument, in the order of the rig file."""
    return [name for name in config.buses if any(one.bus == name for one in config.instruments.values())]


def stale_s(config: RigConfig, planned: PollingPlan) -> dict[str, float]:
    """Return, by channel, how old its newest reading may be to show what is now: a few polls.

    A derived channel is as seldom as the slowest instrument that it is made from.
    """
    ages: dict[str, float] = {}
    for name, channel in config.layout.channels.items():
        if channel.source is not None:
            instrument = config.instruments[channel.source.instrument]
            ages[name] = STALE_POLLS * instrument.poll_s + instrument.timeout_s + STALE_SLACK_S
    waiting = {name: inputs for name, (inputs, _) in planned.formulas.items()}
    while ready := [name for name, inputs in waiting.items() if all(one in ages for one in inputs)]:
        for name in ready:
            ages[name] = max((ages[one] for one in waiting.pop(name)), default=STALE_SLACK_S)
    return ages


def _channels_of(config: RigConfig, instrument: Instrument) -> list[Channel]:
    return [
        channel
        for channel in config.layout.channels.values()
        if channel.source is not None and channel.source.instrument == instrument.name
    ]
