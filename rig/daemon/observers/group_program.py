"""Test program of one group of units: the shell around ``rig.domain.group_progress``."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.clock import Clock
from rig.daemon.observers.record_observer import Announce
from rig.daemon.observers.stimulus_sources import Sources
from rig.domain import group_progress, kept_progress, phase_texts, program_state
from rig.domain.group_progress import GroupProgress, group_plan
from rig.domain.model import EventKind, Layout, Scan
from rig.domain.phase_monitor import ROOM_ONLY, MonitorScope, PhaseMonitor
from rig.domain.phase_texts import TextScope
from rig.domain.program import Phase, Program, each, named
from rig.domain.program_state import PhaseStage, ProgramChange, Progress, What
from rig.domain.source_groups import SourceGroup, drive_of, foreign_sources

NO_PHASE = Phase(name="")


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedParts:
    """What the groups of a session share.

    serials: by position, '' for nobody. in_force: has the limits of all groups put in force; limits: what
    an event says of them.
    """

    blocks: Sequence[tuple[str, ...]]
    stale_s: Mapping[str, float]
    serials: Mapping[str, str]
    sources: Sources
    announce: Announce
    clock: Clock
    in_force: Callable[[], None]
    limits: Callable[[], Mapping[str, Any]]
    save: Callable[[], None]


class GroupProgram:
    """Runs the program for one group. ``state``: where it stands.

    ``out``: by unit that takes no part, the serial number of which that was said. alone: whether the rig has
    no other group; its events then name no units.
    """

    def __init__(
        self,
        group: SourceGroup,
        program: Program,
        layout: Layout,
        shared: SharedParts,
        *,
        alone: bool,
    ) -> None:
        self.group = group
        self.out: dict[str, str] = {}
        self._alone = alone
        self._shared = shared
        self._layout = layout
        self.plan = group_plan(program, group.foreign)
        others = tuple(name for name in layout.units if name not in group.units)
        self._scope = MonitorScope(
            others=others,
            foreign={unit: foreign_sources(layout, unit) for unit in group.units},
            drives={unit: drive_of(layout, unit) for unit in group.units},
        )
        self._monitor = PhaseMonitor(NO_PHASE, group.units, {}, scope=self._scope)
        self._taken: list[list[tuple[int, str]]] = [[] for _ in shared.blocks]
        self._who: Mapping[str, str] = {}
        self._witnessed = ""
        self._first: tuple[ProgramChange, ...] = ()
        self.state = GroupProgress(lead=Progress(at=-1, stage=PhaseStage.UNKNOWN))

    # ---- its life

    def prepare(self, kept: Mapping[str, Any], serials: Mapping[str, Any] | None, lost: str) -> None:
        """Take up what is kept of an earlier session, else begin. Nothing is announced yet.

        kept: of this group, {} for nothing; serials: by serial number, of all groups; lost: why the state is
        unknown.
        """
        now_ns = self._shared.clock.boot_ns()
        out = kept.get("out")
        if isinstance(out, Mapping):
            self.out = {unit: str(out[unit]) for unit in self.group.units if unit in out}
        self._who = self.who()
        if kept:
            self.state = kept_progress.resumed(kept, self.plan, self._who, now_ns, serials)
            known = self.state.lead.stage is not PhaseStage.UNKNOWN
            why = "" if known else f"recorded state: {dict(kept)}"
            what = What.RESUMED if known else What.UNKNOWN
            self._first = (ProgramChange(what=what, progress=self.state.lead, why=why),)
        elif lost:
            self.state = GroupProgress(lead=Progress(at=-1, stage=PhaseStage.UNKNOWN, since_ns=now_ns))
            self._first = (ProgramChange(what=What.UNKNOWN, progress=self.state.lead, why=lost),)
        else:
            self.state, self._first = group_progress.begin(self.plan, self._who, now_ns)

    def start(self) -> None:
        """Say where the program stands."""
        self._watch(self.state.lead)
        self._say_all(self._first, {})

    def scan(self, scan: Scan) -> None:
        """Take the readings that the phase depends on."""
        for at, channel in self._taken[scan.block]:
            t_ns = (scan.sent_ns + scan.received_ns) // 2
            self._monitor.take(channel, t_ns, scan.values[at], scan.statuses[at])

    def tick(self, now_ns: int) -> None:
        """Advance the program."""
        self._notice_who(now_ns)
        self._notice_witness()
        state, changes = group_progress.advance(
            self.state,
            self.plan,
            self._who,
            lambda units: self._monitor.look(now_ns, units),
            now_ns=now_ns,
            cycles=self._monitor.new_cycles(),
        )
        self._move(state, changes, {})
        self._set(now_ns)

    def move(self, wish: str, said: Mapping[str, object]) -> None:
        """Carry out an order: hold, go, next, or a phase's name. Raises ValueError to refuse."""
        now_ns = self._shared.clock.boot_ns()
        state, changes = group_progress.by_hand(self.state, self.plan, self._who, wish, now_ns)
        self._move(state, changes, said)

    def reload(self, layout: Layout, program: Program) -> None:
        """Use another rig file's limits; its program differs in nothing else."""
        self._layout, self.plan = layout, group_plan(program, self.group.foreign)

    def kept(self) -> dict[str, Any]:
        """Return where the group stands, for the next session."""
        values = kept_progress.to_json(self.state, self.plan, self._who, whole=True)
        return values | self._out_data()

    def _out_data(self) -> dict[str, Any]:
        return {"out": dict(self.out)} if self.out else {}

    # ---- who takes part

    def who(self) -> dict[str, str]:
        """Return the units that take part, with their serial numbers."""
        if not self.group.units:
            return dict.fromkeys(ROOM_ONLY, "")
        serials = self._shared.serials
        return {
            unit: serial
            for unit in self.group.units
            if (serial := serials.get(unit, "")) and self.out.get(unit) != serial
        }

    def take_part(self, unit: str, takes: bool) -> None:
        """Let the unit that sits in a place now take part from the next look on, or no longer."""
        self.out.pop(unit, None)
        if not takes:
            self.out[unit] = self._shared.serials.get(unit, "")

    def give_up(self, serial: str) -> Mapping[int, group_progress.Work]:
        """Return what a serial number did here, and forget it: it sits in another group now."""
        if serial in self._who.values() or serial not in self.state.work:
            return {}
        work = dict(self.state.work)
        mine = work.pop(serial)
        self.state = group_progress.with_work(self.state, work)
        return mine

    def take_over(self, serial: str, work: Mapping[int, group_progress.Work]) -> None:
        """Let a serial number bring along what it did in another group."""
        self.state = group_progress.with_work(self.state, {**self.state.work, serial: work})

    def _notice_who(self, now_ns: int) -> None:
        """Let units come and go, and say so."""
        was, now = self._who, self.who()
        if was == now:
            return
        self._who = now
        self._monitor.units = tuple(now)
        self.state = group_progress.seated(self.state, self.plan, now, now_ns)
        for unit in self.group.units:
            before, serial = was.get(unit, ""), now.get(unit, "")
            if before == serial:
                continue
            if serial:
                text = f"{unit} (serial number {serial}) takes part in the test program"
                self._say(ProgramChange(what=What.JOINS, progress=self.state.lead, why=text))
            else:
                text = f"{unit} (serial number {before}) takes no part in the test program from now on"
                self._say(ProgramChange(what=What.LEAVES, progress=self.state.lead, why=text))
        self._shared.save()

    def _notice_witness(self) -> None:
        """Say once at which other channel the drive is read."""
        duty = self._phase(self.state.lead).drive
        first = next(iter(self._who), None)
        if duty is None or first is None:
            return
        channel, usual = self._monitor.witness(first), named(duty.channel, first)
        if channel == (self._witnessed or usual):
            return
        self._witnessed = "" if channel == usual else channel
        owner = usual.partition(".")[0]
        if channel == usual:
            why = f"{owner} takes part again"
        else:
            mine = owner in self.group.units
            why = f"{owner} takes no part" if mine else f"{usual} does not show the drive of these units"
        text = f"the drive is read at {channel} from now on: {why}"
        self._say(ProgramChange(what=What.WITNESS, progress=self.state.lead, why=text))

    # ---- moving

    def _move(
        self, state: GroupProgress, changes: Sequence[ProgramChange], said: Mapping[str, object]
    ) -> None:
        was, self.state = self.state.lead, state
        if state.lead.stage is not was.stage or state.lead.at != was.at:
            self._shared.in_force()
        self._say_all(changes, said, was.at)
        if changes:
            self._shared.save()

    def _say_all(
        self, changes: Sequence[ProgramChange], said: Mapping[str, object], watched: int | None = None
    ) -> None:
        """Say what changed; a finished phase is reported with its own readings."""
        for one in changes:
            if watched is not None and one.progress.at != watched:
                self._watch(one.progress)
                watched = one.progress.at
            self._say(one, said)
        if watched is not None and watched != self.state.lead.at:
            self._watch(self.state.lead)

    def _watch(self, progress: Progress) -> None:
        """Watch the channels of the phase now in force."""
        phase = self._phase(progress)
        self._monitor = PhaseMonitor(
            phase, self.group.units, self._shared.stale_s, self._monitor, self._scope
        )
        self._monitor.units = tuple(self._who)
        self._witnessed = ""
        self._taken = [
            [(at, name) for at, name in enumerate(names) if name in self._monitor.channels]
            for names in self._shared.blocks
        ]
        self._shared.sources.forget(self.group.foreign)

    def _phase(self, progress: Progress) -> Phase:
        inside = 0 <= progress.at < len(self.plan.steps)
        return self.plan.steps[progress.at].phase if inside else NO_PHASE

    def _say(self, change: ProgramChange, said: Mapping[str, object] | None = None) -> None:
        phase = self._phase(change.progress)
        scope = TextScope(
            plan=self.plan,
            channels=self._layout.channels,
            readings={channel: self._reads(phase, channel) for channel in phase.targets},
            drive=self._monitor.drive,
            units=() if self._alone else self.group.units,
        )
        kept = kept_progress.to_json(self.state, self.plan, self._who)
        kept |= program_state.to_json(change.progress, self.plan.steps) | self._out_data()
        data = phase_texts.data(change, scope, kept) | self._units_data()
        text = phase_texts.words(change, scope)
        subject = str(data["phase"]) or "run"
        self._shared.announce(
            EventKind.PHASE, subject, text, {**data, **self._shared.limits(), **(said or {})}
        )

    def _units_data(self) -> dict[str, Any]:
        """Return the time of each unit in the present step, where one differs from the group's."""
        lead = self.state.lead
        ones = {
            unit: one
            for unit, serial in self._who.items()
            if (one := self.state.present.get(serial)) is not None
        }
        if all((one.done_s, one.cycles) == (lead.done_s, lead.cycles) for one in ones.values()):
            return {}
        return {
            "units": {
                unit: {"done_s": round(one.done_s, 3), "cycles": one.cycles, "stage": str(one.stage)}
                for unit, one in ones.items()
            }
        }

    def _reads(self, phase: Phase, channel: str) -> float | None:
        """Return the newest reading of a target: for each unit's, the one farthest off."""
        target = phase.targets[channel]
        values = [self._monitor.value(name) for name in each(channel, self._who)]
        found = [value for value in values if value is not None]
        return max(found, key=lambda value: abs(value - target.value)) if found else None

    def _set(self, now_ns: int) -> None:
        """Have the sources set the targets of the phase that the readback shows as missed."""
        lead = self.state.lead
        if lead.stage not in {PhaseStage.DUE, PhaseStage.LEFT} or not self._who:
            return
        if self._monitor.look(now_ns, tuple(self._who)).met is not False:
            return
        phase = self._phase(lead)
        for channel, target in phase.targets.items():
            reads = self._monitor.value(channel)
            if channel in self.plan.program.sources and reads is not None:
                self._shared.sources.bring(channel, target, reads, phase.ramp_s)
