"""Times of day as people write them: ``03:12`` is the last such moment, by a clock on the wall."""

from __future__ import annotations

import re
from datetime import timedelta, tzinfo

from rig.domain.formatting import moment

_TIME_OF_DAY = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9]))?")


def last_time_of_day(text: str, latest_ns: int, zone: tzinfo | None = None) -> int | None:
    """Return the last moment (UTC ns), not after ``latest_ns``, at which a clock in ``zone`` showed ``text``.

    None where the text is not such as ``03:12`` or ``03:12:30``. zone None: that of this machine.
    """
    match = _TIME_OF_DAY.fullmatch(text.strip())
    if match is None:
        return None
    hour, minute, second = (int(part or 0) for part in match.groups())
    at = moment(latest_ns, zone).replace(hour=hour, minute=minute, second=second, microsecond=0)
    at_ns = round(at.timestamp()) * 1_000_000_000
    if at_ns > latest_ns:
        at_ns = round((at - timedelta(days=1)).timestamp()) * 1_000_000_000
    return at_ns
