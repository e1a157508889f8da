"""A driver of one's own, as an example: a box that counts pulses and answers in six bytes.

Its manual (an invented one) says: the request is the byte 05. The answer is 02, the count in four bytes,
most significant first, and the sum of those four bytes, cut to eight bits. A count of FFFFFFFF means that
the input is open. There is no identity and no error queue.

Try it:  PYTHONPATH=configs soakrig check configs/lab/tally.yaml --no-probe
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers import Exchange, Reply
from drivers.bus.sums import sum8
from rig.domain.model import Status
from rig.errors import ReplyError, shown
from rig.rigfile.schema import Name, Number, key

OPEN_INPUT = 0xFFFFFFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the rig file may say under an instrument with ``driver: lab.tally``."""

    field: str = key(Name(), doc="name of the value", example="speed")
    scale: float = key(Number(), default=1.0, doc="value = scale x count")


class Driver:
    """The box: one question a poll, nothing to do after opening, no error queue."""

    quiet_s = 0.0
    opening: Sequence[Exchange] = ()
    report: Exchange | None = None

    def __init__(self, options: Options) -> None:
        """Make the exchange. Raises ValueError for options that make no sense together."""
        if options.scale == 0:
            raise ValueError("scale: 0 would make every count the same; write another number")
        self.polls: Sequence[Exchange] = (Count(options),)


class Count:
    """The question for the count. It holds no port and knows no time: bytes out, bytes in."""

    label = "count"
    request_bytes = 1
    reply_bytes = 6

    def __init__(self, options: Options) -> None:
        self.fields = (options.field,)
        self._scale = options.scale

    def request(self) -> bytes:
        """Return the bytes to send."""
        return b"\x05"

    def parse(self, received: bytes) -> Reply | None:
        """Return the count, None while bytes are missing. Raises ReplyError for what is no answer."""
        if received[:1] not in {b"", b"\x02"}:
            raise ReplyError(f"{shown(received)} does not begin with 02; somebody else's answer, or noise")
        if len(received) < self.reply_bytes:
            return None
        body, given = received[1:5], received[5]
        if sum8(body) != given:
            raise ReplyError(
                f"{shown(received[:6])}: the sum is {given:02X}, its bytes give {sum8(body):02X}"
            )
        count = int.from_bytes(body, "big")
        if count == OPEN_INPUT:
            return Reply(values=(float("nan"),), statuses=(Status.NO_VALUE,), used=self.reply_bytes)
        return Reply(values=(self._scale * count,), statuses=(Status.GOOD,), used=self.reply_bytes)
