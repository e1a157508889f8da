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
REPORT_NS = 60_000_000_000
"""Interval between reports of a fault that repeats."""
OPEN_S = 10.0
"""Longest time to open a connection, beside the bus's own settling time."""
GRACE_S = 2.0
"""How far past its own deadline a call may be before the bus is given up as hung."""


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
        """Let the port go while its owner hangs; from any thread."""
        ...


@dataclass(slots=True, kw_only=True)
class PolledInstrument:
    """One instrument on a bus: its driver, its cadence, its state."""

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
    reported_missed_ns: int = -REPORT_NS
    lateness: Lateness = field(default_factory=Lateness)
    answered_ns: int = 0

    @property
    def listening(self) -> bool:
        """Whether the instrument sends by itself and is only listened to."""
        return all(exchange.request_bytes == 0 for exchange in self.driver.polls)


class FastPollRequests:
    """Requests for fast polls, by instrument, with the time they expire.

    The only path from the recorder back to the pollers; a look-up in a dict.
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
    """Thread that polls all instruments of one bus until stopped.

    ``deadline_ns`` is the monotonic time by which the call now under way must have ended (0: none is);
    the supervisor reads it to find a hung bus. An ``abandoned`` poller hands over nothing any more.
    """

    def __init__(
        self,
        *,
        bus: str,
        wire: Wire,
        instruments: Sequence[PolledInstrument],
        intake: Intake,
        clock: Clock,
        fast_requests: FastPollRequests | None = None,
        settle_s: float = 0.0,
        commands: CommandQueue | None = None,
    ) -> None:
        super().__init__(name=f"bus {bus}", daemon=True)
        self.bus = bus
        self.instruments = instruments
        self.deadline_ns = 0
        self.doing = ""
        self.abandoned = False
        self.failure: BaseException | None = None
        self._wire = wire
        self._intake = intake
        self._clock = clock
        self._fast_requests = fast_requests or FastPollRequests()
        self._commands = commands or CommandQueue()
        self._settle_s = settle_s
        self._stopping = threading.Event()
        self._open = False
        self._bus_backoff = Backoff(first_s=1.0)
        self._worked_since_opening = False
        self._reopenings = 0
        self._reported_reopenings_ns: int | None = None

    @property
    def counts(self) -> Counts:
        """What the bus has seen since this thread has it: openings, failures, bytes that nobody asked for."""
        return self._wire.counts

    def stop(self) -> None:
        """Ask the thread to end after the exchange under way."""
        self._stopping.set()
        self._commands.wake()

    def give_up(self) -> None:
        """Let the bus go while this thread hangs, so that another can take its place."""
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
        command = self._commands.take()
        if command is not None:
            self._carry_out(command)
            return
        if self._stopping.is_set():
            return
        instrument = min(self.instruments, key=lambda one: one.cadence.due_ns)
        wait_ns = instrument.cadence.due_ns - self._clock.monotonic_ns()
        if wait_ns > 0 and self._commands.wait(wait_ns / 1e9):
            return
        began_ns = self._clock.monotonic_ns()
        if instrument.ready and not instrument.listening:  # an introduction takes its time, once
            instrument.lateness.note(began_ns - instrument.cadence.due_ns)
        self._poll(instrument)
        self._plan(instrument)

    def _plan(self, instrument: PolledInstrument) -> None:
        now_ns = self._clock.monotonic_ns()
        if instrument.lost or not self._open:
            return  # _failed has set the next try
        if instrument.listening:
            instrument.cadence.due_ns = now_ns  # it talks when it likes; be there
            return
        fast = instrument.fast_poll_s is not None and self._fast_requests.wanted(instrument.name, now_ns)
        period_s = (
            instrument.fast_poll_s if fast and instrument.fast_poll_s is not None else instrument.poll_s
        )
        instrument.cadence.change(round(period_s * 1e9), now_ns)
        missed = instrument.cadence.advance(now_ns)
        if missed and not fast:
            self._missed(instrument, missed, now_ns)

    def _missed(self, instrument: PolledInstrument, missed: int, now_ns: int) -> None:
        """Report skipped polls once a minute."""
        instrument.missed += missed
        if now_ns - instrument.reported_missed_ns < REPORT_NS:
            return
        instrument.reported_missed_ns = now_ns
        self._say(
            EventKind.GAP,
            instrument.name,
            f"{instrument.missed} polls of {instrument.name} skipped: bus busy",
            {"cause": "late", "polls": instrument.missed},
        )
        instrument.missed = 0

    def _poll(self, instrument: PolledInstrument) -> None:
        """Poll all blocks of an instrument, after opening and setting it up if need be."""
        try:
            self._ensure_open()
            if not instrument.ready:
                self._introduce(instrument)
        except BusError as error:
            self._failed(instrument, error)
            self._hand_over_failure(instrument, range(len(instrument.blocks)), error)
            return
        polls = instrument.driver.polls
        for at, exchange in enumerate(polls):
            if self._stopping.is_set():
                return
            try:
                answer = self._ask(instrument, exchange)
            except BusError as error:
                self._failed(instrument, error)
                whole = isinstance(error, DeadlineError) or not self._open
                self._hand_over_failure(instrument, range(at, len(polls)) if whole else (at,), error)
                if whole:
                    return
                self._read_reports(instrument)
            else:
                block, routes = instrument.blocks[at]
                values, statuses = measure(routes, answer.reply.values, answer.reply.statuses)
                self._hand_over(instrument, block, answer, values, statuses)
                if at == len(polls) - 1:
                    self._worked(instrument)

    def _carry_out(self, command: InstrumentCommand) -> None:
        """Carry out an instrument command and report the result."""
        instrument = next(one for one in self.instruments if one.name == command.instrument)
        trouble = "the thread of the bus ended"
        try:
            self._ensure_open()
            if not instrument.ready:
                self._introduce(instrument)
            for exchange in command.exchanges:
                self._ask(instrument, exchange)
            trouble = "; ".join(self._read_reports(instrument))
        except BusError as error:
            trouble = str(error)
            self._failed(instrument, error)
        finally:
            command.done(trouble, self._clock.boot_ns())

    def _ask(self, instrument: PolledInstrument, exchange: Exchange) -> StampedReply:
        """Ask; where a connection that had worked turns out to be gone, open it anew and ask again, once.

        Many an instrument closes a connection that was idle for a while, or loses its power for a moment:
        neither need cost a reading.
        """
        try:
            return self._exchange(instrument, exchange)
        except BusError as error:
            connected = isinstance(error, DeadlineError | ReplyError | InstrumentError)
            if connected or not self._worked_since_opening or self._stopping.is_set():
                raise
            self._close()
            self._reopenings += 1
            self._report_reopenings(error)
            self._ensure_open()
            self._introduce(instrument)
            return self._exchange(instrument, exchange)

    def _report_reopenings(self, error: BusError) -> None:
        """Report a reopened connection at once, then at most once a minute."""
        now_ns = self._clock.monotonic_ns()
        if self._reported_reopenings_ns is not None and now_ns - self._reported_reopenings_ns < REPORT_NS:
            return
        self._reported_reopenings_ns = now_ns
        self._say(
            EventKind.INSTRUMENT_REPORT,
            self.bus,
            f"{self.bus}: connection lost and reopened ({self._reopenings} times since then): {error}",
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

    def _introduce(self, instrument: PolledInstrument) -> None:
        """Identity and set-up commands: after each opening, before the first poll."""
        drained = False
        for exchange in instrument.driver.opening:
            if exchange.reply_bytes == 0 and not drained:
                # errors queued before this session are evidence; set-up begins by clearing them
                self._read_reports(instrument)
                drained = True
            self._exchange(instrument, exchange)
        self._read_reports(instrument)
        instrument.ready = True
        # the introduction took its time: polls due meanwhile were not skipped, they begin now
        instrument.cadence.due_ns = self._clock.monotonic_ns()

    def _exchange(self, instrument: PolledInstrument, exchange: Exchange) -> StampedReply:
        # after a slower neighbour failed, the line is kept quiet for as long as that one may still reply
        slowest_s = max(one.timeout_s for one in self.instruments)
        self._watch(f"{instrument.name}: {exchange.label}", 3 * slowest_s)
        try:
            return self._wire.exchange(exchange, instrument.timeout_s, instrument.driver.quiet_s)
        finally:
            self._watch("", 0.0)

    def _watch(self, doing: str, allowed_s: float) -> None:
        self.doing = doing
        self.deadline_ns = self._clock.monotonic_ns() + round((allowed_s + GRACE_S) * 1e9) if doing else 0

    def _read_reports(self, instrument: PolledInstrument) -> list[str]:
        """Drain the instrument's own error queue into events, bounded; return the entries."""
        report = instrument.driver.report
        entries: list[str] = []
        if report is None or not self._open:
            return entries
        for _ in range(REPORTS_AT_ONCE):
            try:
                entry = self._exchange(instrument, report).reply.text
            except BusError as error:
                self._failed(instrument, error)
                return [*entries, str(error)]
            if not entry:
                return entries
            entries.append(entry)
            self._say(
                EventKind.INSTRUMENT_REPORT,
                instrument.name,
                f"{instrument.name} reports {entry}",
                {"entry": entry},
            )
        return entries

    def _failed(self, instrument: PolledInstrument, error: BusError) -> None:
        """Note a failed exchange: reopen what has to be, wait longer each time, say so once."""
        instrument.failures += 1
        if not isinstance(error, DeadlineError | ReplyError | InstrumentError):
            self._close()
        if not self._open:
            wait_s = self._bus_backoff.failed()
        elif instrument.failures < LOST_AFTER:
            return
        else:
            wait_s = instrument.backoff.failed()
            instrument.ready = False  # it may have been switched off and on: introduce it again
        if not instrument.lost:
            instrument.lost = True
            self._say(
                EventKind.INSTRUMENT_LOST,
                instrument.name,
                f"{instrument.name} on {self.bus} is offline: {error}",
                {"cause": str(error), "error": type(error).__name__, "bus": self.bus},
            )
        instrument.cadence.due_ns = self._clock.monotonic_ns() + round(max(wait_s, instrument.poll_s) * 1e9)

    def _close(self) -> None:
        self._wire.close()
        self._open = False
        for instrument in self.instruments:
            instrument.ready = False

    def _worked(self, instrument: PolledInstrument) -> None:
        instrument.answered_ns = self._clock.boot_ns()
        self._worked_since_opening = True
        if instrument.lost:
            self._say(
                EventKind.INSTRUMENT_BACK,
                instrument.name,
                f"{instrument.name} on {self.bus} is online again after {instrument.failures} failed tries",
                {"failures": instrument.failures, "bus": self.bus},
            )
            instrument.lost = False
            instrument.cadence.due_ns = self._clock.monotonic_ns()
        instrument.failures = 0
        instrument.backoff.worked()

    def _hand_over(
        self,
        instrument: PolledInstrument,
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
            self._intake.scan(scan, instrument.name)

    def _hand_over_failure(self, instrument: PolledInstrument, which: Sequence[int], error: BusError) -> None:
        """Record that a reading was due and why there is none."""
        if self.abandoned:
            return
        now_ns = self._clock.boot_ns()
        status = failure_status(error)
        for at in which:
            block, routes = instrument.blocks[at]
            values, statuses = failed(routes, status)
            self._intake.scan(
                Scan(block=block, sent_ns=now_ns, received_ns=now_ns, values=values, statuses=statuses),
                instrument.name,
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
