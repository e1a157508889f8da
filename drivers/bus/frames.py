"""Modbus framing, RTU and TCP: pure. Bytes in, protocol data unit out.

RTU frames carry no number that ties a reply to its request, so everything that can be compared is:
device, function, byte count, checksum. TCP frames carry one; a frame with another number is an answer
that came too late, and is ignored.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, Protocol

from drivers.bus.sums import crc16_modbus
from rig.errors import ReplyError, shown

_EXCEPTION: Final = 0x80
_EXCEPTIONS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    7: "negative acknowledge",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Modbus Application Protocol V1.1b3, 7; code 7 is of older editions."""
WRITE_FUNCTIONS: Final = frozenset({5, 6})
"""Write one coil, one register: the reply repeats the five bytes of the request (V1.1b3, 6.5 and 6.6)."""
_WRITTEN_PDU: Final = 5
_HEADER_BYTES: Final = 7
_LONGEST_PDU: Final = 253


def exception_name(code: int) -> str:
    """Return an exception code in words."""
    return f"exception {code} ({_EXCEPTIONS.get(code, 'not in the standard')})"


class Frame(Protocol):
    """One request and the way to its reply."""

    @property
    def tagged(self) -> bool:
        """Whether request and reply carry a number that ties them together."""
        ...

    @property
    def extra(self) -> int:
        """Bytes of a frame beside its PDU."""
        ...

    def request(self) -> bytes:
        """Return the frame to send."""
        ...

    def take(self, received: bytes, function: int, data_bytes: int) -> tuple[bytes, int] | None:
        """Return (reply PDU, bytes used), None while more bytes are needed.

        The PDU is an exception (2 bytes), or has ``function``, the byte count ``data_bytes`` and as
        many bytes, or for a write its own form. Raises ReplyError when this cannot become such a reply.
        """
        ...


class RtuFrame:
    """Device, PDU, CRC. echo: the adapter hands the request back before the reply."""

    tagged = False
    extra = 3

    def __init__(self, *, device: int, pdu: bytes, echo: bool) -> None:
        body = bytes([device]) + pdu
        self._device = device
        self._request = body + crc16_modbus(body).to_bytes(2, "little")
        self._echo = echo

    def request(self) -> bytes:
        """Return the frame to send."""
        return self._request

    def take(self, received: bytes, function: int, data_bytes: int) -> tuple[bytes, int] | None:
        """Return (reply PDU, bytes used), None while more bytes are needed."""
        begin = 0
        if self._echo:
            begin = len(self._request)
            if received[:begin] != self._request[: len(received)]:
                raise ReplyError(
                    f"{shown(received)} is not the echo of what was sent: check echo, and the line"
                )
        # 0 and 255 are no device's address: a transmitter that switches on leaves such bytes.
        while begin < len(received) and received[begin] in {0x00, 0xFF}:
            begin += 1
        frame = received[begin:]
        if frame and frame[0] != self._device:
            raise ReplyError(f"device {frame[0]} in {shown(received)}, expected device {self._device}")
        length = _pdu_length(frame[1:], function, data_bytes, received)
        if length is None or len(frame) < length + self.extra:
            return None
        body, crc = frame[: 1 + length], frame[1 + length : length + self.extra]
        expected = crc16_modbus(body).to_bytes(2, "little")
        if crc != expected:
            raise ReplyError(
                f"checksum {crc.hex(' ')} in {shown(received)}, but its bytes give "
                f"{expected.hex(' ')}; noise?"
            )
        return body[1:], begin + length + self.extra


class TcpFrame:
    """Transaction number, 0, length, device, PDU."""

    tagged = True
    extra = _HEADER_BYTES

    def __init__(self, *, device: int, pdu: bytes, echo: bool) -> None:
        if echo:
            raise ValueError("echo: a TCP connection repeats nothing; write framing: rtu, or no echo")
        self._device = device
        self._pdu = pdu
        self._transaction = 0

    def request(self) -> bytes:
        """Return the frame to send, with the next transaction number of this process."""
        self._transaction = _next_transaction()
        head = self._transaction.to_bytes(2, "big") + b"\0\0" + (1 + len(self._pdu)).to_bytes(2, "big")
        return head + bytes([self._device]) + self._pdu

    def take(self, received: bytes, function: int, data_bytes: int) -> tuple[bytes, int] | None:
        """Return (reply PDU, bytes used), None while more bytes are needed."""
        begin = 0
        while len(received) - begin >= _HEADER_BYTES:
            head = received[begin : begin + _HEADER_BYTES]
            length = int.from_bytes(head[4:6], "big")
            if head[2:4] != b"\0\0" or not 2 <= length <= 1 + _LONGEST_PDU:
                raise ReplyError(f"{shown(received)} is not a Modbus TCP frame; check port and framing")
            end = begin + _HEADER_BYTES + length - 1
            if len(received) < end:
                return None
            if int.from_bytes(head[0:2], "big") == self._transaction:
                return self._checked(received[begin:end], function, data_bytes), end
            begin = end
        return None

    def _checked(self, frame: bytes, function: int, data_bytes: int) -> bytes:
        if frame[6] != self._device:
            raise ReplyError(f"device {frame[6]} in {shown(frame)}, expected device {self._device}")
        pdu = frame[_HEADER_BYTES:]
        if _pdu_length(pdu, function, data_bytes, frame) != len(pdu):
            raise ReplyError(f"{len(pdu)} bytes after the header of {shown(frame)}, header length wrong")
        return pdu


def _pdu_length(pdu: bytes, function: int, data_bytes: int, received: bytes) -> int | None:
    """Return how long the reply's PDU must be, None while unknown. Raises ReplyError."""
    if not pdu:
        return None
    if pdu[0] == function | _EXCEPTION:
        return 2
    if pdu[0] != function:
        raise ReplyError(f"function {pdu[0]} in {shown(received)}, expected function {function}")
    if function in WRITE_FUNCTIONS:
        return _WRITTEN_PDU
    if len(pdu) < 2:
        return None
    if pdu[1] != data_bytes:
        raise ReplyError(f"{pdu[1]} data bytes in {shown(received)}, expected {data_bytes}")
    return 2 + data_bytes


FRAMINGS: Final[Mapping[str, Callable[..., Frame]]] = {"rtu": RtuFrame, "tcp": TcpFrame}


class _Counter:
    """Transaction numbers: one sequence for all devices behind a gateway, so that none repeats soon."""

    value = 0


def _next_transaction() -> int:
    _Counter.value = (_Counter.value + 1) & 0xFFFF
    return _Counter.value
