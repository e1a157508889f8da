"""The scripted transport fails loudly whenever the code under test leaves the script."""

from __future__ import annotations

import pytest

from tests.drivers.bus.scripted import (
    Gives,
    ManualClock,
    Raises,
    Resyncs,
    ScriptedTransport,
    ScriptError,
    Sends,
    Silence,
    Step,
    Unasked,
)


def scripted(*steps: Step) -> tuple[ScriptedTransport, ManualClock]:
    clock = ManualClock()
    return ScriptedTransport(steps=steps, clock=clock), clock


def test_every_byte_sent_is_compared() -> None:
    transport, _ = scripted(Sends(b"*IDN?\n"))
    with pytest.raises(ScriptError, match="the script says"):
        transport.send(b"*IDN?\r\n", 0)


def test_a_step_out_of_order_or_after_the_end_is_an_error() -> None:
    transport, _ = scripted(Gives(b"1\n"))
    with pytest.raises(ScriptError, match="not Sends"):
        transport.send(b"x", 0)
    assert transport.receive(0) == b"1\n"
    assert transport.finished
    with pytest.raises(ScriptError, match="is None, not Gives"):
        transport.receive(0)


def test_time_passes_only_as_the_script_says() -> None:
    transport, clock = scripted(Gives(b"1", 0.25), Silence(), Resyncs(3))
    began_ns = clock.now_ns
    assert transport.receive(began_ns + 10**9) == b"1"
    assert clock.now_ns == began_ns + 250_000_000
    assert transport.receive(began_ns + 10**9) == b""
    assert clock.now_ns == began_ns + 10**9
    assert transport.resync(began_ns + 2 * 10**9, 0) == 3
    assert clock.now_ns == began_ns + 2 * 10**9


def test_a_reply_after_its_own_deadline_must_be_written_as_silence() -> None:
    transport, clock = scripted(Gives(b"1", 2.0))
    with pytest.raises(ScriptError, match="write Silence"):
        transport.receive(clock.now_ns + 10**9)


def test_faults_and_unasked_bytes_come_where_the_script_has_them() -> None:
    transport, _ = scripted(Raises("open", OSError(5, "gone")), Unasked(b"?"))
    with pytest.raises(OSError, match="gone"):
        transport.open()
    transport.open()
    assert transport.is_open
    assert transport.drain() == b"?"
    assert transport.drain() == b""


def test_its_errors_are_not_swallowed_by_code_that_handles_every_exception() -> None:
    assert not issubclass(ScriptError, Exception)
