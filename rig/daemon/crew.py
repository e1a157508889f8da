"""Who attends the recorder in a session: the inbox, switching off, and what they share."""

from __future__ import annotations

from collections.abc import Mapping

from rig.clock import Clock
from rig.core.config import RigConfig
from rig.core.evaluation import Evaluation
from rig.daemon import inbox
from rig.daemon.assembly import Plan
from rig.daemon.attend import Announcer, Attendant, LimitsInForce
from rig.daemon.deeds import Deeds
from rig.daemon.errands import Dispatch, Errands
from rig.daemon.fast import FastPolling
from rig.daemon.inbox import Inbox
from rig.daemon.intake import Intake
from rig.daemon.resume import Keeper
from rig.daemon.switching import SwitchingOff
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter


def attendants(
    *,
    config: RigConfig,
    plan: Plan,
    run: RunDir,
    writer: RunWriter,
    keeper: Keeper,
    evaluation: Evaluation,
    fast: FastPolling,
    intake: Intake,
    errands: Mapping[str, Errands],
    clock: Clock,
) -> list[Attendant]:
    """Return the attendants of one session. ``errands``: by bus."""
    announce = Announcer(intake, clock)
    dispatch = Dispatch(
        bus_of={name: one.bus for name, one in config.instruments.items()},
        drivers_of=plan.drivers_of,
        errands=errands,
    )
    limits = LimitsInForce(
        frozen=config.layout.channels, evaluation=evaluation, announce=announce, clock=clock, others=[fast]
    )
    deeds = Deeds(run=run, layout=config.layout, keeper=keeper, announce=announce, limits=limits)
    crew: list[Attendant] = []
    if config.switch_offs:
        crew.append(
            SwitchingOff(
                specs=config.switch_offs,
                channels=config.layout.channels,
                blocks=plan.blocks,
                send=dispatch.send,
                announce=announce,
                clock=clock,
            )
        )
    crew.append(
        Inbox(
            run=run,
            handlers=deeds.handlers(),
            announce=announce,
            clock=clock,
            durable=lambda: writer.synced_seq,
            already=inbox.carried_out(run),
        )
    )
    return crew
