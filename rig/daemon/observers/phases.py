"""Test program of a session: the shell around ``rig.domain.program_state``.

Announces what is due, confirms it by readback, counts its time, and puts the limits of the phase in force.
Stimuli with a source in the rig file are set by command; all others are set by a person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.clock import Clock
from rig.daemon.observers.order_inbox import order_data
from rig.daemon.observers.record_observer import Announce, LimitsInForce
from rig.daemon.observers.stimulus_sources import Sources
from rig.daemon.resume import Keeper
from rig.domain import phase_texts, program_state
from rig.domain.model import EventKind, Layout, Scan
from rig.domain.orders import Order
from rig.domain.phase_monitor import PhaseMonitor, PhaseObservation
from rig.domain.program import Phase, Program, each
from rig.domain.program_state import PhaseStage, ProgramChange, Progress, What

SAVE_NS = 10_000_000_000
"""How much of a phase's time a crash may cost."""
LOOK_NS = 90_000_000
NO_PHASE = Phase(name="")


class Phases:
    """Observer that runs the test program of a session. ``progress``: its state."""

    def __init__(
        self,
        *,
        program: Program,
        layout: Layout,
        blocks: Sequence[tuple[str, ...]],
        stale_s: Mapping[str, float],
        limits: LimitsInForce,
        sources: Sources,
        keeper: Keeper,
        announce: Announce,
        clock: Clock,
    ) -> None:
        self.program = program
        self._layout = layout
        self._blocks = blocks
        self._stale_s = stale_s
        self._limits = limits
        self._sources = sources
        self._keeper = keeper
        self._announce = announce
        self._clock = clock
        self._steps = program.steps
        self._units = list(layout.units)
        self._saved_ns = self._looked_ns = clock.boot_ns()
        self._cycles = 0
        self._monitor = PhaseMonitor(NO_PHASE, (), {})
        self._taken: list[list[tuple[int, str]]] = [[] for _ in blocks]
        self.progress = Progress(at=-1, stage=PhaseStage.UNKNOWN)
        self._start()

    def _start(self) -> None:
        now_ns = self._clock.boot_ns()
        if self._keeper.program:
            progress = program_state.resumed(self._keeper.program, self._steps, now_ns)
            known = progress.stage is not PhaseStage.UNKNOWN
            why = "" if known else f"recorded state: {dict(self._keeper.program)}"
            what = What.RESUMED if known else What.UNKNOWN
            happenings: tuple[ProgramChange, ...] = (ProgramChange(what=what, progress=progress, why=why),)
        elif self._keeper.lost:
            progress = Progress(at=-1, stage=PhaseStage.UNKNOWN, since_ns=now_ns)
            happenings = (ProgramChange(what=What.UNKNOWN, progress=progress, why=self._keeper.lost),)
        else:
            progress, happenings = program_state.begin(now_ns)
        self._enter(progress)
        self._move(progress, happenings, {})

    # ---- attending

    def scan(self, scan: Scan) -> None:
        """Take the readings that the phase depends on."""
        for at, channel in self._taken[scan.block]:
            t_ns = (scan.sent_ns + scan.received_ns) // 2
            self._monitor.take(channel, t_ns, scan.values[at], scan.statuses[at])
        self._sources.scan(scan)

    def event(self, event: object) -> None:
        """Ignore events."""

    def tick(self) -> None:
        """Advance the program."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._looked_ns < LOOK_NS:
            return
        self._looked_ns = now_ns
        sight = self._monitor.look(now_ns)
        drive = self._monitor.drive
        cycles = drive.cycles if drive is not None else 0
        progress, happenings = program_state.advance(
            self.progress, self._steps, sight, now_ns, max(0, cycles - self._cycles)
        )
        self._cycles = cycles
        self._move(progress, happenings, {})
        self._set(sight)
        self._sources.tick()
        if now_ns - self._saved_ns >= SAVE_NS:
            self._save()

    def close(self) -> None:
        """Save the program state."""
        self._save()

    def move(self, order: Order) -> None:
        """Carry out an order: hold, go, next, or a phase's name. Raises ValueError to refuse."""
        progress, happenings = program_state.by_hand(
            self.progress, self.program, order.text_of("to"), self._clock.boot_ns()
        )
        said = {**order_data(order), "note": order.text_of("text")}
        self._move(progress, happenings, said)

    def reload(self, layout: Layout) -> None:
        """Use another rig file's limits; its program differs in nothing else."""
        if layout.program is not None:
            self._layout, self.program = layout, layout.program
            self._steps = layout.program.steps
            self._enter(self.progress)

    # ---- moving

    def _move(
        self, progress: Progress, happenings: Sequence[ProgramChange], said: Mapping[str, object]
    ) -> None:
        if progress.stage is not self.progress.stage or progress.at != self.progress.at:
            self._enter(progress)
        for one in happenings:
            if one.progress.at != self.progress.at:  # a finished phase is reported with its own readings
                self.progress = progress
                self._watch(progress)
            self._say(one, said)
        self.progress = progress
        if happenings:
            self._save()

    def _enter(self, progress: Progress) -> None:
        own = {name: channel.limits for name, channel in self._limits.base.items()}
        self._limits.enter(program_state.limits_in_force(self.program, progress, own))

    def _watch(self, progress: Progress) -> None:
        """Watch the channels of the phase now in force."""
        inside = 0 <= progress.at < len(self._steps)
        phase = self._steps[progress.at].phase if inside else NO_PHASE
        self._monitor = PhaseMonitor(phase, self._units, self._stale_s, self._monitor)
        self._taken = [
            [(at, name) for at, name in enumerate(names) if name in self._monitor.channels]
            for names in self._blocks
        ]
        self._cycles = 0
        self._sources.forget()

    def _say(self, happening: ProgramChange, said: Mapping[str, object]) -> None:
        readings = {channel: self._reads(channel) for channel in self._targets()}
        drive = self._monitor.drive
        text = phase_texts.words(happening, self.program, self._layout.channels, readings, drive)
        data = phase_texts.data(happening, self.program, readings, drive)
        self._announce(
            EventKind.PHASE, str(data["phase"]) or "run", text, {**data, **self._limits.data(), **said}
        )

    def _targets(self) -> list[str]:
        inside = 0 <= self.progress.at < len(self._steps)
        return list(self._steps[self.progress.at].phase.targets) if inside else []

    def _reads(self, channel: str) -> float | None:
        """Return the newest reading of a target: for each unit's, the one farthest off."""
        target = self._steps[self.progress.at].phase.targets.get(channel)
        found = [
            value for name in each(channel, self._units) if (value := self._monitor.value(name)) is not None
        ]
        if target is None or not found:
            return None
        return max(found, key=lambda value: abs(value - target.value))

    def _set(self, sight: PhaseObservation) -> None:
        """Have the sources set the targets of the phase that the readback shows as missed."""
        if self.progress.stage not in {PhaseStage.DUE, PhaseStage.LEFT} or sight.met is not False:
            return
        phase = self._steps[self.progress.at].phase
        for channel, target in phase.targets.items():
            reads = self._monitor.value(channel)
            if channel in self.program.sources and reads is not None:
                self._sources.bring(channel, target, reads, phase.ramp_s)

    def _save(self) -> None:
        self._saved_ns = self._clock.boot_ns()
        self._keeper.program = program_state.to_json(self.progress, self._steps)
        self._keeper.save()
