"""The shell around the drivers: send, stamp, keep the deadline, resynchronise.

This is the one boundary where anything that a library or the operating system raises becomes one of
soakrig's own errors, and the one place that knows whether a late answer could still be under way.

Rules kept here:

* one overall deadline per exchange, on the monotonic clock: a reply that dribbles does not extend it;
* stamps are taken around the transfer, before any parsing;
* after a failure the link is *dirty*: before the next question the transport makes sure that no answer
  to an earlier one can come any more, waiting as long again as the instrument had been given to reply;
* what arrives before a question is thrown away and counted, and the line must then be quiet for a
  moment; what follows a reply makes the reply doubtful (which of the two answers the question?), so
  neither is taken;
* one thread owns a link; a second one gets an exception, never an answer.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from drivers import Exchange, Reply
from drivers.bus.transport import GAP_NS, NS_PER_S, Transport
from rig.clock import SYSTEM, Clock
from rig.domain.formatting import setting
from rig.domain.model import Status
from rig.errors import BusError, BusInUseError, DeadlineError, InstrumentError, ReplyError, shown

_SILENT_CHARACTERS = 3.5
_SMALLEST_CAP = 4096
_UNSOLICITED_CAP = 1_000_000
_HARMLESS = b"\x00\xff\r\n\t "
"""Line noise when a transmitter switches off, and what is left of a longer terminator."""


class Answer(NamedTuple):
    """A reply, and the interval (CLOCK_BOOTTIME ns) in which its values were taken."""

    reply: Reply
    sent_ns: int
    received_ns: int


@dataclass(slots=True)
class Counts:
    """Counts of a link since it was made. ``discarded``: unsolicited bytes."""

    opened: int = 0
    exchanges: int = 0
    failures: int = 0
    resyncs: int = 0
    discarded: int = 0


class Link:
    """One bus: at most one exchange at a time, owned by the thread that opened it.

    settle_s: how long after opening whatever arrives is ignored (an adapter that resets its device).
    """

    def __init__(self, transport: Transport, *, settle_s: float = 0.0, clock: Clock = SYSTEM) -> None:
        self.counts = Counts()
        self._transport = transport
        self._settle_s = settle_s
        self._clock = clock
        self._owner: int | None = None
        self._lost = False
        self._failed_ns: int | None = None
        self._window_s = 0.0
        self._misses = 0
        self._last_byte_ns = 0
        self._heard = bytearray()
        self._mark_ns: int | None = None
        self._looked_ns = 0
        self._abandoned = False

    @property
    def name(self) -> str:
        """How messages call this link."""
        return self._transport.name

    def open(self) -> None:
        """Open the transport; the calling thread owns the link from now on. Raises BusError."""
        if self._owner is not None:
            self._check_owner()
        self._owner = threading.get_ident()
        self._open()

    def close(self) -> None:
        """Close the transport; never raises for what the transport does. Opening again is possible."""
        if self._owner is None:
            return
        self._check_owner()
        self._owner = None
        self._close_transport()

    def abandon(self) -> None:
        """Let the port go while its owner hangs; from any thread. What the owner does later fails."""
        self._abandoned = True
        self._transport.abandon()

    def exchange(self, exchange: Exchange, timeout_s: float, quiet_s: float = 0.0) -> Answer:
        """Return the answer to one question, within ``timeout_s`` of asking.

        quiet_s: silence the protocol demands before a request; on a slow line it grows to 3.5
        characters. An exchange without request listens for the next thing that the instrument says.
        Before the question a dirty link is made clean, which may take another ``timeout_s``.

        Raises DeadlineError (nothing whole came in time), ReplyError (something else came),
        InstrumentError (refused), BusError (the connection itself failed; it is closed then).
        """
        self._check_owner()
        self._check_abandoned()
        self.counts.exchanges += 1
        try:
            with self._boundary(exchange.label):
                if self._lost:
                    self._open()
                if exchange.request_bytes == 0:
                    answer = self._listen(exchange, timeout_s)
                else:
                    self._clean(timeout_s)
                    answer = self._ask(exchange, timeout_s, quiet_s)
        except InstrumentError:
            self._misses = 0
            self.counts.failures += 1
            raise
        except DeadlineError:
            self.counts.failures += 1
            self._misses += 1
            if exchange.request_bytes and (self._misses > 1 or not _tagged(exchange)):
                self._soil(timeout_s)
            raise
        except ReplyError:
            self.counts.failures += 1
            if exchange.request_bytes:
                self._soil(timeout_s)
            raise
        except BusError:
            self.counts.failures += 1
            self._close_transport()
            self._lost = True
            raise
        self._misses = 0
        return answer

    def _ask(self, exchange: Exchange, timeout_s: float, quiet_s: float) -> Answer:
        self._discard_unsolicited(timeout_s)
        self._keep_silence(quiet_s)
        request = exchange.request()
        self._check_abandoned()
        deadline_ns = self._clock.monotonic_ns() + round(timeout_s * NS_PER_S)
        sent_ns = self._clock.boot_ns()
        try:
            self._transport.send(request, deadline_ns)
        except DeadlineError:
            self._lost = True  # half a request may be in the buffers: only a new opening gets rid of it
            self._close_transport()
            raise
        self._last_byte_ns = self._clock.monotonic_ns()
        if exchange.reply_bytes == 0:
            return Answer(Reply(used=0), sent_ns, self._clock.boot_ns())
        received = bytearray()
        while True:
            data = self._transport.receive(deadline_ns)
            received_ns = self._clock.boot_ns()
            now_ns = self._clock.monotonic_ns()
            if data:
                self._last_byte_ns = now_ns
                received += data
                reply = _parsed(exchange, bytes(received))
                if reply is not None:
                    self._check_rest(received, reply.used)
                    return Answer(reply, sent_ns, received_ns)
                self._check_size(received, exchange)
            if not data or now_ns >= deadline_ns:
                raise _late(timeout_s, bytes(received), exchange)

    def _listen(self, exchange: Exchange, timeout_s: float) -> Answer:
        """Return the newest whole line of an instrument that sends by itself.

        The first line after opening only marks a beginning: it may be the second half of one. The
        interval of a line begins when the one before it had arrived. Bytes that were waiting when we
        came arrived at any time since the last look, so the interval is as wide as that; so it is where
        several lines came at once although we waited for them, for then we were woken late.
        """
        deadline_ns = self._clock.monotonic_ns() + round(timeout_s * NS_PER_S)
        began_ns = self._clock.boot_ns()
        # what lay behind a line that was none
        answer = self._take_lines(exchange, self._looked_ns, began_ns)
        while True:
            look_ns = self._clock.boot_ns()
            data = self._transport.receive(0)
            waited = not data
            if waited:
                self._looked_ns = look_ns
                if answer is not None:
                    return answer
                data = self._transport.receive(deadline_ns)
            latest_ns = self._clock.boot_ns()
            arrived_ns = latest_ns if waited else self._looked_ns
            self._heard += data
            answer = self._take_lines(exchange, arrived_ns, latest_ns) or answer
            self._looked_ns = latest_ns
            self._check_size(self._heard, exchange)
            if answer is None and self._clock.monotonic_ns() >= deadline_ns:
                if self._mark_ns is not None:
                    self._mark_ns = max(self._mark_ns, began_ns)
                raise _late(timeout_s, bytes(self._heard), exchange)

    def _take_lines(self, exchange: Exchange, arrived_ns: int, latest_ns: int) -> Answer | None:
        """Return the newest whole line of what was heard.

        arrived_ns: when the first of the lines came, or since when it may have been there; the others
        may have been there since the last look.
        """
        answer = None
        mark_ns = self._mark_ns
        while True:
            try:
                reply = _parsed(exchange, bytes(self._heard))
            except (ReplyError, InstrumentError) as error:
                used = error.used if isinstance(error, ReplyError) else 0
                if not used:  # no telling where the next line begins
                    self._heard.clear()
                    self._mark_ns = None
                    raise
                del self._heard[:used]
                self._mark_ns = arrived_ns
                if mark_ns is not None:
                    raise
            else:
                if reply is None:
                    return answer
                del self._heard[: reply.used]
                self._mark_ns = arrived_ns
                if mark_ns is not None:
                    answer = Answer(reply, mark_ns, latest_ns)
            mark_ns = arrived_ns = self._looked_ns

    def _open(self) -> None:
        self._lost = False
        self._heard.clear()
        self._mark_ns = None
        with self._boundary("opening"):
            try:
                self._transport.open()
                self.counts.opened += 1
                self._looked_ns = self._clock.boot_ns()
                if self._settle_s > 0.0:
                    self._settle()
            except BaseException:
                self._close_transport()
                self._lost = True
                raise
        # A reply to the previous user of the line may be under way.
        self._failed_ns = None
        self._soil(0.0)
        self._misses = 0

    def _settle(self) -> None:
        until_ns = self._clock.monotonic_ns() + round(self._settle_s * NS_PER_S)
        while self._clock.monotonic_ns() < until_ns:
            self.counts.discarded += len(self._transport.receive(until_ns))

    def _soil(self, window_s: float) -> None:
        """Note that an answer may come until ``window_s`` from now; 0: as long as the next asker waits."""
        pending = self._failed_ns is not None and self._window_s > window_s
        self._failed_ns = self._clock.monotonic_ns()
        self._window_s = self._window_s if pending else window_s

    def _clean(self, timeout_s: float) -> None:
        """Make sure that no answer to an earlier question can arrive, if that is in doubt.

        How long one can still come depends on the instrument that failed, not on the one asked next.
        """
        if self._failed_ns is None:
            return
        window_ns = round((self._window_s or timeout_s) * NS_PER_S)
        quiet_until_ns = self._failed_ns + window_ns
        give_up_ns = max(quiet_until_ns, self._clock.monotonic_ns()) + window_ns
        self.counts.resyncs += 1
        self.counts.discarded += self._transport.resync(quiet_until_ns, give_up_ns)
        self._failed_ns = None
        self._misses = 0

    def _discard_unsolicited(self, timeout_s: float) -> None:
        """Throw away what nobody asked for.

        If that was more than line noise, the line must be quiet for a moment before the question: from
        an instrument that goes on talking, the next line would be taken for the answer.
        """
        count = 0
        words = False
        while data := self._transport.drain():
            count += self._unsolicited(data)
            words = words or bool(data.strip(_HARMLESS))
            if count > _UNSOLICITED_CAP:
                raise BusError(f"more than {_UNSOLICITED_CAP} unsolicited bytes: {shown(data)}")
        give_up_ns = self._clock.monotonic_ns() + round(timeout_s * NS_PER_S)
        while words and (data := self._transport.receive(self._clock.monotonic_ns() + GAP_NS)):
            count += self._unsolicited(data)
            if self._clock.monotonic_ns() >= give_up_ns:
                raise BusError(
                    f"never quiet: {count} unsolicited bytes, the last {shown(data)}; "
                    "is it set to send by itself, or is a second program asking?"
                )

    def _unsolicited(self, data: bytes) -> int:
        self._last_byte_ns = self._clock.monotonic_ns()
        self.counts.discarded += len(data)
        return len(data)

    def _keep_silence(self, quiet_s: float) -> None:
        if quiet_s <= 0.0:
            return
        needed_s = max(quiet_s, _SILENT_CHARACTERS * self._transport.character_s)
        since_s = (self._clock.monotonic_ns() - self._last_byte_ns) / NS_PER_S
        if since_s < needed_s:
            time.sleep(needed_s - since_s)

    def _check_rest(self, received: bytearray, used: int) -> None:
        rest = bytes(received[used:])
        self.counts.discarded += len(rest)
        if rest.strip(_HARMLESS):
            raise ReplyError(
                f"a reply {shown(bytes(received[:used]))} and then {shown(rest)}: cannot tell which of the "
                "two answers the question; neither is taken"
            )

    def _check_size(self, received: bytearray, exchange: Exchange) -> None:
        cap = max(_SMALLEST_CAP, 4 * exchange.reply_bytes)
        if len(received) > cap:
            text = f"{len(received)} bytes and no end of a reply, beginning {shown(bytes(received[:80]))}"
            received.clear()
            self._mark_ns = None
            raise ReplyError(f"{text}; expected {exchange.reply_bytes} or so: check terminator and baud rate")

    def _check_owner(self) -> None:
        if self._owner is None:
            raise BusError(f"{self.name}: used while closed")
        if self._owner != threading.get_ident():
            raise RuntimeError(
                f"{self.name} belongs to thread {self._owner}; thread {threading.get_ident()} "
                "must use its owner instead: two threads would swap replies"
            )

    def _check_abandoned(self) -> None:
        if self._abandoned:
            raise BusError(f"{self.name}: abandoned while it hung; replaced by another")

    def _close_transport(self) -> None:
        with contextlib.suppress(Exception):
            self._transport.close()

    @contextlib.contextmanager
    def _boundary(self, doing: str) -> Iterator[None]:
        """Let nothing out but BusError and its kinds, each saying where and in doing what."""
        try:
            yield
        except DeadlineError as error:
            raise DeadlineError(self._placed(doing, error), received=error.received) from error
        except ReplyError as error:
            raise ReplyError(self._placed(doing, error), used=error.used) from error
        except InstrumentError as error:
            raise InstrumentError(self._placed(doing, error)) from error
        except BusInUseError as error:
            raise BusInUseError(self._placed(doing, error)) from error
        except BusError as error:
            raise BusError(self._placed(doing, error)) from error
        except Exception as error:
            raise BusError(self._placed(doing, f"{type(error).__name__}: {error}")) from error

    def _placed(self, doing: str, what: object) -> str:
        text = str(what).removeprefix(f"{self.name}: ")
        return text if text.startswith(self.name) else f"{self.name}: {doing}: {text}"


def _tagged(exchange: Exchange) -> bool:
    """Return whether the exchange knows its own reply by a number, so that a late one does no harm."""
    return bool(getattr(exchange, "tagged", False))


def _parsed(exchange: Exchange, received: bytes) -> Reply | None:
    """Return what the driver makes of the bytes; its own faults cost the reply, not the bus."""
    try:
        reply = exchange.parse(received)
    except BusError:
        raise
    except Exception as error:
        raise ReplyError(
            f"the driver failed on {shown(received)} with {type(error).__name__}: {error}; "
            "fault of the driver module"
        ) from error
    if reply is not None and not len(reply.values) == len(reply.statuses) == len(exchange.fields):
        raise ReplyError(
            f"the driver made {len(reply.values)} values and {len(reply.statuses)} statuses "
            f"of {len(exchange.fields)} fields; fault of the driver module"
        )
    if reply is not None:
        for value, status in zip(reply.values, reply.statuses, strict=True):
            if not isinstance(status, Status) or not isinstance(value, float | int):
                raise ReplyError(
                    f"the driver made {value!r} with status {status!r} of {shown(received)}, expected a "
                    "number and a Status; fault of the driver module"
                )
    return reply


def _late(timeout_s: float, received: bytes, exchange: Exchange) -> DeadlineError:
    if received:
        what = (
            f"no whole reply within {setting(timeout_s, 's')}, only {len(received)} bytes {shown(received)}"
        )
        advice = "check terminator and baud rate, and whether the timeout is long enough"
    else:
        what = f"no reply within {setting(timeout_s, 's')}, not a single byte"
        advice = "is it on and connected, at this address, baud rate and terminator?"
    return DeadlineError(
        f"{what} (expected {exchange.reply_bytes or 'some'} bytes); {advice}", received=received
    )
