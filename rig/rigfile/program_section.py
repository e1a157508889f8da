"""The section ``program`` of a rig file: what may be written there."""

from __future__ import annotations

import re
from dataclasses import dataclass

from rig.domain.units import Amount, amount
from rig.errors import shown
from rig.rigfile.field_types import FieldRefusedError
from rig.rigfile.node import Node
from rig.rigfile.schema import (
    AmountField,
    Choice,
    Flag,
    Integer,
    Later,
    Map,
    Measure,
    Name,
    Number,
    Scalar,
    Section,
    Seq,
    Text,
    key,
)

_CHANNEL = Text()
_PHASE = Name(hyphens=True)
_SPLIT = re.compile(r"(.+?)\s*(?:\+-|\+/-|±)\s*(.+)")


@dataclass(frozen=True, slots=True)
class WithTolerance(Scalar):
    """An amount with its tolerance: ``253 V +- 3 V``."""

    def convert(self, text: str) -> tuple[Amount, Amount]:
        """Return amount and tolerance as written. Raises RefusedError or UnitError."""
        match = _SPLIT.fullmatch(text.strip())
        if match is None:
            raise FieldRefusedError(f"found {shown(text)}", f"write {self}")
        return amount(match[1], bare=True), amount(match[2], bare=True)

    def __str__(self) -> str:
        return "an amount and its tolerance, such as 253 V +- 3 V"


@dataclass(frozen=True, slots=True, kw_only=True)
class DutySection:
    """How the drive goes on and off."""

    channel: str = key(_CHANNEL, doc="channel that shows it")
    on_above: Amount = key(Measure(), doc="the drive is on while it reads more than this")
    on_s: float = key(AmountField("s", positive=True, high=86_400.0), name="on", doc="how long it is on")
    off_s: float = key(AmountField("s", positive=True, high=86_400.0), name="off", doc="how long it is off")


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadySection:
    """When a channel counts as steady."""

    channel: str = key(_CHANNEL, doc="channel; {unit} stands for each unit")
    within: Amount = key(Measure(), doc="largest spread of its readings, such as 2 K")
    over_s: float = key(
        AmountField("s", positive=True, high=86_400.0), name="over", doc="in this time, such as 1 h"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionSection:
    """What a channel must read for the phase to end. At least one of the two bounds."""

    channel: str = key(_CHANNEL, doc="channel; {unit} stands for each unit")
    below: Amount | None = key(Measure(), default=None, doc="it must read less than this")
    above: Amount | None = key(Measure(), default=None, doc="it must read more than this")

    def __post_init__(self) -> None:
        if self.below is None and self.above is None:
            raise ValueError("write below, above or both")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseLimitsSection:
    """Limits of one channel in one phase; keys that are not written are the channel's own."""

    limits: str | None = key(Choice("none"), default=None, doc="none: no limit at all in this phase")
    high: Node | None = key(Later(Measure()), default=None, doc="high limit; a block too, as at a channel")
    low: Node | None = key(Later(Measure()), default=None, doc="low limit; a block too, as at a channel")
    early_high: Node | None = key(Later(Measure()), default=None, doc="warning below the high limit")
    early_low: Node | None = key(Later(Measure()), default=None, doc="warning above the low limit")
    deadband: Node | None = key(Later(Measure()), default=None, doc="deadband of both limits")
    on_delay: Node | None = key(Later(AmountField("s")), default=None, doc="on-delay of both limits")
    trip: Node | None = key(Later(Flag()), default=None, doc="trip of both limits")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSection:
    """A stretch of the test program with its own targets and limits."""

    targets: dict[str, tuple[Amount, Amount]] = key(
        Map(WithTolerance(), names=_CHANNEL, word="CHANNEL"),
        default={},
        doc="what stimuli must read for time to count; {unit} stands for each unit",
    )
    duration_s: float | None = key(
        AmountField("s", positive=True, high=10 * 366 * 86_400.0),
        name="duration",
        default=None,
        doc="how long; only time within the targets counts",
    )
    count: int | None = key(
        Integer(1, 1_000_000_000), default=None, doc="how many drive cycles within the targets"
    )
    until: tuple[ConditionSection, ...] = key(
        Seq(Section(ConditionSection)), default=(), doc="conditions, all of them, for the phase to end"
    )
    by_hand: bool = key(Flag(), default=False, doc="ends by command only (soakrig phase RUN next)")
    settle_s: float | None = key(
        AmountField("s", low=0.0, high=3600.0),
        name="settle",
        default=None,
        doc="as at the program, for this phase",
    )
    time_out_s: float | None = key(
        AmountField("s", positive=True, high=86_400.0 * 7),
        name="time-out",
        default=None,
        doc="how long its targets may stay unmet until that is told, and told again; default: 30 min where a "
        "person sets them",
    )
    warm_up_s: float = key(
        AmountField("s", low=0.0, high=86_400.0 * 7),
        name="warm-up",
        default=0.0,
        doc="time within the targets before time counts",
    )
    steady: tuple[SteadySection, ...] = key(
        Seq(Section(SteadySection)), default=(), doc="channels that must be steady before time counts"
    )
    ramp_s: float = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="ramp",
        default=0.0,
        doc="duration of the ramp from the readings to the targets",
    )
    drive: DutySection | None = key(Section(DutySection), default=None, doc="drive cycle: on and off")
    load: str = key(Text(), default="", doc="load of the units in this phase, in words")
    once: bool = key(Flag(), default=False, doc="only in the first pass (a warm-up)")
    limits: dict[str, Node] = key(
        Map(Later(Section(PhaseLimitsSection)), names=_CHANNEL, word="CHANNEL"),
        default={},
        doc="limits in this phase; {unit} stands for each unit",
    )
    description: str = key(Text(), default="", doc="free text")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSection:
    """How soakrig sets a stimulus itself. With caution: it moves mains or heat while nobody is there."""

    instrument: str = key(_PHASE, doc="source that receives the command")
    command: str = key(Text(), doc="command, with {value} or {value:.1f} in place of the number")
    lowest: Amount = key(Measure(), doc="lowest value ever set")
    highest: Amount = key(
        Measure(), doc="highest value ever set; a hard-wired limit at the source must agree"
    )
    scale: float = key(Number(-1e9, 1e9), default=1.0, doc="number sent = target x scale")
    within_s: float = key(
        AmountField("s", positive=True, high=3600.0),
        name="within",
        default=60.0,
        doc="longest time until the readback shows it",
    )
    tries: int = key(
        Integer(1, 10), default=3, doc="how often the command is sent until the readback shows it"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramSection:
    """The test program: its phases, their order, how often."""

    phases: dict[str, Node] = key(
        Map(Later(Section(PhaseSection)), names=_PHASE, word="PHASE", least=1), doc="phases"
    )
    order: tuple[str, ...] = key(
        Seq(_PHASE), default=(), doc="phases of one pass, in their order; default: as they stand in the file"
    )
    passes: int = key(Integer(1, 10_000), default=1, doc="how often the order is run")
    settle_s: float = key(
        AmountField("s", low=0.0, high=3600.0),
        name="settle",
        default=10.0,
        doc="how long targets must be met to count as reached, missed to count as left",
    )
    set: dict[str, Node] = key(
        Map(Later(Section(SourceSection)), names=_CHANNEL, word="CHANNEL"),
        default={},
        doc="stimuli that soakrig sets; all others are set by hand",
    )
