"""Events of a run's sealed files, read by a child process, for a follower of its journals.

``python -m rig.alerts.catchup RUN SESSION SEQ`` writes one JSON line for each event after that place, and
last a line about the run. A process of its own, because sealed files need a library of 100 MB.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from rig.domain.jsonmap import made, plain
from rig.domain.model import Event
from rig.errors import SoakrigError, StoreError

PATIENCE_S = 120.0
_ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedEvents:
    """events after the place asked for, in order; newest_ns: UTC of the newest reading, None for none.

    stopped: whether the newest session ended with a recorded stop.
    """

    events: tuple[Event, ...] = ()
    newest_ns: int | None = None
    stopped: bool = False


def read(path: Path, position: tuple[int, int]) -> SealedEvents:
    """Return the past of a run after ``position`` (session, seq). Raises StoreError if it cannot be read."""
    try:
        done = subprocess.run(  # noqa: S603 - our own module on our own run
            [sys.executable, "-m", "rig.alerts.catchup", str(path.resolve()), *map(str, position)],
            capture_output=True,
            timeout=PATIENCE_S,
            check=False,
            cwd=_ROOT,
        )
    except (subprocess.TimeoutExpired, OSError) as error:
        raise StoreError(f"the earlier events of {path} could not be read: {error}") from None
    lines = done.stdout.decode("utf-8", "replace").splitlines()
    if done.returncode or not lines:
        said = done.stderr.decode("utf-8", "replace").strip()[-300:]
        raise StoreError(f"the earlier events of {path} could not be read (exit {done.returncode}): {said}")
    about = json.loads(lines[-1])
    return SealedEvents(
        events=tuple(made(Event, json.loads(line)) for line in lines[:-1]),
        newest_ns=about["newest_ns"],
        stopped=about["stopped"],
    )


def main(arguments: list[str]) -> int:
    """Write the past of a run to standard output; return the exit code."""
    from rig.store.reader import RunReader

    path, session, seq = Path(arguments[0]), int(arguments[1]), int(arguments[2])
    try:
        run = RunReader.open(path)
        events = run.events()
        sessions = [one for one in run.sessions if not one.brief] or run.sessions
        newest_ns = sessions[-1].end_ns if sessions else None
    except SoakrigError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code
    for event in sorted(events, key=lambda one: (one.session, one.seq)):
        if (event.session, event.seq) > (session, seq):
            sys.stdout.write(json.dumps(plain(event)) + "\n")
    about = {"newest_ns": newest_ns, "stopped": bool(sessions) and sessions[-1].clean}
    sys.stdout.write(json.dumps(about) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
