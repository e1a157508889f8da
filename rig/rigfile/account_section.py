"""The section ``account`` of a rig file: what may be written there, and what it means for these channels."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from rig.domain.accounting import COLD_HALF_C, Accounting, LevelPlan, PartPlan, Pass, StagePlan, WindingPlan
from rig.domain.formatting import setting
from rig.domain.model import Channel
from rig.domain.units import Amount, UnitError, difference, unit_of_measure
from rig.rigfile.node import NodePlace, entries, near
from rig.rigfile.schema import (
    AmountField,
    Choice,
    Flag,
    Integer,
    Map,
    Measure,
    Name,
    Number,
    Section,
    Seq,
    Text,
    key,
)

_CHANNEL = Text()
_UNIT = "{unit}"
METALS = {"copper": 234.5, "aluminium": 225.0}
"""Where the resistance would be zero, in degC below zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSection:
    """When a channel counts as on."""

    channel: str = key(_CHANNEL, doc="channel; {unit} stands for each unit")
    on_above: Amount = key(Measure(), doc="it is on once it is above this")
    off_below: Amount = key(Measure(), doc="and until it falls below this")


@dataclass(frozen=True, slots=True, kw_only=True)
class TripSection:
    """What counts as a protection trip."""

    least_s: float = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="least",
        default=0.0,
        doc="how long driven time without output must last; at least two polls, whatever is written",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSection:
    """A part with the corner of its data sheet."""

    rating_w: float = key(
        AmountField("W", positive=True), name="rating", doc="what it may dissipate when cool"
    )
    rated_c: float = key(AmountField("degC"), name="rated-at", doc="temperature up to which that holds")
    zero_c: float = key(AmountField("degC"), name="zero-at", doc="temperature at which nothing is allowed")
    power: str = key(_CHANNEL, doc="channel in W that it dissipates (a formula such as V**2/R)")
    temperature: str = key(_CHANNEL, doc="channel in degC of the place that the rating refers to")
    factor: float = key(
        Number(1.0, 100.0), default=2.0, doc="rule of the trade: rating over dissipation; 1: no such rule"
    )

    def __post_init__(self) -> None:
        if self.rated_c >= self.zero_c:
            raise ValueError(
                f"rated-at {setting(self.rated_c, 'degC')} is not below zero-at "
                f"{setting(self.zero_c, 'degC')}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class StageSection:
    """A stage of the way that heat takes."""

    hot: str = key(_CHANNEL, doc="channel in degC at its hot end")
    cold: str = key(_CHANNEL, doc="channel in degC at its cold end")
    power: str = key(_CHANNEL, doc="channel in W that goes through it")
    window_s: float = key(
        AmountField("s", low=1.0, high=86_400.0),
        name="window",
        default=600.0,
        doc="readings are averaged over windows so long; longer than the drive's duty cycle",
    )
    steady_k_per_h: float = key(
        AmountField("K/h", positive=True),
        name="steady",
        default=1.0,
        doc="a window counts if both temperatures change more slowly than this",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingSection:
    """A winding whose resistance tells its temperature."""

    resistance: str = key(_CHANNEL, doc="channel in ohm")
    cold_ohm: float = key(AmountField("ohm", positive=True), name="cold", doc="its resistance when cold")
    cold_c: float = key(AmountField("degC"), name="cold-at", doc="temperature at that resistance")
    cold_half_c: float = key(
        AmountField("K", low=0.0),
        name="cold-accuracy",
        default=COLD_HALF_C,
        doc="how far cold-at may be off either way, such as 1 K after a night in the room",
    )
    metal: str = key(Choice(*METALS), default="copper", doc="material of the winding")


@dataclass(frozen=True, slots=True, kw_only=True)
class PassSection:
    """What a pass takes."""

    least_share: float = key(
        AmountField("1", low=0.0, high=1.0),
        default=0.99,
        doc="share of each phase's planned hours and cycles that must be shown, such as 99 %",
    )
    unlogged: float = key(
        AmountField("1", low=0.0, high=1.0),
        default=0.02,
        doc="largest share of a unit's time without readings",
    )
    trips: int = key(Integer(0, 1_000_000), default=0, doc="protection trips that are allowed")
    guard: float = key(
        Number(0.0, 10.0), default=0.0, doc="guard band inside limits, in standard uncertainties; 0: none"
    )
    trade_rule: bool = key(Flag(), default=True, doc="parts must keep the rule of the trade as well")


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountSection:
    """What a run is accounted for, beside the phases of its program."""

    ambient: str | None = key(
        _CHANNEL, default=None, doc="channel in degC that temperature rises are taken over"
    )
    energy: str | None = key(_CHANNEL, default=None, doc="channel in W whose integral is the energy")
    output: LevelSection | None = key(
        Section(LevelSection), default=None, doc="when a unit counts as giving output"
    )
    drive: LevelSection | None = key(Section(LevelSection), default=None, doc="when a unit counts as driven")
    trip: TripSection | None = key(
        Section(TripSection), default=None, doc="count protection trips: driven, but without output"
    )
    dead_after_s: float = key(
        AmountField("s", low=1.0, high=86_400.0),
        name="dead-after",
        default=60.0,
        doc="a unit driven without output for this long, to its end, counts as failed",
    )
    bands: dict[str, tuple[Amount, ...]] = key(
        Map(Seq(Measure(), least=1), names=_CHANNEL, word="CHANNEL"),
        default={},
        doc="edges of bands, ascending: the hours in each are counted",
    )
    cycles: dict[str, Amount] = key(
        Map(Measure(), names=_CHANNEL, word="CHANNEL"),
        default={},
        doc="smallest swing that is listed: swings are counted by rainflow",
    )
    parts: dict[str, PartSection] = key(
        Map(Section(PartSection), names=Name(hyphens=True), word="PART"),
        default={},
        doc="parts whose dissipation is compared with their rating",
    )
    stages: dict[str, StageSection] = key(
        Map(Section(StageSection), names=Name(hyphens=True), word="STAGE"),
        default={},
        doc="thermal resistances to work out",
    )
    windings: dict[str, WindingSection] = key(
        Map(Section(WindingSection), names=Name(hyphens=True), word="WINDING"),
        default={},
        doc="winding temperatures to work out from resistance",
    )
    criteria: PassSection = key(Section(PassSection), default=PassSection(), doc="criteria of a pass")


class _Checker:
    """Looks up channels for every unit, and amounts in their unit of measure; adds faults at their place."""

    def __init__(
        self, place: NodePlace, channels: Mapping[str, Channel | None], units: Sequence[str]
    ) -> None:
        self.place = place
        self._channels = channels
        self._units = units

    def below(self, block: str, name: str) -> _Checker:
        """Return what looks at the entry ``name`` of a block; such a name may hold dots."""
        written = entries(self.place.node, block)[name]
        place = NodePlace(written, f"{self.place.path}.{block}.{name}", self.place.faults)
        return _Checker(place, self._channels, self._units)

    def symbol(self, at: str, channel: str) -> str | None:
        """Return the unit of measure of a channel of every unit, None after adding what is wrong."""
        if _UNIT in channel and not self._units:
            self.place.say(at, f"{channel!r}, but the rig file has no units", "name a channel of the room")
            return None
        names = [channel.replace(_UNIT, one) for one in self._units] if _UNIT in channel else [channel]
        for name in names:
            if name not in self._channels:
                self.place.say(at, f"there is no channel {name!r}", near(name, self._channels))
                return None
        symbols = {one.unit_of_measure for name in names if (one := self._channels[name]) is not None}
        if len(symbols) > 1:
            found = f"{channel!r} is in {' and in '.join(sorted(symbols))}"
            self.place.say(at, found, "the units' channels of this name must have one unit of measure")
        return next(iter(symbols)) if len(symbols) == 1 else None

    def demand(self, at: str, channel: str, wanted: str) -> None:
        """Add a fault unless the channel is there and its unit of measure converts to ``wanted``."""
        symbol = self.symbol(at, channel)
        if symbol is not None and unit_of_measure(symbol).symbol != wanted:
            self.place.say(at, f"{channel!r} is in {symbol}", f"name a channel in {wanted}")

    def value(self, at: str, amount: Amount, symbol: str | None, *, step: bool = False) -> float:
        """Return an amount in a channel's unit (step: a difference); 0 after adding a fault."""
        if symbol is None:
            return 0.0
        try:
            return difference(amount, symbol) if step else amount.to(symbol)
        except UnitError as error:
            self.place.say(at, error.found, error.allowed)
            return 0.0


def accounting(
    section: AccountSection | None,
    channels: Mapping[str, Channel | None],
    units: Sequence[str],
    place: NodePlace,
) -> Accounting | None:
    """Return what the rig file asks the account for, None where it has no such section.

    channels: all channels by name, None where one is faulty. Faults are added at ``place``.
    """
    if section is None:
        return None
    check = _Checker(place, channels, units)
    for at, name in _temperatures(section):
        check.demand(at, name, "degC")
    for at, name in _powers(section):
        check.demand(at, name, "W")
    for word, one in section.windings.items():
        check.demand(f"windings.{word}.resistance", one.resistance, "ohm")
    if section.trip is not None and (section.output is None or section.drive is None):
        place.say("trip", "trips are recognised from output and drive", "write output: and drive: too")
    return Accounting(
        ambient=section.ambient,
        energy=section.energy,
        output=_level(check, "output", section.output),
        drive=_level(check, "drive", section.drive),
        trip_least_s=None if section.trip is None else section.trip.least_s,
        dead_after_s=section.dead_after_s,
        bands={name: _edges(check, name, edges) for name, edges in section.bands.items()},
        cycles={name: _swing(check, name, one) for name, one in section.cycles.items()},
        parts={name: _part(one) for name, one in section.parts.items()},
        stages={name: _stage(one) for name, one in section.stages.items()},
        windings={name: _winding(one) for name, one in section.windings.items()},
        asked=_pass(section.criteria),
    )


def _temperatures(section: AccountSection) -> Iterator[tuple[str, str]]:
    if section.ambient is not None:
        yield "ambient", section.ambient
    for word, part in section.parts.items():
        yield f"parts.{word}.temperature", part.temperature
    for word, stage in section.stages.items():
        yield f"stages.{word}.hot", stage.hot
        yield f"stages.{word}.cold", stage.cold


def _powers(section: AccountSection) -> Iterator[tuple[str, str]]:
    if section.energy is not None:
        yield "energy", section.energy
    for word, part in section.parts.items():
        yield f"parts.{word}.power", part.power
    for word, stage in section.stages.items():
        yield f"stages.{word}.power", stage.power


def _level(check: _Checker, at: str, section: LevelSection | None) -> LevelPlan | None:
    if section is None:
        return None
    symbol = check.symbol(f"{at}.channel", section.channel)
    on = check.value(f"{at}.on-above", section.on_above, symbol)
    off = check.value(f"{at}.off-below", section.off_below, symbol)
    if off > on:
        check.place.say(
            f"{at}.off-below", f"{setting(off)} is above on-above {setting(on)}", "write it at or below that"
        )
    return LevelPlan(channel=section.channel, on_above=on, off_below=off)


def _edges(check: _Checker, channel: str, amounts: Sequence[Amount]) -> tuple[float, ...]:
    check = check.below("bands", channel)
    symbol = check.symbol("", channel)
    edges = tuple(check.value("", one, symbol) for one in amounts)
    if symbol is not None and any(b <= a for a, b in itertools.pairwise(edges)):
        check.place.say("", f"the edges of {channel!r} do not ascend", "write the lowest first")
    return edges


def _swing(check: _Checker, channel: str, amount: Amount) -> float:
    check = check.below("cycles", channel)
    least = check.value("", amount, check.symbol("", channel), step=True)
    if least < 0:
        check.place.say("", f"found {amount.text} for {channel!r}", "write 0 or more")
    return least


def _part(one: PartSection) -> PartPlan:
    return PartPlan(
        rating_w=one.rating_w, rated_c=one.rated_c, zero_c=one.zero_c, power=one.power,
        temperature=one.temperature, factor=one.factor,
    )  # fmt: skip


def _stage(one: StageSection) -> StagePlan:
    return StagePlan(
        hot=one.hot, cold=one.cold, power=one.power, window_s=one.window_s, steady_k_per_h=one.steady_k_per_h
    )


def _winding(one: WindingSection) -> WindingPlan:
    return WindingPlan(
        resistance=one.resistance, cold_ohm=one.cold_ohm, cold_c=one.cold_c, zero_c=METALS[one.metal],
        cold_half_c=one.cold_half_c,
    )  # fmt: skip


def _pass(one: PassSection) -> Pass:
    return Pass(
        least_share=one.least_share, unlogged_share=one.unlogged, trips=one.trips, guard_k=one.guard,
        trade_rule=one.trade_rule,
    )  # fmt: skip
