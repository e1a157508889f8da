"""One channel of a rig file: from its section to a ``Channel``, with every contradiction found.

Limits come out in the channel's unit of measure; deadband, accuracy, resolution and offset are
differences (K for temperatures).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.domain import conversions as convert
from rig.domain import formula
from rig.domain.formatting import setting
from rig.domain.model import Calibration, Channel, ChannelKind, ChannelSource, Limit, Side
from rig.domain.units import Amount, UnitError, difference, difference_unit, unit_of_measure
from rig.errors import shown
from rig.rigfile.node import NodePlace, near
from rig.rigfile.schema import take_keys
from rig.rigfile.sections import BoundSection, CalibrationSection, ChannelSection


@dataclass(frozen=True, slots=True, kw_only=True)
class Readable:
    """What a channel can be read from: an instrument's poll period and the fields of each exchange.

    blocks None: the instrument is there but faulty, so nothing is known of its fields.
    """

    poll_s: float
    blocks: tuple[tuple[str, ...], ...] | None


def channel(
    name: str, unit: str | None, place: NodePlace, instruments: Mapping[str, Readable] | None
) -> Channel | None:
    """Return the channel that stands at ``place``, or None after adding its faults there.

    instruments: what can be read, by instrument; None where the rig file has no readable instruments.
    """
    before = len(place.faults)
    taken = take_keys(ChannelSection, place.node, place.faults, place.path)
    if len(place.faults) > before:
        # Where the channel comes from can still be judged; its limits would only be guessed at.
        section = ChannelSection(**{"unit": "degC", **taken})
        _source(section, place, instruments)
        _formula(section, place)
        return None
    section = ChannelSection(**taken)
    source = _source(section, place, instruments)
    limits = _limits(section, place)
    built = Channel(
        name=name,
        unit_of_measure=section.unit,
        unit=unit,
        kind=ChannelKind(section.kind)
        if section.kind
        else (ChannelKind.RESPONSE if unit else ChannelKind.STIMULUS),
        source=source,
        formula=_formula(section, place),
        limits=limits,
        lag_s=section.lag_s,
        lag_tolerance_s=_lag_tolerance(section, place),
        averaging_s=section.averaging_s,
        resolution=_step(section, place, "resolution", section.resolution),
        accuracy=_constant_error(section, place),
        accuracy_share=section.accuracy.share if section.accuracy else 0.0,
        plausible=_plausible(section, place, limits),
        silence_s=section.silence_s,
        calibration=_calibration(section, place),
        follows=section.follows,
        description=section.description,
    )
    return built if len(place.faults) == before else None


def limits_at(place: NodePlace) -> tuple[Limit, ...] | None:
    """Return the limits of the channel that stands at ``place``, or None after adding its faults there."""
    before = len(place.faults)
    taken = take_keys(ChannelSection, place.node, place.faults, place.path)
    if len(place.faults) > before:
        return None
    section = ChannelSection(**taken)
    limits = _limits(section, place)
    _plausible(section, place, limits)
    return limits if len(place.faults) == before else None


def _source(
    section: ChannelSection, place: NodePlace, instruments: Mapping[str, Readable] | None
) -> ChannelSource | None:
    if section.from_ is None:
        if section.formula is None:
            place.say("from", "the channel has no source", "write from: INSTRUMENT.FIELD, or a formula")
        for key, value in (("convert", section.convert), ("cold-junction", section.cold_junction)):
            if value is not None:
                place.say(key, "a formula has no sensor", "leave it out, or write from: INSTRUMENT.FIELD")
        return None
    if section.formula is not None:
        place.say("formula", "the channel has a source and a formula", "keep one of from and formula")
    instrument, _, field = section.from_.partition(".")
    if not instrument or not field:
        place.say("from", f"found {shown(section.from_)}", "write INSTRUMENT.FIELD")
    elif instruments is not None and "{" not in section.from_:
        # A word that nothing stands for has been reported already.
        _check_field(section, place, instrument, field, instruments)
    if section.convert is not None:
        _check_curve(section, place)
    elif section.cold_junction is not None:
        place.say("cold-junction", "a cold junction without a thermocouple", "write convert: thermocouple K")
    return ChannelSource(
        instrument=instrument, field=field, convert=section.convert, cold_junction=section.cold_junction
    )


def _check_field(
    section: ChannelSection,
    place: NodePlace,
    instrument: str,
    field: str,
    instruments: Mapping[str, Readable],
) -> None:
    readable = instruments.get(instrument)
    if readable is None:
        place.say("from", f"there is no instrument {instrument!r}", near(instrument, instruments))
        return
    if section.silence_s <= readable.poll_s:
        polled = f"{instrument} is polled every {setting(readable.poll_s, 's')}"
        found = f"silence of {setting(section.silence_s, 's')}, but {polled}"
        place.say("silence", found, "write more than one poll, or every poll ends in an alarm")
    if readable.blocks is None:
        return
    block = next((fields for fields in readable.blocks if field in fields), None)
    if block is None:
        fields = [one for fields in readable.blocks for one in fields]
        place.say("from", f"{instrument} reads no field {field!r}", near(field, fields))
    elif section.convert and section.cold_junction and section.cold_junction not in block:
        found = f"{section.cold_junction!r} does not come in the same reply as {field!r}"
        place.say("cold-junction", found, near(section.cold_junction, block))


def _check_curve(section: ChannelSection, place: NodePlace) -> None:
    name = section.convert or ""
    if name not in convert.NAMES:
        place.say("convert", f"found {shown(name)}", near(name, convert.NAMES))
        return
    if section.unit != "degC":
        place.say("unit", f"{name} gives degC, found {section.unit!r}", "write degC")
    if convert.needs_cold_junction(name) and section.cold_junction is None:
        allowed = "write cold-junction: FIELD, the field of the same reply with its temperature"
        place.say("convert", "a thermocouple's emf needs the temperature of its cold junction", allowed)
    if not convert.needs_cold_junction(name) and section.cold_junction is not None:
        place.say("cold-junction", f"{name} has no cold junction", "leave it out")


def _formula(section: ChannelSection, place: NodePlace) -> str | None:
    if section.formula is None:
        return None
    if section.calibration is not None:
        place.say("calibration", "a formula cannot be calibrated", "calibrate the channels that it uses")
    try:
        return formula.Formula(section.formula).text
    except formula.FormulaError as error:
        place.say("formula", error.found, error.allowed)
        return None


def _limits(section: ChannelSection, place: NodePlace) -> tuple[Limit, ...]:
    written = (("low", section.low, section.early_low), ("high", section.high, section.early_high))
    limits = []
    for side, bound, early in written:
        if bound is None:
            if early is not None:
                place.say(f"early-{side}", f"a warning without {side} limit", f"write {side}: too")
            continue
        limits.append(_limit(section, place, Side(side), bound, early))
    if not limits:
        strays = {"deadband": section.deadband, "on-delay": section.on_delay_s, "trip": section.trip}
        for key, value in strays.items():
            if value is not None:
                place.say(key, f"{key} without a limit", "write high: or low: too, or leave it out")
        if section.limits is None:
            place.say("limits", "the channel has no limit", "write high: or low:, or limits: none")
    elif section.limits is not None:
        place.say("limits", "limits: none beside a limit", "leave out one of the two")
    good = tuple(one for one in limits if one is not None)
    if len(good) == 2:
        _check_band(place, *good)
    return good


def _limit(
    section: ChannelSection,
    place: NodePlace,
    side: Side,
    written: Amount | BoundSection,
    early: Amount | None,
) -> Limit | None:
    block = isinstance(written, BoundSection)
    bound = written if isinstance(written, BoundSection) else BoundSection(value=written)
    early_key = f"{side}.early" if bound.early is not None else f"early-{side}"
    if bound.early is not None and early is not None:
        place.say(f"early-{side}", "the warning is written twice", f"keep {side}.early or this")
    value = _value(section, place, f"{side}.value" if block else side.value, bound.value)
    warning = _value(section, place, early_key, bound.early or early)
    deadband_key = f"{side}.deadband" if bound.deadband is not None else "deadband"
    deadband = _step(section, place, deadband_key, bound.deadband or section.deadband)
    if value is None:
        return None
    if warning is not None and (warning >= value if side is Side.HIGH else warning <= value):
        beyond = "below" if side is Side.HIGH else "above"
        found = f"warning {setting(warning, section.unit)}, limit {setting(value, section.unit)}"
        place.say(early_key, found, f"write a warning {beyond} the {side} limit")
    delays = (bound.on_delay_s, section.on_delay_s, 0.0)
    trips = (bound.trip, section.trip, False)
    return Limit(
        side=side,
        value=value,
        early=warning,
        deadband=deadband,
        on_delay_s=next(one for one in delays if one is not None),
        trip=next(one for one in trips if one is not None),
    )


def _check_band(place: NodePlace, low: Limit, high: Limit) -> None:
    if low.value >= high.value:
        found = f"the low limit {setting(low.value)} is not below the high limit {setting(high.value)}"
        place.say("low", found, "write low below high")
        return
    band, deadband = high.value - low.value, max(low.deadband, high.deadband)
    if deadband >= band:
        found = f"a deadband of {setting(deadband)}, but only {setting(band)} from low to high"
        place.say("deadband", found, "write a narrower deadband, or the channel never returns to normal")
    if low.early is not None and high.early is not None and low.early >= high.early:
        found = f"early-low {setting(low.early)} is not below early-high {setting(high.early)}"
        place.say("early-low", found, "write early-low below early-high")


def _plausible(
    section: ChannelSection, place: NodePlace, limits: tuple[Limit, ...]
) -> tuple[float, float] | None:
    if section.plausible is None:
        return None
    low = _value(section, place, "plausible", section.plausible[0])
    high = _value(section, place, "plausible", section.plausible[1])
    if low is None or high is None:
        return None
    if low >= high:
        place.say("plausible", f"found {setting(low)} to {setting(high)}", "write the lower value first")
        return None
    for limit in limits:
        if not low <= limit.value <= high:
            found = (
                f"the {limit.side} limit {setting(limit.value)} is outside the plausible range, "
                f"{setting(low)} to "
                f"{setting(high)}"
            )
            place.say("plausible", found, "write a wider range, or no plausible value exceeds the limit")
    return low, high


def _calibration(section: ChannelSection, place: NodePlace) -> Calibration:
    written = section.calibration or CalibrationSection()
    if written.gain == 0.0:
        place.say("calibration.gain", "found 0", "write a factor other than 0")
    offset = _difference(section, place, "calibration.offset", written.offset)
    return Calibration(
        gain=written.gain,
        offset=offset,
        due=written.due,
        uncertainty=_step(section, place, "calibration.uncertainty", written.uncertainty),
        certificate=written.certificate,
    )


def _constant_error(section: ChannelSection, place: NodePlace) -> float:
    """Return what the accuracy is made of beside a share of the reading, in the channel's unit."""
    written = section.accuracy
    if written is None:
        return 0.0
    total = 0.0
    for factor, one in written.amounts:
        percent = one.unit.kind == unit_of_measure("%").kind and one.unit.symbol == "%"
        if percent and unit_of_measure(section.unit).kind != one.unit.kind:
            place.say("accuracy", f"{one.text!r} does not say of what", f"write {one.text} of reading")
            return 0.0
        total += float(factor) * _step(section, place, "accuracy", one)
    return total


def _lag_tolerance(section: ChannelSection, place: NodePlace) -> float:
    written = section.lag_tolerance
    if written is None:
        return 0.0
    try:
        share = written.unit.kind == unit_of_measure("%").kind
        tolerance = written.to("1") * section.lag_s if share else written.to("s")
    except UnitError as error:
        place.say(
            "lag-tolerance", error.found, "write a time such as 1 s, or a share of the lag such as 10 %"
        )
        return 0.0
    if section.lag_s == 0.0:
        place.say("lag-tolerance", "a tolerance of a lag that is not written", "write lag: too")
    elif not 0.0 <= tolerance <= section.lag_s:
        place.say("lag-tolerance", f"found {written.text}", "write no less than 0 and no more than the lag")
    return tolerance


def _value(section: ChannelSection, place: NodePlace, key: str, written: Amount | None) -> float | None:
    if written is None:
        return None
    try:
        return written.to(section.unit)
    except UnitError as error:
        place.say(key, error.found, error.allowed)
        return None


def _difference(section: ChannelSection, place: NodePlace, key: str, written: Amount | None) -> float:
    if written is None:
        return 0.0
    try:
        return difference(written, section.unit)
    except UnitError as error:
        place.say(key, error.found, error.allowed)
        return 0.0


def _step(section: ChannelSection, place: NodePlace, key: str, written: Amount | None) -> float:
    step = _difference(section, place, key, written)
    if step < 0.0 and written is not None:
        place.say(key, f"found {written.text}", f"write 0 {difference_unit(section.unit)} or more")
    return step
