"""One thread per bus: wait for the next deadline, ask, stamp, hand over. Nothing here waits for a disk."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from drivers import Driver, Exchange, Reply
from drivers.bus.exchange import Counts
from rig.clock import Clock
from rig.daemon.instrument_commands import CommandQueue, InstrumentCommand
from rig.daemon.intake import Intake, Notice
from rig.domain.model import EventKind, Scan, Status
from rig.domain.reply_mapping import Route, failed, measure
from rig.domain.schedule import Backoff, Cadence, Lateness
from rig.errors import BusError, DeadlineError, InstrumentError, ReplyError

LOST_AFTER = 2
"""Failed polls in a row until an instrument counts as lost; a single one shows in the statuses."""
REPORTS_AT_ONCE = 20
"""Most entries read from an instrument's error queue in one go."""
TOLD_NS = 60_000_000_000
"""How long what goes on repeating itself is counted before it is told again."""
OPEN_S = 10.0
"""Longest time to open a connection, beside the bus's own settling time."""
GRACE_S = 2.0
"""How far past its own deadline a call may be before the bus is given up as stuck."""


class StampedReply(Protocol):
    """A reply and the interval in which its values were taken (boot ns)."""

    @property
    def reply(self) -> Reply:
        """What was said."""
        ...

    @property
    def sent_ns(self) -> int:
        """Start of the interval."""
        ...

    @property
    def received_ns(self) -> int:
        """End of the interval."""
        ...


class Wire(Protocol):
    """The open or closed connection of one bus (drivers.bus gives it)."""

    @property
    def counts(self) -> Counts:
        """What it has seen since it was made."""
        ...

    def open(self) -> None:
        """Open; raises BusError."""
        ...

    def exchange(self, exchange: Exchange, timeout_s: float, quiet_s: float) -> StampedReply:
        """Carry out one exchange within its deadline; raises BusError."""
        ...

    def close(self) -> None:
        """Close; never raises."""
        ...

    def abandon(self) -> None:
        """Let the port go while its owner is stuck; from any thread."""
        ...


@dataclass(slots=True, kw_only=True)
class PolledInstrument:
    """One instrument on a bus: its driver, its cadence, its state of health."""

    name: str
    driver: Driver
    blocks: Sequence[tuple[int, Sequence[Route]]]
    """Per exchange of the driver's ``polls``: index in the session's block table, and the routes."""
    poll_s: float
    timeout_s: float
    cadence: Cadence
    backoff: Backoff
    fast_poll_s: float | None = None
    ready: bool = False
    lost: bool = False
    failures: int = 0
    missed: int = 0
    told_missed_ns: int = -TOLD_NS
    lateness: Lateness = field(default_factory=Lateness)
    answered_ns: int = 0

    @property
    def listening(self) -> bool:
        """Whether the instrument sends by itself and is only listened to."""
        return all(exchange.request_bytes == 0 for exchange in self.driver.polls)


class FastPollRequests:
    """Which instruments are to be polled as fast as their bus allows, and until when.

    The only word that goes from the recorder back to the pollers; reading it costs a dict look-up.
    """

    def __init__(self) -> None:
        self._until: dict[str, int] = {}

    def ask(self, instrument: str, until_ns: int) -> None:
        """Ask for fast polls until the monotonic time ``until_ns``."""
        self._until[instrument] = until_ns

    def wanted(self, instrument: str, now_ns: int) -> bool:
        """Return whether fast polls are wanted now."""
        return self._until.get(instrument, 0) > now_ns


class Poller(threading.Thread):
    """Polls all instruments of one bus until told to stop.

    ``deadline_ns`` is the monotonic time by which the call now under way must have ended (0: none is);
    the supervisor reads it to find a stuck bus. An ``abandoned`` poller hands over nothing any more.
    """

    def __init__(
        self,
        *,
        bus: str,
        wire: Wire,
        stations: Sequence[PolledInstrument],
        intake: Intake,
        clock: Clock,
        haste: FastPollRequests | None = None,
        settle_s: float = 0.0,
        errands: CommandQueue | None = None,
    ) -> None:
        super().__init__(name=f"bus {bus}", daemon=True)
        self.bus = bus
        self.stations = stations
        self.deadline_ns = 0
        self.doing = ""
        self.abandoned = False
        self.failure: BaseException | None = None
        self._wire = wire
        self._intake = intake
        self._clock = clock
        self._haste = haste or FastPollRequests()
        self._errands = errands or CommandQueue()
        self._settle_s = settle_s
        self._stopping = threading.Event()
        self._open = False
        self._bus_backoff = Backoff(first_s=1.0)
        self._worked_since_opening = False
        self._reopenings = 0
        self._told_reopenings_ns: int | None = None

    @property
    def counts(self) -> Counts:
        """What the bus has seen since this thread has it: openings, failures, bytes that nobody asked for."""
        return self._wire.counts

    def stop(self) -> None:
        """Ask the thread to end after the exchange under way."""
        self._stopping.set()
        self._errands.wake()

    def give_up(self) -> None:
        """Let the bus go while this thread is stuck, so that another can take its place."""
        self.abandoned = True
        self.stop()
        self._wire.abandon()

    def run(self) -> None:
        """Poll until stopped. An unexpected exception ends the thread and is kept in ``failure``."""
        try:
            while not self._stopping.is_set():
                self._turn()
        except BaseException as error:  # kept for the supervisor, which reports it
            self.failure = error
        finally:
            self._wire.close()

    def _turn(self) -> None:
        errand = self._errands.take()
        if errand is not None:
            self._carry_out(errand)
            return
        if self._stopping.is_set():
            return
        station = min(self.stations, key=lambda one: one.cadence.due_ns)
        wait_ns = station.cadence.due_ns - self._clock.monotonic_ns()
        if wait_ns > 0 and self._errands.wait(wait_ns / 1e9):
            return
        began_ns = self._clock.monotonic_ns()
        if station.ready and not station.listening:  # an introduction takes its time, once
            station.lateness.note(began_ns - station.cadence.due_ns)
        self._attend(station)
        self._plan(station)

    def _plan(self, station: PolledInstrument) -> None:
        now_ns = self._clock.monotonic_ns()
        if station.lost or not self._open:
            return  # _failed has set the next try
        if station.listening:
            station.cadence.due_ns = now_ns  # it talks when it likes; be there
            return
        fast = station.fast_poll_s is not None and self._haste.wanted(station.name, now_ns)
        period_s = station.fast_poll_s if fast and station.fast_poll_s is not None else station.poll_s
        station.cadence.change(round(period_s * 1e9), now_ns)
        missed = station.cadence.advance(now_ns)
        if missed and not fast:
            self._missed(station, missed, now_ns)

    def _missed(self, station: PolledInstrument, missed: int, now_ns: int) -> None:
        """Say once a minute, not each time, that polls were passed over."""
        station.missed += missed
        if now_ns - station.told_missed_ns < TOLD_NS:
            return
        station.told_missed_ns = now_ns
        self._say(
            EventKind.GAP,
            station.name,
            f"{station.missed} polls of {station.name} passed over: the bus was busy or late",
            {"cause": "late", "polls": station.missed},
        )
        station.missed = 0

    def _attend(self, station: PolledInstrument) -> None:
        """One visit to an instrument: open and introduce if need be, then poll all its blocks."""
        try:
            self._ensure_open()
            if not station.ready:
                self._introduce(station)
        except BusError as error:
            self._failed(station, error)
            self._hand_over_failure(station, range(len(station.blocks)), error)
            return
        polls = station.driver.polls
        for at, exchange in enumerate(polls):
            if self._stopping.is_set():
                return
            try:
                answer = self._ask(station, exchange)
            except BusError as error:
                self._failed(station, error)
                whole = isinstance(error, DeadlineError) or not self._open
                self._hand_over_failure(station, range(at, len(polls)) if whole else (at,), error)
                if whole:
                    return
                self._read_reports(station)
            else:
                block, routes = station.blocks[at]
                values, statuses = measure(routes, answer.reply.values, answer.reply.statuses)
                self._hand_over(station, block, answer, values, statuses)
                if at == len(polls) - 1:
                    self._worked(station)

    def _carry_out(self, errand: InstrumentCommand) -> None:
        """Do what somebody wants done with an instrument, and say how it went."""
        station = next(one for one in self.stations if one.name == errand.instrument)
        trouble = "the thread of the bus ended"
        try:
            self._ensure_open()
            if not station.ready:
                self._introduce(station)
            for exchange in errand.exchanges:
                self._ask(station, exchange)
            trouble = "; ".join(self._read_reports(station))
        except BusError as error:
            trouble = str(error)
            self._failed(station, error)
        finally:
            errand.done(trouble, self._clock.boot_ns())

    def _ask(self, station: PolledInstrument, exchange: Exchange) -> StampedReply:
        """Ask; where a connection that had worked turns out to be gone, open it anew and ask again, once.

        Many an instrument closes a connection that was idle for a while, or loses its power for a moment:
        neither need cost a reading.
        """
        try:
            return self._exchange(station, exchange)
        except BusError as error:
            connected = isinstance(error, DeadlineError | ReplyError | InstrumentError)
            if connected or not self._worked_since_opening or self._stopping.is_set():
                raise
            self._close()
            self._reopenings += 1
            self._tell_reopenings(error)
            self._ensure_open()
            self._introduce(station)
            return self._exchange(station, exchange)

    def _tell_reopenings(self, error: BusError) -> None:
        """Say at once, but then once a minute only, that the connection was lost and opened anew."""
        now_ns = self._clock.monotonic_ns()
        if self._told_reopenings_ns is not None and now_ns - self._told_reopenings_ns < TOLD_NS:
            return
        self._told_reopenings_ns = now_ns
        self._say(
            EventKind.INSTRUMENT_REPORT,
            self.bus,
            f"{self.bus}: connection lost, opened anew at once ({self._reopenings} times since): {error}",
            {"cause": str(error), "error": type(error).__name__, "times": self._reopenings},
        )
        self._reopenings = 0

    def _ensure_open(self) -> None:
        if self._open:
            return
        self._watch("open", OPEN_S + self._settle_s)
        try:
            self._wire.open()
        finally:
            self._watch("", 0.0)
        self._open = True
        self._worked_since_opening = False
        self._bus_backoff.worked()

    def _introduce(self, station: PolledInstrument) -> None:
        """Identity and set-up commands: after each opening, before the first poll."""
        drained = False
        for exchange in station.driver.opening:
            if exchange.reply_bytes == 0 and not drained:
                # what it complained of before we came is evidence; set-up begins by clearing it
                self._read_reports(station)
                drained = True
            self._exchange(station, exchange)
        self._read_reports(station)
        station.ready = True
        # the introduction took its time: polls due meanwhile were not passed over, they begin now
        station.cadence.due_ns = self._clock.monotonic_ns()

    def _exchange(self, station: PolledInstrument, exchange: Exchange) -> StampedReply:
        # after a slower neighbour failed, the line is kept quiet for as long as that one may still reply
        slowest_s = max(one.timeout_s for one in self.stations)
        self._watch(f"{station.name}: {exchange.label}", 3 * slowest_s)
        try:
            return self._wire.exchange(exchange, station.timeout_s, station.driver.quiet_s)
        finally:
            self._watch("", 0.0)

    def _watch(self, doing: str, allowed_s: float) -> None:
        self.doing = doing
        self.deadline_ns = self._clock.monotonic_ns() + round((allowed_s + GRACE_S) * 1e9) if doing else 0

    def _read_reports(self, station: PolledInstrument) -> list[str]:
        """Drain the instrument's own error queue into events, bounded; return what it said."""
        report = station.driver.report
        entries: list[str] = []
        if report is None or not self._open:
            return entries
        for _ in range(REPORTS_AT_ONCE):
            try:
                entry = self._exchange(station, report).reply.text
            except BusError as error:
                self._failed(station, error)
                return [*entries, str(error)]
            if not entry:
                return entries
            entries.append(entry)
            self._say(
                EventKind.INSTRUMENT_REPORT, station.name, f"{station.name} reports {entry}", {"entry": entry}
            )
        return entries

    def _failed(self, station: PolledInstrument, error: BusError) -> None:
        """Note a failed exchange: reopen what has to be, wait longer each time, say so once."""
        station.failures += 1
        if not isinstance(error, DeadlineError | ReplyError | InstrumentError):
            self._close()
        if not self._open:
            wait_s = self._bus_backoff.failed()
        elif station.failures < LOST_AFTER:
            return
        else:
            wait_s = station.backoff.failed()
            station.ready = False  # it may have been switched off and on: introduce it again
        if not station.lost:
            station.lost = True
            self._say(
                EventKind.INSTRUMENT_LOST,
                station.name,
                f"{station.name} on {self.bus} does not answer: {error}",
                {"cause": str(error), "error": type(error).__name__, "bus": self.bus},
            )
        station.cadence.due_ns = self._clock.monotonic_ns() + round(max(wait_s, station.poll_s) * 1e9)

    def _close(self) -> None:
        self._wire.close()
        self._open = False
        for station in self.stations:
            station.ready = False

    def _worked(self, station: PolledInstrument) -> None:
        station.answered_ns = self._clock.boot_ns()
        self._worked_since_opening = True
        if station.lost:
            self._say(
                EventKind.INSTRUMENT_BACK,
                station.name,
                f"{station.name} on {self.bus} answers again after {station.failures} failed tries",
                {"failures": station.failures, "bus": self.bus},
            )
            station.lost = False
            station.cadence.due_ns = self._clock.monotonic_ns()
        station.failures = 0
        station.backoff.worked()

    def _hand_over(
        self,
        station: PolledInstrument,
        block: int,
        answer: StampedReply,
        values: tuple[float, ...],
        statuses: bytes,
    ) -> None:
        if not self.abandoned:
            scan = Scan(
                block=block,
                sent_ns=answer.sent_ns,
                received_ns=answer.received_ns,
                values=values,
                statuses=statuses,
            )
            self._intake.scan(scan, station.name)

    def _hand_over_failure(self, station: PolledInstrument, which: Sequence[int], error: BusError) -> None:
        """Record that a reading was due and why there is none."""
        if self.abandoned:
            return
        now_ns = self._clock.boot_ns()
        status = failure_status(error)
        for at in which:
            block, routes = station.blocks[at]
            values, statuses = failed(routes, status)
            self._intake.scan(
                Scan(block=block, sent_ns=now_ns, received_ns=now_ns, values=values, statuses=statuses),
                station.name,
            )

    def _say(self, kind: EventKind, subject: str, text: str, data: dict[str, object]) -> None:
        if not self.abandoned:
            self._intake.notice(
                Notice(kind=kind, boot_ns=self._clock.boot_ns(), subject=subject, text=text, data=data)
            )


def failure_status(error: BusError) -> Status:
    """Return the status that says why an exchange gave no reading."""
    if isinstance(error, ReplyError):
        return Status.BAD_REPLY
    return Status.REFUSED if isinstance(error, InstrumentError) else Status.NO_REPLY
