"""The counting instrument in a process of its own, so that the whole of it can be stopped: ``... LEDGER``.

Prints its TCP port; writes its ledger when it is told to end.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

from rig.stop import Stop
from tests.faults.logger import ROOT
from tests.faults.meter import Meter, TcpPort


class RemoteMeter:
    """Starts one and speaks for it."""

    def __init__(self, folder: Path) -> None:
        self._ledger = folder / "ledger.json"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.meter_process", str(self._ledger)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
        )
        assert self.process.stdout is not None
        self.bus = f'{{tcp: "127.0.0.1:{int(self.process.stdout.readline())}"}}'

    def send(self, number: int) -> None:
        self.process.send_signal(number)

    def stop(self) -> dict[int, int]:
        """End it; return its ledger."""
        self.process.send_signal(signal.SIGCONT)
        self.process.terminate()
        self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return {int(number): at for number, at in json.loads(self._ledger.read_text()).items()}


def main(ledger: Path) -> None:
    ended = Stop()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    meter = Meter(TcpPort())
    print(meter.port.number if isinstance(meter.port, TcpPort) else 0, flush=True)
    while not ended.wait(60.0):
        pass
    meter.stop()
    ledger.write_text(json.dumps(meter.said))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
