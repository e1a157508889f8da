"""Text of ``soakrig check``: the rig file as understood, and the result of probing the instruments."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from rig.domain.doubtful_signals import doubtful_signals
from rig.domain.formatting import counted, duration, figure, plain, size
from rig.domain.model import Channel, Limit, Side, Status
from rig.domain.uncertainty import MeasurementModel
from rig.domain.unseen_states import unseen_states
from rig.render import program_text
from rig.render.text_layout import table, terminal_width, titled, wrapped
from rig.rigfile.buses_section import Instrument
from rig.rigfile.config import Bus, RigConfig

_FULL_FROM = 110
"""Width from which the channels' table has all columns."""


class ProbedValue(Protocol):
    """Probed value of one channel."""

    @property
    def channel(self) -> str:
        """Name of the channel."""
        ...

    @property
    def value(self) -> float:
        """The number; NaN where the status carries none."""
        ...

    @property
    def unit_of_measure(self) -> str:
        """Unit of the value."""
        ...

    @property
    def status(self) -> Status:
        """Status of the value."""
        ...


class ProbedInstrument(Protocol):
    """Result of probing one instrument."""

    @property
    def name(self) -> str:
        """The instrument."""
        ...

    @property
    def bus(self) -> str:
        """Its bus."""
        ...

    @property
    def identity(self) -> str:
        """Its identity as reported."""
        ...

    @property
    def error(self) -> str:
        """Error text, '' without an error."""
        ...

    @property
    def took_s(self) -> float:
        """Length of one poll."""
        ...

    @property
    def channels(self) -> Sequence[ProbedValue]:
        """One value of each of its channels."""
        ...

    @property
    def good(self) -> bool:
        """Whether it answered with a good value on every channel."""
        ...


class Probed(Protocol):
    """Result of probing the rig; sizes in bytes."""

    @property
    def instruments(self) -> Sequence[ProbedInstrument]:
        """Every instrument of the rig."""
        ...

    @property
    def runs_path(self) -> Path:
        """Folder of recordings."""
        ...

    @property
    def disk_free_bytes(self) -> int:
        """Free space there."""
        ...

    @property
    def disk_needed_bytes(self) -> int:
        """Needed for the planned time."""
        ...

    @property
    def disk_error(self) -> str:
        """Why the disk cannot be used, '' if it can."""
        ...

    @property
    def synchronised(self) -> bool:
        """Whether the wall clock is synchronised."""
        ...

    @property
    def notes(self) -> Sequence[str]:
        """Settings of the computer that may cost readings."""
        ...

    @property
    def good(self) -> bool:
        """Whether the rig is ready."""
        ...


def rig_file(config: RigConfig, width: int | None = None) -> str:
    """Return the rig file as understood: buses and their load, instruments, channels, limits.

    width: in columns; None: that of the terminal.
    """
    width = width or terminal_width()
    layout = config.layout
    channels = list(layout.channels.values())
    derived = sum(1 for channel in channels if channel.formula is not None)
    rate = sum(
        len([c for c in channels if c.source and c.source.instrument == one.name]) / one.poll_s
        for one in config.instruments.values()
    )
    units, instruments = counted(len(layout.units), "unit"), counted(len(config.instruments), "instrument")
    what = (
        f"{units}, {counted(len(channels), 'channel')} ({derived} derived), {instruments} on "
        f"{counted(len(config.buses), 'bus', 'buses')}, {figure(rate, 3)} measured "
        f"{'reading' if rate == 1 else 'readings'} a second"
    )
    where = (
        f"runs in {config.runs}; planned {duration(config.planned_s)}; "
        f"readings on disk within {duration(config.sync_s)}"
    )
    lines = [
        f"{plain(config.rig)}: file valid (instruments not checked)",
        *wrapped(what, width),
        *wrapped(where, width),
    ]
    lines += titled("Buses", width) + table(_bus_rows(config), width, frozenset({3, 4}))
    lines += titled("Instruments", width) + table(_instrument_rows(config), width, frozenset({3, 4}))
    lines += titled("Channels and limits (s: stimulus, r: response)", width)
    lines += table(_channel_rows(channels, full=width >= _FULL_FROM), width)
    lines += program_text.lines(config, width)
    lines += _states(config, width)
    lines += _remarks(channels, width)
    return "\n".join(lines)


def _bus_rows(config: RigConfig) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("bus", "connection", "settings", "instruments", "busy")]
    for name, bus in config.buses.items():
        mine = [one for one in config.instruments.values() if one.bus == name]
        rows.append((name, _connection(bus), _settings(bus), str(len(mine)), f"{_load(bus, mine):.0%}"))
    return rows


def _connection(bus: Bus) -> str:
    return bus.serial or bus.tcp or bus.visa or ""


def _settings(bus: Bus) -> str:
    if bus.baud is None:
        return ""
    return f"{bus.baud} {bus.data_bits}{bus.parity[0].upper()}{bus.stop_bits:g}"


def _load(bus: Bus, instruments: Sequence[Instrument]) -> float:
    """Return the share of the time that the polls of these instruments occupy the bus."""
    return sum(one.talk_s(bus) / one.poll_s for one in instruments)


def _instrument_rows(config: RigConfig) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("instrument", "bus", "driver", "poll", "timeout", "channels")]
    for name, one in config.instruments.items():
        used = [c.name for c in config.layout.channels.values() if c.source and c.source.instrument == name]
        offered = sum(len(block.fields) for block in one.blocks)
        words = f"{len(used)} of {counted(offered, 'field')}"
        rows.append((name, one.bus, one.driver, duration(one.poll_s), duration(one.timeout_s), words))
    return rows


def _channel_rows(channels: Sequence[Channel], *, full: bool) -> list[tuple[str, ...]]:
    """Return the rows of the channels; without deadbands and delays unless ``full``."""
    rows: list[tuple[str, ...]] = [("channel", "unit", "", "low", "high", "deadband, delay", "from")]
    for channel in channels:
        low = next((limit for limit in channel.limits if limit.side is Side.LOW), None)
        high = next((limit for limit in channel.limits if limit.side is Side.HIGH), None)
        rows.append(
            (
                channel.name,
                channel.unit_of_measure,
                channel.kind.value[0],
                _limit(low),
                _limit(high),
                _behaviour(channel.limits),
                _origin(channel),
            )
        )
    return rows if full else [(*row[:5], row[6]) for row in rows]


def _limit(limit: Limit | None) -> str:
    if limit is None:
        return "-"
    early = f" (warn {figure(limit.early)})" if limit.early is not None else ""
    return f"{figure(limit.value)}{' TRIP' if limit.trip else ''}{early}"


def _behaviour(limits: Sequence[Limit]) -> str:
    each = [f"{figure(limit.deadband)}, {duration(limit.on_delay_s)}" for limit in limits]
    return " / ".join(dict.fromkeys(each))


def _origin(channel: Channel) -> str:
    if channel.source is None:
        return f"= {channel.formula}"
    convert = f", {channel.source.convert}" if channel.source.convert else ""
    return f"{channel.source.instrument}.{channel.source.field}{convert}"


def _states(config: RigConfig, width: int) -> list[str]:
    """Return which operating states of the units cannot be known, and for want of which signal."""
    found = unseen_states(config.layout)
    if not found:
        return []
    lines = titled("Operating states of the units", width)
    for one in found:
        words = [one.stands_in] if one.stands_in else []
        if one.is_blind:
            words.append("no signal is read: only swaps and notes say anything of their state")
        for lack in () if one.is_blind else one.missing:
            hides = f"{', '.join(lack.hides)} cannot be known; " if lack.hides else ""
            words.append(f"{lack.signal} is not read: {hides}{lack.text}")
        for said in words or ["all signals are read; a failure is suspected until a person notes it"]:
            lines += wrapped(f"{one.names}: {said}", width, "- ", "  ")
    for said in doubtful_signals(config.layout):
        lines += wrapped(f"look again: {said}", width, "- ", "  ")
    return lines


def _remarks(channels: Sequence[Channel], width: int) -> list[str]:
    """Return notes on settings that are valid but have a consequence the author may not know."""
    remarks = []
    free = [channel.name for channel in channels if not channel.limits]
    if free:
        remarks.append(f"without limits: {', '.join(free)}")
    limited = [c for c in channels if c.limits and c.source is not None]
    if bare := [c.name for c in limited if not MeasurementModel(c, {}).is_stated]:
        remarks.append(
            f"{counted(len(bare), 'channel')} with limits but neither resolution nor accuracy: the "
            f"post-mortem takes these readings as exact ({', '.join(bare[:6])}"
            f"{', ...' if len(bare) > 6 else ''})"
        )
    if not remarks:
        return []
    lines = titled("Notes", width)
    return lines + [text for remark in remarks for text in wrapped(remark, width, "- ", "  ")]


def probed(found: Probed, width: int | None = None) -> str:
    """Return the result of a probe: every channel's value and status, disk, clock, and the verdict.

    width: in columns; None: that of the terminal.
    """
    width = width or terminal_width()
    lines = titled("Instruments", width)
    for one in found.instruments:
        lines += _answer(one, width)
    lines += titled("Disk and clock", width)
    lines += _disk(found, width)
    if found.synchronised:
        lines.append("good  wall clock synchronised")
    else:
        words = (
            "wall clock not synchronised: the order within a boot does not depend on it, dates do; start "
            "time synchronisation"
        )
        lines += wrapped(words, width, "NOTE  ", "      ")
    for words in found.notes:
        lines += wrapped(plain(words), width, "NOTE  ", "      ")
    bad = sum(not one.good for one in found.instruments)
    verdict = "READY: every instrument online with good values, disk space sufficient"
    if not found.good:
        why = [f"{counted(bad, 'instrument')} not good"] if bad else []
        if found.disk_error or found.disk_free_bytes < found.disk_needed_bytes:
            why.append("disk not sufficient")
        verdict = f"NOT READY: {' and '.join(why)}; see BAD above"
    return "\n".join([*lines, "", verdict])


def _answer(one: ProbedInstrument, width: int) -> list[str]:
    word = "good" if one.good else "BAD "
    name = plain(f"{one.name} on {one.bus}")
    identity = f', identity "{one.identity}"' if one.identity else ""
    if one.error:
        return wrapped(f"{name}{identity}: {one.error}", width, f"{word}  ", "      ")
    lines = wrapped(f"{name}{identity}, reply in {duration(one.took_s)}", width, f"{word}  ", "      ")
    values = [
        f"{value.channel} {figure(value.value)} {value.unit_of_measure}"
        if value.status is Status.GOOD
        else f"{value.channel} {_status(value)}"
        for value in one.channels
    ]
    if values:
        lines += wrapped("; ".join(values), width, "      ", "      ")
    return lines


def _status(value: ProbedValue) -> str:
    number = f" {figure(value.value)} {value.unit_of_measure}" if value.status.has_number else ""
    return f"*** {value.status.words}{number} ***"


def _disk(found: Probed, width: int) -> list[str]:
    where = plain(str(found.runs_path))
    if found.disk_error:
        return wrapped(f"{where}: {found.disk_error}", width, "BAD   ", "      ")
    enough = found.disk_free_bytes >= found.disk_needed_bytes
    words = (
        f"{where}: {size(found.disk_free_bytes)} free, {size(found.disk_needed_bytes)} needed for the "
        "planned time"
    )
    return wrapped(words, width, "good  " if enough else "BAD   ", "      ")
