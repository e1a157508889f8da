"""The data model of an endurance room, as frozen values.

One word for one thing. Times are integer nanoseconds, ``*_s`` are float seconds, values are floats in
the channel's unit of measure. NaN stands only where a status says why.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from rig.domain.accounting import Accounting, LevelPlan
from rig.domain.statuses import Status as Status  # noqa: PLC0414 - part of the model, exported with it

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rig.domain.program import Program


class Side(enum.StrEnum):
    """Which bound of a limit."""

    HIGH = "high"
    LOW = "low"


class ChannelKind(enum.StrEnum):
    """What a channel is to the unit: what the rig does to it, or what it does."""

    STIMULUS = "stimulus"
    RESPONSE = "response"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One bound of a channel.

    ``value``, ``early`` (warning, None for none) and ``deadband`` are in the channel's unit of
    measure. Out is strictly beyond ``value``; back in needs ``deadband`` inside it (ISA-18.2 deadband).
    ``on_delay_s``: how long it must stay out before the excursion counts; it never moves its beginning.
    ``trip``: the unit is switched off when this excursion counts (where switching is configured).
    """

    side: Side
    value: float
    early: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 0.0
    trip: bool = False

    def is_out(self, value: float) -> bool:
        """Return whether a value lies strictly beyond the limit (NaN does not)."""
        return value > self.value if self.side is Side.HIGH else value < self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """True value = gain x reading + offset. ``due`` is the day the calibration runs out.

    uncertainty: standard uncertainty (k = 1) of the corrected value, in the channel's unit (0: not stated).
    certificate: its number; channels with the same certificate share the error.
    """

    gain: float = 1.0
    offset: float = 0.0
    due: date | None = None
    uncertainty: float = 0.0
    certificate: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSource:
    """Where a measured channel comes from: a field of an instrument, perhaps through a conversion.

    ``convert`` names a curve of ``core.convert`` (``thermocouple K``, ``pt100``...);
    ``cold_junction`` names the field of the same instrument that holds the junction's temperature.
    """

    instrument: str
    field: str
    convert: str | None = None
    cold_junction: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One measured or derived quantity.

    name: unique in the rig, ``UNIT.quantity`` for a unit's own channel.
    unit_of_measure: as written in the rig file (``degC``, ``V``).
    unit: name of the unit under test it belongs to; None for the room's channels.
    source / formula: exactly one of the two; a formula names other channels.
    lag_s, lag_tolerance_s: first-order time constant of the sensor and its +- tolerance.
    averaging_s: window the instrument averages over before it replies.
    resolution: step of the displayed value (0: none known).
    accuracy: constant part of the largest error, + and -; accuracy_share: the part that grows with the size
    of the value (0.005: 0.5 % of reading). Both 0: not stated. ``core.uncertainty`` says what they come to.
    plausible: bounds outside of which the number is SUSPECT.
    silence_s: how long without a valid reading until that is an alarm of its own.
    follows: channels it physically follows (a heatsink follows the drive and the fan).
    """

    name: str
    unit_of_measure: str
    unit: str | None
    kind: ChannelKind
    source: ChannelSource | None = None
    formula: str | None = None
    limits: tuple[Limit, ...] = ()
    lag_s: float = 0.0
    lag_tolerance_s: float = 0.0
    averaging_s: float = 0.0
    resolution: float = 0.0
    accuracy: float = 0.0
    accuracy_share: float = 0.0
    plausible: tuple[float, float] | None = None
    silence_s: float = 60.0
    calibration: Calibration = Calibration()
    follows: tuple[str, ...] = ()
    description: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signals:
    """Channels that show the operating state of a unit, each with its levels; None: not given.

    mains: voltage of its source; supply: current or power it draws; output, drive: of its signal.
    failed_after_s: driven time without output after which a failure is suspected; idle_after_s: longest
    pause of the drive that is still a burst.
    """

    mains: LevelPlan | None = None
    supply: LevelPlan | None = None
    output: LevelPlan | None = None
    drive: LevelPlan | None = None
    failed_after_s: float = 60.0
    idle_after_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit under test: its place in the rig, its serial number, its load, its channels, its signals."""

    name: str
    serial: str
    load: str
    channels: tuple[str, ...]
    signals: Signals = Signals()


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentFacts:
    """What a reader of a recording must know of an instrument."""

    name: str
    bus: str
    driver: str
    poll_s: float
    timeout_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What a recording needs to be understood: units, channels and instruments by name.

    accounting: what the rig file asks the account for, None where it asks for nothing. program: the test
    program, None where there is none.
    """

    rig: str
    units: Mapping[str, Unit]
    channels: Mapping[str, Channel]
    instruments: Mapping[str, InstrumentFacts]
    planned_s: float = 0.0
    accounting: Accounting | None = None
    program: Program | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """The readings of one exchange: they share their interval of time.

    block: index into the session's table of blocks (which channels, in which order).
    sent_ns, received_ns: CLOCK_BOOTTIME; every value was taken somewhere between the two.
    values: float64, NaN where the status carries no number; statuses: one byte a value.
    """

    block: int
    sent_ns: int
    received_ns: int
    values: tuple[float, ...]
    statuses: bytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """All readings of one channel in a stretch of time, in the order they were recorded.

    t_ns: int64 UTC ns, middle of the interval; h_ns: int64 half-width; the value was taken somewhere
    in [t-h, t+h]. value: float64 (NaN where the status has no number); status: uint8;
    session: int32. Within a session t_ns follows the boot-time clock; between sessions of different
    boots it rests on the wall clock. All arrays have the same length.
    """

    channel: str
    t_ns: NDArray[np.int64]
    h_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    status: NDArray[np.uint8]
    session: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.t_ns)


class EventKind(enum.StrEnum):
    """Kinds of recorded events."""

    SESSION_START = "session-start"
    SESSION_STOP = "session-stop"
    SESSION_BROKEN = "session-broken"
    """Written by the next session: the one before it ended without a stop (crash, power cut)."""
    LIMIT_OUT = "limit-out"
    LIMIT_IN = "limit-in"
    EARLY_OUT = "early-out"
    EARLY_IN = "early-in"
    NO_VALID = "no-valid-reading"
    VALID_AGAIN = "valid-again"
    INSTRUMENT_LOST = "instrument-lost"
    INSTRUMENT_BACK = "instrument-back"
    INSTRUMENT_REPORT = "instrument-report"
    """Entry of the instrument's own error queue."""
    BUS_STUCK = "bus-stuck"
    GAP = "gap"
    CLOCK_STEP = "clock-step"
    NOTE = "note"
    CONFIG_CHANGE = "config-change"
    STORE_FAULT = "store-fault"
    STORE_BACK = "store-back"
    STORE_LOW = "store-low"
    """Disk space is low; nothing is lost yet."""
    LOGGER_FAULT = "logger-fault"
    """A part of the logger failed and was disabled; readings and limits are recorded as before."""
    DAMAGE = "damage"
    FAST_POLL = "fast-poll"
    HEALTH = "health"
    """State of the logger, at intervals: memory, descriptors, disk, clock offset, lateness."""
    SWITCH = "switch"
    PHASE = "phase"
    UNIT = "unit"
    """A unit was put in, taken out or swapped."""
    CHECK = "check"
    """Result of a pre-flight check."""

    @property
    def words(self) -> str:
        """Words on a screen, at most 18 characters; the value is the spelling in recordings and JSON."""
        return _KIND_WORDS.get(self, self.value.replace("-", " "))


_KIND_WORDS = {
    EventKind.LIMIT_OUT: "out of limit",
    EventKind.LIMIT_IN: "returned to normal",
    EventKind.EARLY_OUT: "warning on",
    EventKind.EARLY_IN: "warning off",
    EventKind.NO_VALID: "no valid reading",
    EventKind.INSTRUMENT_LOST: "instrument offline",
    EventKind.INSTRUMENT_BACK: "instrument online",
    EventKind.BUS_STUCK: "bus hung",
    EventKind.STORE_FAULT: "disk fault",
    EventKind.STORE_BACK: "disk back",
    EventKind.STORE_LOW: "disk space low",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Recorded event.

    t_ns: UTC ns on the session's own time line (boot clock + the boot's anchor).
    seq: number of the frame in the session: readings and events share one sequence.
    subject: what it is about: a channel, unit, instrument or bus name, or ``run``.
    data: JSON values only; the keys belong to the kind.
    """

    kind: EventKind
    t_ns: int
    session: int
    seq: int
    subject: str
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)

    @property
    def brief(self) -> bool:
        """Whether it begins or ends a brief session: one that carried out an order without a logger."""
        return self.data.get("brief") is True and self.kind in {
            EventKind.SESSION_START,
            EventKind.SESSION_STOP,
        }

    @property
    def begins_recording(self) -> bool:
        """Whether it begins a recording session, which repeats the excursions that still last."""
        return self.kind is EventKind.SESSION_START and not self.brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One uninterrupted life of the daemon within a run.

    boot_id: identity of the machine's boot; sessions of one boot share a time line that cannot step.
    start_ns, end_ns: UTC ns of first and last record; clean: ended by a recorded stop.
    synchronised: whether the wall clock was known to be right when the boot's anchor was taken.
    brief: it recorded no channel and only carried out an order (a note, a swap) while no logger ran.
    """

    number: int
    boot_id: str
    start_ns: int
    end_ns: int
    clean: bool
    synchronised: bool
    software: str
    host: str
    brief: bool = False
