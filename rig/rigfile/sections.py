"""The sections of a rig file as they are written: which keys there are and what may stand at them.

Nothing here knows how sections depend on each other; ``rig.rigfile.config`` puts them together. Limits,
deadbands and the like stay amounts with their unit of measure until the channel's own unit is known.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from rig.domain.model import ChannelKind
from rig.domain.units import Amount
from rig.rigfile.account_section import AccountSection
from rig.rigfile.alerts_section import Alerts
from rig.rigfile.field_types import Accuracy, LargestError, Later
from rig.rigfile.preflight_section import PreflightSection
from rig.rigfile.program_section import ProgramSection
from rig.rigfile.schema import (
    AmountField,
    Checked,
    Choice,
    Day,
    Flag,
    Integer,
    Map,
    Measure,
    Name,
    Node,
    Number,
    OneOf,
    Section,
    Seq,
    Text,
    UnitSymbol,
    key,
)
from rig.rigfile.signals_section import SignalsSection
from rig.rigfile.switch_off_section import SwitchOffSection

_WORD = Name(hyphens=True)


def _endpoint(text: str) -> str:
    match = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):([1-9][0-9]{0,4})", text)
    if match is None or int(match[2]) > 65535:
        raise ValueError("not a host and a port from 1 to 65535")
    return text


def _resource(text: str) -> str:
    if re.fullmatch(r"(?i:TCPIP|USB|GPIB|VXI|PXI)[0-9]*::[^\s]+|(?i:ASRL)[^\s]+", text) is None:
        raise ValueError("not the name of a VISA resource")
    return text


def _device(text: str) -> str:
    if not text.startswith("/") or "\0" in text:
        raise ValueError("not an absolute path of a device")
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """One physical connection. Exactly one of ``serial``, ``tcp`` and ``visa`` is set.

    serial: device path; tcp: ``HOST:PORT``; visa: resource name. baud: bits per second, None where
    there is no serial line. stop_bits: 1, 1.5 or 2. settle_s: wait between opening and the first request.
    """

    serial: str | None = key(
        Checked(Text(), _device, "a path such as /dev/serial/by-id/usb-example-if00"),
        default=None,
        doc="serial port; prefer its name below /dev/serial/by-id or by-path, which survives replugging",
    )
    tcp: str | None = key(
        Checked(Text(), _endpoint, 'a host and a port such as "192.168.7.20:5025"'),
        default=None,
        doc="TCP socket as HOST:PORT",
    )
    visa: str | None = key(
        Checked(Text(), _resource, 'a resource name such as "TCPIP::192.168.7.31::hislip0::INSTR"'),
        default=None,
        doc="VISA resource name",
    )
    baud: int | None = key(
        Integer(50, 4_000_000), default=None, doc="bits per second; required for a serial port"
    )
    parity: str = key(
        Choice("none", "even", "odd", "mark", "space"), default="none", doc="parity bit of a serial port"
    )
    data_bits: int = key(Integer(5, 8), default=8, doc="data bits of a serial port")
    stop_bits: float = key(
        Checked(Choice("1", "1.5", "2"), float, "1, 1.5 or 2"), default=1.0, doc="stop bits of a serial port"
    )
    settle_s: float = key(
        AmountField("s", low=0.0, high=60.0),
        name="settle",
        default=0.0,
        doc="wait between opening the bus and the first request",
    )
    unstable_name_ok: bool = key(
        Flag(), default=False, doc="accept /dev/ttyUSB0 and the like, whose number may change at every plug"
    )
    name: str = ""

    @property
    def device(self) -> str | None:
        """Path of the serial port, also when it is named by a VISA resource (``ASRL/dev/...``)."""
        if self.visa is not None and self.visa[:4].upper() == "ASRL":
            return re.sub(r"(?i)::INSTR$", "", self.visa[4:])
        return self.serial

    @property
    def endpoint(self) -> tuple[str, int] | None:
        """Host and port of a TCP socket, also when it is named by a VISA resource (``...::SOCKET``)."""
        if self.visa is not None:
            match = re.fullmatch(r"(?i)TCPIP[0-9]*::(.+)::([0-9]{1,5})::SOCKET", self.visa)
            return (match[1].strip("[]"), int(match[2])) if match else None
        if self.tcp is None:
            return None
        host, _, port = self.tcp.rpartition(":")
        return host.strip("[]"), int(port)

    @property
    def byte_s(self) -> float:
        """Seconds that one byte occupies the line; 0 where there is no serial line."""
        if self.device is None or self.baud is None:
            return 0.0
        return (1 + self.data_bits + (self.parity != "none") + self.stop_bits) / self.baud


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSection:
    """What can be said of every instrument; the other keys belong to its driver."""

    bus: str = key(_WORD, doc="name of the bus it is connected to")
    driver: str = key(Text(), doc="kind of instrument: a driver's name, or the dotted path of a module")
    poll_s: float = key(AmountField("s", low=0.01, high=86_400.0), name="poll", doc="time between two polls")
    fast_poll_s: float | None = key(
        AmountField("s", low=0.01, high=86_400.0),
        name="fast-poll",
        default=None,
        doc="time between two polls while a channel of one of its units is near or out of a limit",
    )
    timeout_s: float = key(
        AmountField("s", low=0.001, high=600.0), name="timeout", default=1.0, doc="longest wait for a reply"
    )
    reply_s: float = key(
        AmountField("s", low=0.0, high=600.0),
        name="reply-time",
        default=0.0,
        doc="how long it takes to begin a reply; counts for whether the polls fit on the bus",
    )
    baud: int | None = key(
        Integer(50, 4_000_000), default=None, doc="bits per second it is set to; must be its bus's"
    )
    description: str = key(Text(), default="", doc="free text")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundSection:
    """One bound of a channel written as a block."""

    value: Amount = key(Measure(), doc="limit; beyond it the channel is out")
    early: Amount | None = key(Measure(), default=None, doc="warning, inside the limit")
    deadband: Amount | None = key(
        Measure(),
        default=None,
        doc="how far inside the limit a reading must be to count as returned to normal",
    )
    on_delay_s: float | None = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="on-delay",
        default=None,
        doc="how long it must stay out before the excursion counts",
    )
    trip: bool | None = key(Flag(), default=None, doc="switch the unit off when this excursion counts")


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSection:
    """True value = gain x reading + offset."""

    gain: float = key(Number(-1e6, 1e6), default=1.0, doc="factor on the reading")
    offset: Amount | None = key(Measure(), default=None, doc="added after the factor")
    due: date | None = key(Day(), default=None, doc="day on which the calibration runs out")
    uncertainty: Amount | None = key(
        Measure(), default=None, doc="standard uncertainty (k = 1) of the corrected value"
    )
    certificate: str = key(
        Text(), default="", doc="number of the certificate; channels of one certificate share its error"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSection:
    """A channel: source, limits, sensor."""

    from_: str | None = key(Text(), default=None, doc="INSTRUMENT.FIELD that it is read from")
    formula: str | None = key(Text(), default=None, doc="formula over other channels, instead of from")
    unit: str = key(UnitSymbol(), doc="unit of measure; 1 for a plain number")
    kind: str | None = key(
        Choice(*(one.value for one in ChannelKind)),
        default=None,
        doc="stimulus (applied by the rig) or response (of the unit); default: response for units, "
        "stimulus for the room's",
    )
    convert: str | None = key(Text(), default=None, doc="sensor curve applied to the reading, to degC")
    cold_junction: str | None = key(
        Text(), default=None, doc="field of the same reply with the cold junction's temperature in degC"
    )
    limits: str | None = key(Choice("none"), default=None, doc="none: a channel without any limit")
    high: Amount | BoundSection | None = key(
        OneOf(Measure(), Section(BoundSection)), default=None, doc="high limit: an amount, or a block"
    )
    low: Amount | BoundSection | None = key(
        OneOf(Measure(), Section(BoundSection)), default=None, doc="low limit: an amount, or a block"
    )
    early_high: Amount | None = key(Measure(), default=None, doc="warning below the high limit")
    early_low: Amount | None = key(Measure(), default=None, doc="warning above the low limit")
    deadband: Amount | None = key(Measure(), default=None, doc="deadband of both limits")
    on_delay_s: float | None = key(
        AmountField("s", low=0.0, high=86_400.0), name="on-delay", default=None, doc="on-delay of both limits"
    )
    trip: bool | None = key(Flag(), default=None, doc="trip of both limits")
    lag_s: float = key(
        AmountField("s", low=0.0, high=86_400.0), name="lag", default=0.0, doc="time constant of the sensor"
    )
    lag_tolerance: Amount | None = key(
        Measure(), default=None, doc="uncertainty of the lag, + and -; a time, or a share in %"
    )
    averaging_s: float = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="averaging",
        default=0.0,
        doc="window over which the instrument averages before it replies",
    )
    resolution: Amount | None = key(Measure(), default=None, doc="step of the displayed value")
    accuracy: Accuracy | None = key(
        LargestError(), default=None, doc="largest error of the sensor, + and -, cold junction apart"
    )
    plausible: tuple[Amount, Amount] | None = key(
        Seq(Measure(), least=2, most=2),
        default=None,
        doc="[lowest, highest] value that is physically possible",
    )
    silence_s: float = key(
        AmountField("s", positive=True, high=86_400.0),
        name="silence",
        default=60.0,
        doc="longest time without a valid reading before that is an alarm",
    )
    calibration: CalibrationSection | None = key(
        Section(CalibrationSection), default=None, doc="correction of the reading, and its due day"
    )
    follows: tuple[str, ...] = key(
        Seq(Text()),
        default=(),
        doc="channels that this one physically follows (a heatsink follows the drive)",
    )
    description: str = key(Text(), default="", doc="free text")


@dataclass(frozen=True, slots=True, kw_only=True)
class TemplateSection:
    """What several units have in common; {unit} and the names under ``with`` are filled in by each."""

    channels: dict[str, Node] = key(
        Map(Later(Section(ChannelSection)), word="CHANNEL"), doc="channels of each unit made from it"
    )
    signals: Node | None = key(
        Later(Section(SignalsSection)),
        default=None,
        doc="channels that show what state each unit is in",
    )
    switch_off: Node | None = key(
        Later(Section(SwitchOffSection)),
        default=None,
        doc="switching off each unit on a trip limit (no protection)",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSection:
    """A unit under test."""

    serial: str = key(
        Text(empty=True), doc="serial number; one number stands in one place; '' for an empty place"
    )
    revision: dict[str, str] = key(
        Map(Text(), word="KEY"), default={}, doc="design revision, such as bom and firmware; keys are free"
    )
    load: str = key(Text(), doc="its load, in words")
    template: str | None = key(Name(hyphens=True), default=None, doc="template that its channels come from")
    with_: dict[str, str] = key(
        Map(Text(), word="WORD"), default={}, doc="what stands for {WORD} in its channels"
    )
    channels: dict[str, Node] = key(
        Map(Later(Section(ChannelSection)), word="CHANNEL"),
        default={},
        doc="its own channels; keys given here replace those of the template's channel of the same name",
    )
    signals: Node | None = key(
        Later(Section(SignalsSection)),
        default=None,
        doc="channels that show its state; keys given here replace the template's",
    )
    switch_off: Node | None = key(
        Later(Section(SwitchOffSection)),
        default=None,
        doc="switching off on a trip limit, in place of the template's (no protection)",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RigSection:
    """A whole rig file."""

    rig: str = key(_WORD, doc="name of the rig")
    runs: str = key(Text(), doc="folder of the recordings, from the folder of this file")
    planned_s: float = key(
        AmountField("s", positive=True, high=10 * 366 * 86_400.0),
        name="planned",
        doc="planned duration of a run",
    )
    sync_s: float = key(
        AmountField("s", low=0.02, high=1.0),
        name="sync",
        default=1.0,
        doc="longest time that readings wait for the disk",
    )
    shared: Node | None = key(
        Later(), default=None, doc="anything: a place for YAML anchors that other parts use"
    )
    buses: dict[str, Node] = key(
        Map(Later(Section(Bus)), names=_WORD, word="BUS", least=1), doc="connections"
    )
    instruments: dict[str, Node] = key(
        Map(Later(Section(InstrumentSection)), names=_WORD, word="INSTRUMENT", least=1), doc="instruments"
    )
    templates: dict[str, Node] = key(
        Map(Later(Section(TemplateSection)), names=_WORD, word="TEMPLATE"),
        default={},
        doc="templates of units",
    )
    units: dict[str, Node] = key(
        Map(Later(Section(UnitSection)), word="UNIT"), default={}, doc="units under test"
    )
    channels: dict[str, Node] = key(
        Map(Later(Section(ChannelSection)), word="CHANNEL"), default={}, doc="the room's own channels"
    )
    alerts: Alerts | None = key(Section(Alerts), default=None, doc="notifiers and what they send")
    program: Node | None = key(
        Later(Section(ProgramSection)),
        default=None,
        doc="test program; without it limits are always in force",
    )
    preflight: PreflightSection | None = key(
        Section(PreflightSection), default=None, doc="checks of the rig before the run"
    )
    account: AccountSection | None = key(
        Section(AccountSection), default=None, doc="what a run is accounted for, and the pass criteria"
    )
