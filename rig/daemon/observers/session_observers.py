"""Observers of a session, and what they share."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rig.clock import Clock
from rig.daemon.assembly import PollingPlan
from rig.daemon.instrument_commands import CommandDispatch, CommandQueue
from rig.daemon.intake import Intake
from rig.daemon.observers import order_inbox
from rig.daemon.observers.console import Console
from rig.daemon.observers.fast_polling import FastPolling
from rig.daemon.observers.order_inbox import Inbox
from rig.daemon.observers.phases import Phases
from rig.daemon.observers.record_observer import Announcer, LimitsInForce, RecordObserver
from rig.daemon.observers.stimulus_sources import Sources
from rig.daemon.observers.switching_off import SwitchingOff
from rig.daemon.order_handlers import OrderHandlers
from rig.daemon.preflight_session import ObserverTools, PreflightSession
from rig.daemon.resume import Keeper
from rig.domain.limit_evaluation import Evaluation
from rig.domain.limit_history import PRE_FLIGHT
from rig.domain.model import EventKind
from rig.rigfile.config import RigConfig
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter

POLLS = 3
SLACK_S = 1.0


def observers(
    *,
    config: RigConfig,
    plan: PollingPlan,
    run: RunDir,
    writer: RunWriter,
    keeper: Keeper,
    evaluation: Evaluation,
    fast: FastPolling,
    intake: Intake,
    command_queues: Mapping[str, CommandQueue],
    clock: Clock,
    say: Callable[[str], None],
    preflight: PreflightSession | None = None,
    stop: Callable[[str], None] = lambda _reason: None,
) -> list[RecordObserver]:
    """Return the observers of one session. ``command_queues``: by bus; say: prints what may need a person.

    preflight: checks, which suspend the test program and leave only trip limits in force.
    """
    announce = Announcer(intake, clock)
    dispatch = CommandDispatch(
        bus_of={name: one.bus for name, one in config.instruments.items()},
        drivers_of=plan.drivers_of,
        command_queues=command_queues,
    )
    limits = LimitsInForce(
        frozen=config.layout.channels, evaluation=evaluation, announce=announce, clock=clock, others=[fast]
    )
    observers: list[RecordObserver] = [] if preflight is not None else [Console(say, clock)]
    phases = None
    if preflight is not None:
        preflight.begin(
            ObserverTools(blocks=plan.blocks, send=dispatch.send, announce=announce, stop=stop, clock=clock)
        )
        _only_trips(limits, announce)
        observers.append(preflight)
    elif config.layout.program is not None:
        sources = Sources(
            specs=config.layout.program.sources,
            channels=config.layout.channels,
            blocks=plan.blocks,
            send=dispatch.send,
            announce=announce,
            clock=clock,
            hurry=fast.hurry,
        )
        phases = Phases(
            program=config.layout.program,
            layout=config.layout,
            blocks=plan.blocks,
            stale_s=stale_s(config, plan),
            limits=limits,
            sources=sources,
            keeper=keeper,
            announce=announce,
            clock=clock,
        )
        observers.append(phases)
    order_handlers = OrderHandlers(
        run=run, layout=config.layout, keeper=keeper, announce=announce, limits=limits, phases=phases
    )
    if config.switch_offs:
        observers.append(
            SwitchingOff(
                specs=config.switch_offs,
                channels=config.layout.channels,
                blocks=plan.blocks,
                send=dispatch.send,
                announce=announce,
                clock=clock,
                hurry=fast.hurry,
            )
        )
    observers.append(
        Inbox(
            run=run,
            handlers=order_handlers.handlers(),
            announce=announce,
            clock=clock,
            durable=lambda: writer.synced_seq,
            already=order_inbox.carried_out(run),
        )
    )
    return observers


def _only_trips(limits: LimitsInForce, announce: Announcer) -> None:
    """Leave only trip limits in force: other excursions are normal in a unit off or just switched on."""
    limits.enter(
        {name: tuple(one for one in channel.limits if one.trip) for name, channel in limits.base.items()}
    )
    text = "pre-flight: only trip limits in force"
    announce(EventKind.PHASE, "run", text, {"what": PRE_FLIGHT, "phase": "", **limits.data()})


def stale_s(config: RigConfig, plan: PollingPlan) -> dict[str, float]:
    """Return, by channel, how old its newest reading may be to show what is now: a few polls.

    A derived channel is as seldom as the slowest instrument that it is made from.
    """
    ages: dict[str, float] = {}
    for name, channel in config.layout.channels.items():
        if channel.source is not None:
            instrument = config.instruments[channel.source.instrument]
            ages[name] = POLLS * instrument.poll_s + instrument.timeout_s + SLACK_S
    waiting = {name: inputs for name, (inputs, _) in plan.formulas.items()}
    while ready := [name for name, inputs in waiting.items() if all(one in ages for one in inputs)]:
        for name in ready:
            ages[name] = max((ages[one] for one in waiting.pop(name)), default=SLACK_S)
    return ages
