"""The command line: one hop to each subcommand; the only place that prints or exits.

Exit codes: 0 good · 1 a fault of soakrig itself · 2 the command makes no sense · 3 faults in the rig file ·
4 the probe found the rig not ready · 5 storage · 6 run or port in use · 7 not a run, or of a newer format ·
8 damage on disk · 10 verdict: fail · 11 verdict: not proven · 130 interrupted.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence

from rig import __version__
from rig.desk import Command
from rig.errors import ConfigError, SoakrigError, UsageError

CAUTION = """\
Mains, heat, stored energy, fire and noise are dangerous; a variac does not isolate. soakrig is no safety
device: hard-wired thermal cut-outs, fuses, residual-current protection and smoke detection are. Local
codes and competent persons decide."""

Handler = Callable[[argparse.Namespace], tuple[int, str]]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code (the console script exits with it)."""
    _make_standard_streams_safe()
    parser = _parser()
    args = parser.parse_args(arguments)
    handler: Handler | None = getattr(args, "handler", None)
    if handler is None:
        parser.print_help()
        return UsageError.exit_code
    try:
        code, text = handler(args)
        if text:
            print(text)
        return code
    except ConfigError as error:
        return _say_faults(error)
    except SoakrigError as error:
        print(f"soakrig: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0


def _make_standard_streams_safe() -> None:
    """Let no text fail for its letters, and no file get the descriptor of a closed standard stream."""
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number: this one
    if sys.stderr is None:
        sys.stderr = os.fdopen(2, "w", closefd=False)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _say_faults(error: ConfigError) -> int:
    for fault in error.faults:
        print(f"{fault}", file=sys.stderr)
    count = len(error.faults)
    print(f"soakrig: {count} fault{'s' if count != 1 else ''} in the rig file", file=sys.stderr)
    return error.exit_code


def _parser() -> argparse.ArgumentParser:
    from rig import desk
    from rig.commands import explaining, reckoning, running, tables
    from rig.setup import commands as setup

    parser = argparse.ArgumentParser(
        prog="soakrig",
        description="Data logger and failure forensics of an endurance room for audio power amplifiers.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"soakrig {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for family in (running, explaining, desk, reckoning, tables, setup):
        for one in family.COMMANDS:
            one.arguments(_added(commands, one))
    parser.set_defaults(parser=parser)
    return parser


def _added(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    one: Command,
) -> argparse.ArgumentParser:
    parser = commands.add_parser(
        one.name,
        help=one.summary,
        description=one.summary[0].upper() + one.summary[1:] + ".",
        epilog=f"example:\n  {one.example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(handler=one.run)
    return parser


if __name__ == "__main__":
    sys.exit(main())
