"""Modbus frames against printed examples and against pymodbus."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadHoldingRegistersResponse

from drivers.bus.frames import RtuFrame, TcpFrame, exception_name
from rig.errors import ReplyError

# Request frames, CRC bytes as printed. Sources: Modbus Application Protocol V1.1b3, 6.1 to 6.4 (PDUs);
# a controller manual (02 03 00 00 00 03 -> 05 F8); public test suites (the others)
REQUESTS = [
    (0x11, "0100130025", "0E84"),
    (0x11, "0200C40016", "BAA9"),
    (0x11, "03006B0003", "7687"),
    (0x11, "0400080001", "B298"),
    (0x01, "030000000A", "C5CD"),
    (0x02, "0300000003", "05F8"),
]

# (device, function, reply PDU, CRC as printed); same sources
REPLIES = [
    (0x11, 3, "0306022B00000064", "C8BA"),
    (0x02, 3, "0306000000010002", "E584"),
    (0x11, 1, "0105CD6BB20E1B", "45E6"),
    (0x11, 2, "0203ACDB35", "2018"),
    (0x11, 3, "0306AE4156524340", "49AD"),
    (0x11, 4, "0402000A", "F8F4"),
]


@pytest.mark.parametrize(("device", "pdu", "crc"), REQUESTS)
def test_requests_are_the_printed_frames(device: int, pdu: str, crc: str) -> None:
    frame = RtuFrame(device=device, pdu=bytes.fromhex(pdu), echo=False)
    assert frame.request() == bytes([device]) + bytes.fromhex(pdu + crc)


@pytest.mark.parametrize(("device", "function", "pdu", "crc"), REPLIES)
def test_printed_replies_are_taken(device: int, function: int, pdu: str, crc: str) -> None:
    frame = RtuFrame(device=device, pdu=b"\0" * 5, echo=False)
    received = bytes([device]) + bytes.fromhex(pdu + crc)
    data_bytes = len(received) - 5
    assert frame.take(received, function, data_bytes) == (bytes.fromhex(pdu), len(received))
    for cut in range(len(received)):
        assert frame.take(received[:cut], function, data_bytes) is None


@pytest.mark.parametrize(("received", "code"), [("018302C0F1", 2), ("028303F131", 3)])
def test_printed_exception_replies_are_taken(received: str, code: int) -> None:
    # 01 83 02 C0 F1: public test suite; 02 83 03 F1 31: a controller manual
    raw = bytes.fromhex(received)
    frame = RtuFrame(device=raw[0], pdu=b"\0" * 5, echo=False)
    assert frame.take(raw, 3, 6) == (bytes([0x83, code]), 5)


def test_exceptions_have_the_names_of_the_protocol() -> None:
    # Modbus Application Protocol V1.1b3, 7
    names = [exception_name(code) for code in (1, 2, 3, 4, 6, 11)]
    assert [name.partition(" (")[2].rstrip(")") for name in names] == [
        "illegal function",
        "illegal data address",
        "illegal data value",
        "server device failure",
        "server device busy",
        "gateway target device failed to respond",
    ]
    assert exception_name(99) == "exception 99 (not in the standard)"


@given(st.integers(1, 247), st.integers(0, 65535), st.integers(1, 125))
def test_rtu_requests_are_those_of_pymodbus(device: int, address: int, count: int) -> None:
    theirs = FramerRTU(DecodePDU(False)).buildFrame(
        ReadHoldingRegistersRequest(address=address, count=count, dev_id=device)
    )
    pdu = bytes([3]) + address.to_bytes(2, "big") + count.to_bytes(2, "big")
    assert RtuFrame(device=device, pdu=pdu, echo=False).request() == theirs


@given(st.integers(1, 247), st.lists(st.integers(0, 65535), min_size=1, max_size=125))
def test_rtu_replies_of_pymodbus_are_taken(device: int, registers: list[int]) -> None:
    theirs = FramerRTU(DecodePDU(True)).buildFrame(
        ReadHoldingRegistersResponse(registers=registers, dev_id=device)
    )
    taken = RtuFrame(device=device, pdu=b"\0" * 5, echo=False).take(theirs, 3, 2 * len(registers))
    assert taken is not None
    assert taken[0][2:] == b"".join(register.to_bytes(2, "big") for register in registers)


@given(st.integers(0, 255), st.lists(st.integers(0, 65535), min_size=1, max_size=125))
def test_tcp_frames_of_pymodbus_are_taken_and_ours_are_theirs(device: int, registers: list[int]) -> None:
    frame = TcpFrame(device=device, pdu=bytes.fromhex("03006B0003"), echo=False)
    request = frame.request()
    transaction = int.from_bytes(request[:2], "big")
    theirs = ReadHoldingRegistersRequest(address=0x6B, count=3, dev_id=device, transaction_id=transaction)
    assert FramerSocket(DecodePDU(False)).buildFrame(theirs) == request
    reply = ReadHoldingRegistersResponse(registers=registers, dev_id=device, transaction_id=transaction)
    raw = FramerSocket(DecodePDU(True)).buildFrame(reply)
    taken = frame.take(raw, 3, 2 * len(registers))
    assert taken == (raw[7:], len(raw))


def tcp_reply(request: bytes, *, device: int = 1, pdu: str = "0302000A") -> bytes:
    body = bytes([device]) + bytes.fromhex(pdu)
    return request[:2] + b"\0\0" + len(body).to_bytes(2, "big") + body


def test_a_reply_to_an_earlier_transaction_is_passed_over() -> None:
    frame = TcpFrame(device=1, pdu=bytes.fromhex("0300000001"), echo=False)
    late = tcp_reply(frame.request(), pdu="03020063")
    right = tcp_reply(frame.request())
    assert frame.take(late, 3, 2) is None
    assert frame.take(late + right, 3, 2) == (bytes.fromhex("0302000A"), len(late + right))


def test_transaction_numbers_differ_from_request_to_request_and_among_devices() -> None:
    frames = [TcpFrame(device=device, pdu=b"\3\0\0\0\1", echo=False) for device in (1, 2)]
    numbers = [frame.request()[:2] for _ in range(50) for frame in frames]
    assert len(set(numbers)) == 100


GOOD = bytes.fromhex("110306022B00000064C8BA")


@pytest.mark.parametrize(
    ("received", "says"),
    [
        ("120306022B00000064", "device 18 in .* expected device 17"),
        ("110406022B00000064", "function 4 in .* expected function 3"),
        ("11030402", "4 data bytes in .* expected 6"),
        ("110306022B00000064C8BB", "checksum c8 bb .* its bytes give c8 ba"),
        ("110306022B00010064C8BA", "checksum c8 ba"),
    ],
)
def test_a_frame_that_is_not_the_reply_says_in_what_it_differs(received: str, says: str) -> None:
    frame = RtuFrame(device=0x11, pdu=b"\0" * 5, echo=False)
    with pytest.raises(ReplyError, match=says):
        frame.take(bytes.fromhex(received), 3, 6)


def test_every_single_flipped_bit_of_an_rtu_reply_is_noticed() -> None:
    frame = RtuFrame(device=0x11, pdu=b"\0" * 5, echo=False)
    for bit in range(len(GOOD) * 8):
        flipped = bytearray(GOOD)
        flipped[bit // 8] ^= 1 << (bit % 8)
        try:
            assert frame.take(bytes(flipped), 3, 6) is None
        except ReplyError:
            continue


def test_noise_of_a_transmitter_switching_on_is_passed_over() -> None:
    # addresses 0 (broadcast) and 248..255 (reserved) never answer: Modbus over Serial Line V1.02, 2.2
    frame = RtuFrame(device=0x11, pdu=b"\0" * 5, echo=False)
    assert frame.take(b"\x00\xff" + GOOD, 3, 6) == (GOOD[1:-2], len(GOOD) + 2)


def test_an_echo_is_passed_over_and_must_be_what_was_sent() -> None:
    frame = RtuFrame(device=0x11, pdu=bytes.fromhex("03006B0003"), echo=True)
    sent = frame.request()
    for cut in range(len(sent + GOOD)):
        assert frame.take((sent + GOOD)[:cut], 3, 6) is None
    assert frame.take(sent + GOOD, 3, 6) == (GOOD[1:-2], len(sent + GOOD))
    with pytest.raises(ReplyError, match="not the echo"):
        frame.take(GOOD, 3, 6)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda raw: b"HTTP/1.1 400 Bad", "not a Modbus TCP frame"),
        (lambda raw: raw[:4] + b"\x00\x01" + raw[6:], "not a Modbus TCP frame"),
        (lambda raw: raw[:6] + b"\x09" + raw[7:], "device 9 in .* expected device 1"),
        (lambda raw: raw[:7] + b"\x04" + raw[8:], "function 4 in .* expected function 3"),
        (lambda raw: raw[:8] + b"\x04" + raw[9:], "4 data bytes in .* expected 2"),
        (lambda raw: raw[:5] + b"\x06" + raw[6:] + b"\0", "6 bytes after|5 bytes after"),
    ],
)
def test_a_tcp_frame_that_is_not_the_reply_says_in_what_it_differs(change, says: str) -> None:  # type: ignore[no-untyped-def]
    frame = TcpFrame(device=1, pdu=bytes.fromhex("0300000001"), echo=False)
    with pytest.raises(ReplyError, match=says):
        frame.take(change(tcp_reply(frame.request())), 3, 2)
