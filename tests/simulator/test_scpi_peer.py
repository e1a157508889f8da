"""The answering side of SCPI against SCPI-99 and IEEE 488.2."""

from collections.abc import Sequence

import pytest

from rig.simulator.scpi_peer import QUEUE_LENGTH, ComplaintError, ScpiPeer, channel_numbers, matches

VALUES: dict[int, float | None] = {101: 78.1, 102: None, 103: -0.5}


def scan(numbers: Sequence[int], _began_ns: int, _ended_ns: int) -> list[float | None]:
    return [VALUES[number] for number in numbers or sorted(VALUES)]


def peer() -> ScpiPeer:
    return ScpiPeer(
        "SIMULATED,X,1,1.0",
        {
            "READ": scan,
            "SOURce:LEVel": lambda *_: [1.2],
            "SOURce:FREQuency": lambda *_: [1000.0],
        },
    )


def ask(line: str, to: ScpiPeer | None = None) -> str | None:
    return (to or peer()).handle(line, 0, 0)


def test_it_says_who_it_is() -> None:
    assert ask("*IDN?") == "SIMULATED,X,1,1.0"


def test_an_open_sensor_reads_as_the_number_that_stands_for_none() -> None:
    """SCPI-99 vol. 1, 7.2.1.5: not-a-number is 9.91E37."""
    assert ask("READ? (@101:103)") == "+7.810000E+01,+9.910000E+37,-5.000000E-01"


@pytest.mark.parametrize("line", ["SYSTem:ERRor?", "SYST:ERR?", "syst:err?", ":SYST:ERR:NEXT?"])
def test_long_and_short_forms_mean_the_same_and_an_empty_queue_says_no_error(line: str) -> None:
    """SCPI-99 vol. 1, 6.2.1 (long and short form) and vol. 2, 21.8 (``0,"No error"``)."""
    assert ask(line) == '0,"No error"'


def test_a_form_between_long_and_short_is_no_header() -> None:
    assert not matches("SYSTE:ERR?", "SYSTem:ERRor?")


def test_a_compound_query_is_answered_in_one_line_and_follows_the_path() -> None:
    """IEEE 488.2: answers joined by semicolons; SCPI-99 vol. 1, 6.2.4: a header continues the path."""
    assert ask("SOUR:LEV?;FREQ?") == "+1.200000E+00;+1.000000E+03"
    assert ask("SOUR:LEV?;:SOUR:FREQ?;*OPC?") == "+1.200000E+00;+1.000000E+03;1"


def test_an_unknown_header_is_not_answered_and_stands_in_the_queue() -> None:
    """-113 "Undefined header" (SCPI-99 vol. 2, 21.8.9); bit 5 of the event register (IEEE 488.2, 11.5.1)."""
    box = peer()
    assert ask("MEAS:VOLT?", box) is None
    assert ask("*STB?", box) == "4"
    assert ask("*ESR?", box) == "32"
    assert ask("*ESR?", box) == "0"
    assert ask("SYST:ERR?", box) == '-113,"Undefined header"'
    assert ask("SYST:ERR?", box) == '0,"No error"'


def test_a_channel_that_is_not_there_is_out_of_range() -> None:
    """-222 "Data out of range" (SCPI-99 vol. 2, 21.8.10)."""
    box = peer()
    assert ask("READ? (@101:104)", box) is None
    assert ask("SYST:ERR?", box) == '-222,"Data out of range"'


def test_a_full_queue_ends_with_queue_overflow() -> None:
    """-350 "Queue overflow" takes the last place (SCPI-99 vol. 2, 21.8.11)."""
    box = peer()
    for _ in range(QUEUE_LENGTH + 5):
        ask("NONSENSE", box)
    entries = [ask("SYST:ERR?", box) for _ in range(QUEUE_LENGTH)]
    assert entries[-1] == '-350,"Queue overflow"'
    assert entries[0] == '-113,"Undefined header"'
    assert ask("SYST:ERR?", box) == '0,"No error"'


def test_clearing_empties_the_queue() -> None:
    box = peer()
    ask("NONSENSE", box)
    assert ask("*CLS", box) is None
    assert ask("SYST:ERR?", box) == '0,"No error"'


def test_set_up_commands_are_taken_in_silence() -> None:
    box = peer()
    assert ask("FORM ASC", box) is None
    assert ask("FORM?", box) == "ASC"
    assert ask("FORM REAL", box) is None
    assert ask("SYST:ERR?", box) == '-224,"Illegal parameter value"'


@pytest.mark.parametrize(
    ("text", "numbers"),
    [("(@101)", (101,)), ("(@101:103)", (101, 102, 103)), ("(@101:102,110)", (101, 102, 110)), ("", ())],
)
def test_channel_lists_are_read(text: str, numbers: tuple[int, ...]) -> None:
    assert channel_numbers(text) == numbers


@pytest.mark.parametrize(
    "text", ["101", "(@)", "(@101:)", "(@:3)", "(@1:2:3)", "(@a)", "(@1,,2)", "(@1:9999)"]
)
def test_what_is_no_channel_list_is_a_complaint(text: str) -> None:
    with pytest.raises(ComplaintError):
        channel_numbers(text)
