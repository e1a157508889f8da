"""Modbus devices: what is not in every driver's contract."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InstrumentError, ReplyError
from tests.drivers.examples import first, made


def modbus(fields: dict[str, Any], **more: Any) -> Any:
    return made("modbus", {"device": 17, "fields": fields, **more})


def at(register: int, **more: Any) -> dict[str, Any]:
    return {"register": register, **more}


FLOAT = {"type": "float32", "order": "ABCD"}


def labels(driver: Any) -> list[str]:
    return [exchange.label for exchange in driver.polls]


def test_neighbouring_registers_are_read_at_once() -> None:
    driver = modbus({"b": at(2), "a": at(0, **FLOAT), "c": at(3, **FLOAT), "far": at(10)})
    assert labels(driver) == ["device 17 holding 0..4", "device 17 holding 10"]
    assert driver.polls[0].fields == ("a", "b", "c")


def test_a_gap_is_read_over_only_where_the_rig_file_allows_it() -> None:
    fields = {"a": at(0), "b": at(5)}
    assert len(modbus(fields).polls) == 2
    assert len(modbus(fields, gap=3).polls) == 2
    assert labels(modbus(fields, gap=4)) == ["device 17 holding 0..5"]


def test_no_read_is_longer_than_125_registers_or_what_the_instrument_gives() -> None:
    # Modbus Application Protocol V1.1b3, 6.3: quantity 1 to 125
    fields = {f"r{number}": at(number) for number in range(300)}
    counts = [(exchange.reply_bytes - 5) // 2 for exchange in modbus(fields).polls]
    assert counts == [125, 125, 50]
    counts = [(exchange.reply_bytes - 5) // 2 for exchange in modbus(fields, longest=100).polls]
    assert counts == [100, 100, 100]


@given(
    st.lists(
        st.tuples(st.integers(0, 400), st.sampled_from(["uint16", "float32", "float64"])),
        min_size=1,
        max_size=40,
    ),
    st.integers(0, 10),
    st.integers(4, 125),
)
def test_every_field_is_in_exactly_one_read_that_covers_it(
    places: list[tuple[int, str]], gap: int, longest: int
) -> None:
    fields = {f"f{n}": at(register, type=type_, order="ABCD") for n, (register, type_) in enumerate(places)}
    driver = modbus(fields, gap=gap, longest=longest)
    seen = [name for exchange in driver.polls for name in exchange.fields]
    assert sorted(seen) == sorted(fields)
    for exchange in driver.polls:
        request = exchange.request()
        begin, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        assert 1 <= count <= longest
        for name in exchange.fields:
            width = {"uint16": 1, "float32": 2, "float64": 4}[fields[name]["type"]]
            assert begin <= fields[name]["register"] <= begin + count - width


def test_tables_are_never_mixed_in_one_read() -> None:
    fields = {
        "a": at(0),
        "b": at(1, table="input"),
        "c": at(2, table="coil", type="bit"),
        "d": at(3, table="discrete", type="bit"),
    }
    functions = {exchange.fields: exchange.request()[1] for exchange in modbus(fields).polls}
    # function codes: Modbus Application Protocol V1.1b3, 6.1 to 6.4
    assert functions == {("a",): 3, ("b",): 4, ("c",): 1, ("d",): 2}


@pytest.mark.parametrize(
    ("field", "says"),
    [
        (at(0, type="float32"), "float32 needs order .*plausible wrong numbers"),
        (at(0, type="uint64"), "uint64 needs order"),
        (at(0, table="coil"), "table coil and type uint16 do not go together"),
        (at(0, type="bit"), "table holding and type bit do not go together"),
        (at(65535, **FLOAT), "go past 65535"),
        (at(70000), "70000"),
        (at(0, order="AB"), "did you mean|write one of"),
    ],
)
def test_fields_that_make_no_sense_are_refused_at_the_desk(field: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        modbus({"a": field})


def test_device_addresses_are_those_of_the_framing() -> None:
    # Modbus over Serial Line V1.02, 2.2: 1 to 247; a TCP unit identifier is any byte
    for device in (0, 248, 255):
        with pytest.raises(ValueError, match="cannot answer on a serial line"):
            made("modbus", {"device": device, "fields": {"a": at(0)}})
        made("modbus", {"device": device, "framing": "tcp", "fields": {"a": at(0)}})


def test_echo_and_tcp_do_not_go_together() -> None:
    with pytest.raises(ValueError, match="a TCP connection repeats nothing"):
        modbus({"a": at(0)}, framing="tcp", echo="yes")


def test_silence_is_demanded_on_a_line_and_not_over_tcp() -> None:
    # Modbus over Serial Line V1.02, 2.5.1.1: t3.5 = 1.750 ms above 19200 baud
    assert modbus({"a": at(0)}).quiet_s == 0.00175
    assert modbus({"a": at(0)}, quiet="5 ms").quiet_s == 0.005
    assert modbus({"a": at(0)}, framing="tcp").quiet_s == 0.0


def test_the_identity_register_must_hold_its_number() -> None:
    driver = modbus({"a": at(0)}, framing="tcp", identity={"register": 100, "equals": "0x1267"})
    request = driver.opening[0].request()
    head = request[:4] + b"\0\5" + request[6:7]
    assert driver.opening[0].parse(head + bytes.fromhex("03021267")).text == "4711"
    with pytest.raises(ReplyError, match="its register holds 4712, expected identity 4711"):
        driver.opening[0].parse(head + bytes.fromhex("03021268"))


def test_a_refusal_names_the_exception() -> None:
    # frame 01 83 02 C0 F1: public test suite
    driver = made("modbus", {"device": 1, "fields": {"a": at(0)}})
    with pytest.raises(InstrumentError, match=r"exception 2 \(illegal data address\) to function 3"):
        first(driver).parse(bytes.fromhex("018302C0F1"))


@pytest.mark.parametrize(
    ("bits", "data_bytes"), [(1, 1), (7, 1), (8, 1), (9, 2), (15, 2), (16, 2), (17, 3), (120, 15)]
)
@pytest.mark.parametrize(("table", "function"), [("coil", 1), ("discrete", 2)])
def test_eight_bits_come_in_one_byte_and_the_ninth_in_another(
    bits: int, data_bytes: int, table: str, function: int
) -> None:
    # Modbus Application Protocol V1.1b3, 6.1: byte count N = quantity / 8, plus 1 where a remainder is left;
    # the first bit is the least significant one of the first byte. CRC: Modbus over Serial Line V1.02, 6.2.2.
    ends = {"first": at(0, table=table, type="bit"), "last": at(bits - 1, table=table, type="bit")}
    driver = modbus(ends if bits > 1 else {"first": ends["first"]}, gap=125)
    [exchange] = driver.polls
    assert int.from_bytes(exchange.request()[4:6], "big") == bits
    assert exchange.reply_bytes == 3 + data_bytes + 2
    data = bytearray(data_bytes)
    data[(bits - 1) // 8] = 1 << ((bits - 1) % 8)
    reply = bytes([17, function, data_bytes]) + bytes(data)
    crc = 0xFFFF
    for byte in reply:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    whole = reply + crc.to_bytes(2, "little")
    assert exchange.parse(whole[:-1]) is None
    found = exchange.parse(whole)
    assert found.used == len(whole)
    assert found.values == ((1.0,) if bits == 1 else (0.0, 1.0))
