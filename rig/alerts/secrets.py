"""Secrets by their place; read in the delivery process at the moment of sending, and stored nowhere."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping

from rig.errors import UsageError

MOST_BYTES = 4096


def read(place: str, environment: Mapping[str, str] = os.environ) -> str:
    """Return the secret at ``env:NAME`` or ``file:PATH``, without spaces and line ends around it.

    Raises UsageError that names the place and never the content: nothing there, more than one line, a
    file that is a link, not a plain file, somebody else's, or open to others than its owner.
    """
    kind, _, name = place.partition(":")
    text = environment.get(name, "") if kind == "env" else _from_file(name)
    text = text.strip()
    if not text or any(not letter.isprintable() for letter in text):
        raise UsageError(
            f"secret {place}: expected one line of text, found none or more; write the secret there"
        )
    return text


def _from_file(name: str) -> str:
    try:
        descriptor = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise UsageError(
            f"secret file {name} could not be opened: {error.strerror}; it must be a plain file, no link"
        ) from None
    try:
        facts = os.fstat(descriptor)
        if not stat.S_ISREG(facts.st_mode):
            raise UsageError(f"secret file {name} is not a plain file")
        if facts.st_uid not in (os.geteuid(), 0):
            raise UsageError(f"secret file {name} belongs to user {facts.st_uid}; it must be your own")
        if facts.st_mode & 0o077:
            mode = stat.S_IMODE(facts.st_mode)
            raise UsageError(
                f"secret file {name} has mode {mode:04o}, others can read it; do: chmod 0600 {name}"
            )
        return os.read(descriptor, MOST_BYTES).decode("utf-8", "replace")
    finally:
        os.close(descriptor)
