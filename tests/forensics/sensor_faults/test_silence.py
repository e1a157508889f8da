"""An instrument that stopped answering."""

from __future__ import annotations

import numpy as np
import pytest

from rig.forensics.answer import Role
from rig.forensics.fault_rule import SensorFault
from rig.forensics.sensor_faults.silence import SILENT
from tests.forensics.bench_room import AT, Bench, after, main
from tests.forensics.rooms import NO_REPLY, NO_VALUE
from tests.forensics.sensor_faults.faulty_rooms import at_s, degrees, looked_at, restless


def silent(missing: int, length: int = 300, word: int = NO_REPLY, instruments: int = 2) -> list[SensorFault]:
    """Two channels of one instrument whose last readings got no reply; another instrument goes on."""
    status = [0] * (length - missing) + [word] * missing
    rows = {"A1.t": restless(length), "A1.u": restless(length), "A2.t": restless(length)}
    names = ["scanner", "scanner", "other"] if instruments == 2 else ["scanner"] * 3
    channels = [degrees(name, instrument=i) for name, i in zip(rows, names, strict=True)]
    return looked_at(channels, rows, {"A1.t": status, "A1.u": status})


@pytest.mark.parametrize(("missing", "silenced"), [(14, False), (15, True)])
def test_fifteen_questions_without_a_reply_to_the_end_are_silence(missing: int, silenced: bool) -> None:
    found = silent(missing)
    assert bool(found) is silenced
    if found:
        [fault] = found
        assert (fault.fault_type, fault.subject, fault.channels) == (
            SILENT,
            "scanner",
            ("A1.t", "A1.u"),
        )
        assert at_s(fault) == (300 - missing, 299)
        assert "all 2 channels" in fault.evidence[0].text


def test_an_instrument_one_channel_of_which_answers_is_not_silent() -> None:
    assert silent(100, instruments=1) == []


def test_an_instrument_that_says_it_has_no_value_does_answer() -> None:
    assert SILENT not in {fault.fault_type for fault in silent(100, word=NO_VALUE)}


@pytest.mark.parametrize(("readings", "silenced"), [(184, False), (183, True)])
def test_an_instrument_that_is_no_longer_even_asked_is_silent_too(readings: int, silenced: bool) -> None:
    # the recording ends at 200 s: 18 polls (15, and 3 of grace) after the last of 183 readings, at 182 s
    rows = {"A1.t": restless(readings), "A2.t": restless(201)}
    channels = [degrees("A1.t", instrument="scanner"), degrees("A2.t", instrument="other")]
    found = looked_at(channels, rows)
    assert bool(found) is silenced
    if found:
        assert at_s(found[0]) == (182, 200)


def test_readings_before_the_silence_were_right() -> None:
    """Silence itself says nothing of the last readings: an output that fell in them is the unit's."""
    b = Bench()
    for name in ("A1.out", "A1.line", "A1.signal"):
        b.status[name] = np.where(after(), NO_REPLY, 0)
    b.values["A1.out"] = np.where(after(AT - 1), 0.0, b.values["A1.out"])
    answer = b.analyse("A1")
    assert answer.order.channels == ("A1.out",)
    assert main(answer) == (Role.UNIT, "A1")
    assert [(one.role, one.subject) for one in answer.findings[1:]] == [(Role.INSTRUMENT, "meter-A1")]
