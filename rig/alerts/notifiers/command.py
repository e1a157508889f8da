"""Program of this machine, started without a shell: delivered on exit code 0.

The text comes on its standard input; ``SOAKRIG_SUBJECT``, ``SOAKRIG_KEY``, ``SOAKRIG_RIG`` and
``SOAKRIG_RUN`` are set in its environment, which otherwise holds only what a program needs to start: no
secret of another way.
"""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Callable, Mapping

from rig.alerts.delivery_outcome import DeliveryOutcome, delivered, refused, unknown
from rig.domain.formatting import setting
from rig.rigfile.alerts_section import CommandNotifier

KEPT = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "USER", "XDG_RUNTIME_DIR")


def run(
    notifier: CommandNotifier,
    text: str,
    words: Mapping[str, str],
    *,
    timeout_s: float,
    begun: Callable[[], None],
) -> DeliveryOutcome:
    """Return the outcome of the program. ``begun()`` is called right before the program is started.

    words: what goes into the environment as ``SOAKRIG_...``.
    """
    environment = {name: os.environ[name] for name in KEPT if name in os.environ}
    environment |= {f"SOAKRIG_{name.upper()}": value.replace("\0", " ") for name, value in words.items()}
    begun()
    try:
        process = subprocess.Popen(  # noqa: S603 - the rig file's own program, words as written, no shell
            notifier.run,
            env=environment,
            cwd="/",
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        return refused(f"{notifier.run[0]} could not be started: {error.strerror or error}")
    try:
        process.communicate(text.encode(), timeout_s)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return unknown(f"{notifier.run[0]} ended after the deadline of {setting(timeout_s, 's')}")
    if process.returncode:
        return refused(f"{notifier.run[0]} ended with exit code {process.returncode}")
    return delivered()
