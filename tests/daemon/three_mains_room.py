"""The room that configs/three-mains.yaml is written for, and that file with its times divided."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from tests.daemon.simple_room import ServedRoom, SimpleRoom, SimpleSource, SimpleUnit, scpi, served

SHIPPED = Path(__file__).parents[2] / "configs" / "three-mains.yaml"
FAST = 20
"""What polls, delays and bursts are divided by: 55 s on and 5 s off become 2.75 s and 0.25 s."""
SLOW = 400
"""What the stretches of a phase of up to an hour are divided by: an hour becomes 9 s."""
LONG = 54_000
"""What longer stretches, and the count of bursts with FAST, are divided by: 60 h become 4 s."""
OF_A_PHASE = frozenset({"duration", "over", "ramp", "warm-up", "time-out"})
TIME_OUT = 4
"""What the time-outs of the instruments are divided by: an answer takes as long as the machine makes it."""
ADDRESSES = {
    "scanner-line": "/dev/serial/by-id/usb-example-adapter-0011-if00",
    "meters": "192.168.7.40:5025",
    "source": "192.168.7.41:5025",
    "relays": "/dev/serial/by-id/usb-example-adapter-0012-if00",
}
UNITS = ("A1", "A2")
DEVICE = 7
_TIME = re.compile(r"([a-z-]+): (\d+) (s|min|h)\b")
_COUNT = re.compile(r"\bcount: (\d+)")
_SECONDS = {"s": 1, "min": 60, "h": 3600}


def compressed(text: str) -> str:
    """Return the text of the rig file with its times and its count of bursts divided."""

    def time(match: re.Match[str]) -> str:
        key, seconds = match[1], int(match[2]) * _SECONDS[match[3]]
        factor = SLOW if key in OF_A_PHASE else TIME_OUT if key == "timeout" else FAST
        factor = LONG if seconds > 3600 else factor
        return f"{key}: {1000 * seconds / factor:.6g} ms"

    return _COUNT.sub(lambda match: f"count: {-(-int(match[1]) * FAST // LONG)}", _TIME.sub(time, text))


def bursts() -> tuple[float, float]:
    """Return the bursts of the file, divided: seconds on, seconds off."""
    match = re.search(r"\bon: (\d+) s, off: (\d+) s", SHIPPED.read_text("utf-8"))
    assert match is not None
    return int(match[1]) / FAST, int(match[2]) / FAST


def rig_text(addresses: dict[str, str]) -> str:
    """Return the shipped file with the addresses of this room and its times divided, nothing else."""
    text = SHIPPED.read_text("utf-8")
    for bus, address in ADDRESSES.items():
        assert address in text
        text = text.replace(address, addresses[bus])
    return compressed(text)


@contextmanager
def three_mains(folder: Path) -> Iterator[ServedRoom]:
    """Serve the room: mains on and no drive; the rig file is written to ``folder``/rig.yaml."""
    variac = SimpleSource()
    room = SimpleRoom({name: SimpleUnit(variac) for name in UNITS}, {"variac": variac})
    meter = [partial(room.read, "mains variac")]
    meter += [partial(room.read, f"{what} {name}") for what in ("amps", "volts", "load") for name in UNITS]
    scanner = [*(partial(room.read, f"heat {name}") for name in UNITS), partial(room.read, "air")]
    with served(
        folder,
        room,
        over_tcp={
            "meters": scpi("METER", {"READ": [*meter]}, {}),
            "source": scpi(
                "GENERATOR", {"SOURce:LEVel": [partial(room.read, "level")]}, {"SOURce:LEVel": room.set_level}
            ),
        },
        over_pty={"scanner-line": scpi("SCANNER", {"READ": [*scanner]}, {})},
        relays=("relays", DEVICE),
    ) as made:
        (folder / "rig.yaml").write_text(rig_text(made.addresses), "utf-8")
        yield made
