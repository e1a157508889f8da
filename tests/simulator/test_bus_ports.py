"""The room's end of a serial line: what a killed user leaves behind."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
USER = """
import fcntl, os, sys, tempfile, termios
from pathlib import Path
from rig.simulator.bus_ports import PollableFlag, PtyPort

if os.getuid() == 0:  # the lock does not stop the superuser
    os.setgroups([])
    os.setuid(65534)
with tempfile.TemporaryDirectory() as folder:
    stop = PollableFlag()
    port = PtyPort(Path(folder) / "line")
    first = os.open(port.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.ioctl(first, termios.TIOCEXCL)
    os.write(first, b"x")
    assert port.receive(1.0, stop) == b"x"
    os.close(first)
    assert not port.attended
    assert port.receive(0.01, stop) == b""
    second = os.open(port.link, os.O_RDWR | os.O_NOCTTY)
    os.write(second, b"y")
    assert port.receive(1.0, stop) == b"y"
    port.send(b"z")
    assert os.read(second, 10) == b"z"
    port.remove()
    assert os.listdir(folder) == []
"""


def test_a_line_left_locked_by_a_killed_user_is_free_again() -> None:
    """The exclusive mark of a pty outlives its user while the other side is open; a real port's does not."""
    done = subprocess.run(
        [sys.executable, "-c", USER], cwd=ROOT, capture_output=True, text=True, check=False, timeout=20
    )
    assert done.returncode == 0, done.stderr
