"""``python -m rig.alerts RUN [--rig FILE]``: send the alerts of a run until stopped."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from types import FrameType

from rig.alerts.alert_service import AlertService
from rig.alerts.outbox import FOLDER
from rig.alerts.settings import of_run
from rig.errors import SoakrigError, StoreError, UsageError
from rig.stop import Stop
from rig.store.files import OS_DISK, make_dirs
from rig.store.rundir import Lock, open_run

USAGE = "write: python -m rig.alerts RUN [--rig FILE]"


def main(arguments: list[str]) -> int:
    """Run until SIGTERM or SIGINT; return the exit code."""
    stopping = Stop()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    for one in (signal.SIGTERM, signal.SIGINT):
        signal.signal(one, stop)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # a lost terminal must not make a room silent
    try:
        path, rig_file = _named(arguments)
        run = open_run(path)
        folder = path / FOLDER
        make_dirs(OS_DISK, folder)
        with Lock(folder / "lock").acquire("the alerts of this run"):
            while not stopping.is_set():
                AlertService(path, of_run(run, rig_file)).run(stopping)
    except SoakrigError as error:
        sys.stderr.write(f"soakrig: {error}\n")
        return error.exit_code
    except OSError as error:
        sys.stderr.write(
            f"soakrig: alerts of {arguments[0]}: {error.filename}: {error.strerror}; free space there or "
            "unlock it\n"
        )
        return StoreError.exit_code
    return 0


def _named(arguments: list[str]) -> tuple[Path, Path | None]:
    match arguments:
        case [run]:
            return Path(run).resolve(), None
        case [run, "--rig", rig_file]:
            return Path(run).resolve(), Path(rig_file).resolve()
        case _:
            raise UsageError(USAGE)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
