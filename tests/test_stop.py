"""A flag that a signal sets in the middle of whatever is done with it."""

from __future__ import annotations

import subprocess
import sys
import threading
import time

from rig.stop import Stop

AT_EVERY_INSTRUCTION = """
import signal, sys
from rig import stop
flag, handled, busy = stop.Stop(), 0, False

def handle(*_):
    flag.set()

def trace(frame, event, _argument):
    global handled, busy
    if frame.f_code.co_filename == stop.__file__ and not busy:
        frame.f_trace_opcodes = True
        if event == "opcode":
            busy, handled = True, handled + 1
            signal.raise_signal(signal.SIGTERM)
            busy = False
    return trace

signal.signal(signal.SIGTERM, handle)
sys.settrace(trace)
flag.wait(0.01), flag.set(), flag.wait(1.0), flag.is_set()
sys.settrace(None)
print(handled, flag.is_set())
"""


def test_a_signal_at_any_instruction_of_the_flag_sets_it_and_holds_nobody_up() -> None:
    # threading.Event in its place waits for its own lock forever; a process that does so minds no SIGTERM
    command = [sys.executable, "-c", AT_EVERY_INSTRUCTION]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=True)
    handled, was_set = done.stdout.split()
    assert int(handled) > 10
    assert was_set == "True"


def test_it_ends_every_wait_for_it_and_stays_set() -> None:
    stop = Stop()
    assert not stop.wait(0.0)
    assert not stop.is_set()
    ended: list[bool] = []
    waiting = [threading.Thread(target=lambda: ended.append(stop.wait(20.0))) for _ in range(3)]
    for one in waiting:
        one.start()
    began = time.monotonic()
    stop.set()
    for one in waiting:
        one.join()
    assert ended == [True] * 3
    assert time.monotonic() - began < 10.0
    assert stop.is_set()
    assert stop.wait(0.0)
