"""Set up: explain every key of a rig file, or those of one driver."""

from __future__ import annotations

import argparse

EXAMPLE = "soakrig reference modbus"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "word", metavar="WORD", nargs="?",
        help="a driver, or a key of the rig file such as channels (default: everything)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    import drivers
    from rig.setup import reference

    return 0, reference.text({name: drivers.load(name) for name in drivers.available()}, args.word)
