"""Faults on a Modbus RTU line and on Modbus TCP: frames made here, checksums by another library."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import crcmod.predefined

from rig.domain.model import EventKind, Status
from tests.faults.catalogue import provocation
from tests.faults.meter import Meter, PtyPort, TcpPort
from tests.faults.stage import Stage, end_and_judge, outage

DEVICE = 3
CRC: Callable[[bytes], int] = crcmod.predefined.mkCrcFun("modbus")
ANY = {Status.NO_REPLY, Status.BAD_REPLY, Status.REFUSED}
RTU = """\
    driver: modbus
    device: 3
    poll: 50 ms
    timeout: 100 ms
    fields: {n: {register: 0, type: uint32, order: ABCD}}"""
SILENT_ONE = """
  absent:
    bus: line
    driver: modbus
    device: 9
    poll: 50 ms
    timeout: 100 ms
    fields: {n: {register: 0, type: uint16}}"""
TCP = RTU.replace("device: 3", "device: 3\n    framing: tcp")


def rtu(pdu: bytes, device: int = DEVICE) -> bytes:
    """Return a frame of Modbus over Serial Line V1.02, 2.5.1: address, PDU, CRC low byte first."""
    body = bytes([device]) + pdu
    return body + struct.pack("<H", CRC(body))


class RtuMeter(Meter):
    """Answers reads of two registers with the next number; only requests to its own address reach it."""

    def __init__(self, port: PtyPort) -> None:
        super().__init__(port)
        self.behave = lambda meter, _request: meter.say(rtu(registers(meter)))

    def _hear(self, data: bytes) -> None:
        self._rest += data
        while len(self._rest) >= 8:
            frame, self._rest = self._rest[:8], self._rest[8:]
            self.note(frame)
            if frame[0] == DEVICE and CRC(frame) == 0:
                self.behave(self, frame)


class TcpMeter(Meter):
    """The same over Modbus TCP: ``behave`` gets the whole request, seven bytes of header first."""

    def __init__(self, port: TcpPort) -> None:
        super().__init__(port)
        self.behave = lambda meter, request: meter.say(mbap(request, registers(meter)))

    def _hear(self, data: bytes) -> None:
        self._rest += data
        while len(self._rest) >= 12:
            frame, self._rest = self._rest[:12], self._rest[12:]
            self.note(frame)
            self.behave(self, frame)


def mbap(request: bytes, pdu: bytes) -> bytes:
    """Return a reply with the request's transaction number (Modbus Messaging on TCP/IP V1.0b, 3.1.3)."""
    return request[:4] + struct.pack(">H", len(pdu) + 1) + request[6:7] + pdu


def registers(meter: Meter, *, known: bool = True) -> bytes:
    """Return the PDU with the next number in two registers, high word first."""
    return bytes([3, 4]) + struct.pack(">I", int(meter.reading(known=known)))


def _on_rtu(folder: Path) -> tuple[Stage, RtuMeter]:
    port = PtyPort(folder / "usb-example-adapter-if00")
    on = Stage(folder, port)
    meter = RtuMeter(port)
    on.meter = meter
    return on, meter


def _upset(folder: Path, upset: Callable[[Meter], bytes], status: Status) -> tuple[str, str]:
    """Let every reply be ``upset`` for a while; return times and the cause told."""
    on, meter = _on_rtu(folder)
    try:
        on.write(RTU)
        logger = on.start()
        healthy = meter.behave

        def begin() -> None:
            meter.behave = lambda one, _request: one.say(upset(one))

        def end() -> None:
            meter.behave = healthy

        times = outage(on, logger, begin, end, hold_s=0.5)
        found = end_and_judge(on, logger, statuses=ANY)
        assert int(status) in found.statuses
        cause = str(logger.of(EventKind.INSTRUMENT_LOST, "meter")[0].data["cause"])
        return f"{times}; {found.good} readings right", cause
    finally:
        on.stop()


@provocation("instrument", "Modbus exception replies", "exception 2 to every read on an RTU line")
def exceptions(folder: Path) -> str:
    times, cause = _upset(folder, lambda _meter: rtu(bytes([0x83, 2])), Status.REFUSED)
    assert "address" in cause.lower(), cause
    return f"recorded by name; {times}"


@provocation("instrument", "wrong checksums on an RTU line", "one bit of the CRC flipped in every reply")
def wrong_crc(folder: Path) -> str:
    def flipped(meter: Meter) -> bytes:
        frame = rtu(registers(meter, known=False))
        return frame[:-1] + bytes([frame[-1] ^ 1])

    return _upset(folder, flipped, Status.BAD_REPLY)[0]


@provocation("instrument", "truncated frames on an RTU line", "the last three bytes of every reply missing")
def truncated(folder: Path) -> str:
    return _upset(folder, lambda meter: rtu(registers(meter, known=False))[:-3], Status.NO_REPLY)[0]


@provocation("instrument", "another device answers on an RTU line", "whole, right frames from address 4")
def other_device(folder: Path) -> str:
    return _upset(folder, lambda meter: rtu(registers(meter, known=False), device=4), Status.BAD_REPLY)[0]


@provocation("instrument", "another function answers", "right frames with function 4 for a question with 3")
def other_function(folder: Path) -> str:
    return _upset(folder, lambda meter: rtu(b"\x04" + registers(meter, known=False)[1:]), Status.BAD_REPLY)[0]


@provocation("instrument", "noise around frames", "one reply in five between bytes of noise")
def noise(folder: Path) -> str:
    on, meter = _on_rtu(folder)
    try:
        count = 0

        def noisy(one: Meter, _request: bytes) -> None:
            nonlocal count
            count += 1
            if count % 5:
                one.say(rtu(registers(one)))
            else:
                one.say(b"\xfe\x7f" + rtu(registers(one, known=False)) + b"\xa5")

        meter.behave = noisy
        on.write(RTU)
        logger = on.start()
        logger.until_readings("meter", 40)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{count // 5} noisy frames, {found.good} readings right"
    finally:
        on.stop()


@provocation(
    "instrument", "late frames on an RTU line", "one reply in ten after the deadline, same shape as the next"
)
def late_frames(folder: Path) -> str:
    on, meter = _on_rtu(folder)
    try:
        count = 0

        def lazy(one: Meter, _request: bytes) -> None:
            nonlocal count
            count += 1
            if count % 10:
                one.say(rtu(registers(one)))
            else:
                one.pause(0.33 + 0.01 * (count // 10 % 9))
                one.say(rtu(registers(one)))

        meter.behave = lazy
        # A frame is safe up to twice the timeout; a busy machine must not make these later than that.
        on.write(RTU.replace("timeout: 100 ms", "timeout: 300 ms"))
        logger = on.start()
        logger.until_readings("meter", 90)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{count // 10} late frames, none taken for another's; {found.good} readings right"
    finally:
        on.stop()


@provocation(
    "instrument", "one silent device among others on a line", "address 9 never answers, address 3 does"
)
def silent_one(folder: Path) -> str:
    on, meter = _on_rtu(folder)
    try:
        more = '  absent: {from: absent.n, unit: "1", limits: none}\n'
        on.write(RTU + SILENT_ONE, more=more)
        logger = on.start()
        logger.until_event(EventKind.INSTRUMENT_LOST, "absent")
        asked = len(meter.heard)
        took_s = logger.until_readings("meter", 60)
        asked = len(meter.heard) - asked
        end_and_judge(on, logger, statuses=set())
        tries = sum(1 for frame in meter.heard if frame[0] == 9)
        assert tries >= 3
        assert took_s < 60 * 0.05 * 2, f"60 readings took {took_s:.1f} s"
        return f"60 readings of its neighbour in {took_s:.2f} s (3.00 without it), {tries} tries of the other"
    finally:
        on.stop()


@provocation(
    "instrument", "late replies over Modbus TCP", "one in ten after its deadline, with its old number"
)
def late_transactions(folder: Path) -> str:
    port = TcpPort()
    on = Stage(folder, port)
    try:
        meter = TcpMeter(port)
        on.meter = meter
        kept: list[bytes] = []
        count = 0

        def lazy(one: Meter, request: bytes) -> None:
            nonlocal count
            count += 1
            if count % 10 == 0:
                kept.append(mbap(request, registers(one)))
                return
            late = kept.pop() if kept else b""
            one.say(late + mbap(request, registers(one)))

        meter.behave = lazy
        on.write(TCP)
        logger = on.start()
        logger.until_readings("meter", 60)
        found = end_and_judge(on, logger, statuses=ANY)
        return f"{count // 10} late replies skipped, {found.good} readings right"
    finally:
        on.stop()
