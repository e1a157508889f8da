"""Set up: write a first rig file from an interview about the instruments."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rig.errors import UsageError

EXAMPLE = "soakrig new room.yaml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("file", metavar="FILE", nargs="?", default="rig.yaml", help="default: rig.yaml")
    parser.add_argument("--yes", action="store_true", help="ask nothing, accept what is found, open no port")
    parser.add_argument(
        "--serial", metavar="PATH", action="append", default=[], help="offer this serial port too"
    )
    parser.add_argument(
        "--lan", metavar="ADDRESS", action="append", default=[],
        help="HOST:PORT or VISA resource of an instrument; *IDN? is sent to it",
    )  # fmt: skip


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.setup import newfile
    from rig.setup.found_ports import Port, serial_ports

    ports = [*serial_ports(), *(Port(path=one, device=str(Path(one).resolve())) for one in args.serial)]
    interactive = not args.yes
    if interactive and not sys.stdin.isatty():
        raise UsageError("no terminal to ask on; write --yes to accept what is found")
    path = newfile.create(
        Path(args.file), ask=_ask if interactive else lambda _question, default: default, say=_say,
        ports=ports, lan=args.lan,
    )  # fmt: skip
    return 0, f"{path} is written. Complete it in an editor, then: soakrig check {path} --no-probe"


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _ask(question: str, default: str) -> str:
    try:
        return input(f"{question} [{default}]: " if default else f"{question}: ") or default
    except EOFError:
        raise UsageError("input ended before the last question; nothing was written") from None
