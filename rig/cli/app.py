"""The command line: one hop to each subcommand; the only place that prints or exits.

Exit codes: 0 good · 1 a fault of soakrig itself · 2 the command makes no sense · 3 faults in the rig file ·
4 the probe found the rig not ready · 5 storage · 6 run or port in use · 7 not a run, or of a newer format ·
8 damage on disk · 10 verdict: fail · 11 verdict: inconclusive · 130 interrupted.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from rig import __version__
from rig.cli import registry

if TYPE_CHECKING:
    from rig.errors import ConfigError

CAUTION = """\
Mains, heat, stored energy, fire and noise are dangerous; a variac does not isolate. soakrig is no safety
device: hard-wired thermal cut-outs, fuses, residual-current protection and smoke detection are. Local
codes and competent persons decide."""

ABOUT_ALL = frozenset({"completion"})
"""Commands that need the arguments of all others."""
_THE_DISK_S_FAULT = frozenset({errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO})
"""File-system errors that the user, not soakrig, has to fix."""
MODEST = {"ARROW_DEFAULT_MEMORY_POOL": "system", "OPENBLAS_NUM_THREADS": "1"}
"""How the libraries are to go about it, unless the user has chosen otherwise.

What is worked out beside a recording must not disturb it. Arrow's own allocator takes and gives back memory
in large blocks; a virtual machine hands those on to its host, which stops its processors for 20 ms and more
meanwhile. And of the small matrices here a second thread makes waiting, not speed.
"""
Handler = Callable[[argparse.Namespace], tuple[int, str]]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code (the console script exits with it)."""
    for name, value in MODEST.items():  # before the libraries are loaded
        os.environ.setdefault(name, value)
    _make_standard_streams_safe()
    given = sys.argv[1:] if arguments is None else list(arguments)
    name = next((word for word in given if not word.startswith("-")), "")
    parser = _parser(None if name in ABOUT_ALL else name)
    if name and name not in _summaries():
        parser.error(_no_such(name))
    args = parser.parse_args(given)
    handler: Handler | None = getattr(args, "handler", None)
    if handler is None:
        parser.print_help()
        return 2
    try:
        code, text = handler(args)
        if text:
            _print(text)
        return code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:
        return _said(error)


def _no_such(name: str) -> str:
    """Return in words that there is no such command, and which one may be meant."""
    import difflib

    near = difflib.get_close_matches(name, _summaries(), 1)
    meant = f"; did you mean {near[0]!r}?" if near else ";"
    return f"no command {name!r}{meant} 'soakrig --help' lists them all"


def _print(text: str) -> None:
    """Print an answer. Raises StoreError if the disk that it goes to refuses it, BrokenPipeError."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        raise
    except OSError as error:
        from rig.errors import StoreError

        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what is left unwritten must not fail at the exit too
        raise StoreError(
            f"standard output could not be written: {error.strerror}; free space there, or send it elsewhere"
        ) from error


def _said(error: Exception) -> int:
    """Say an error of soakrig's own in words and return its exit code; any other is raised again."""
    from rig.errors import ConfigError, SoakrigError

    if isinstance(error, ConfigError):
        return _say_faults(error)
    if isinstance(error, SoakrigError):
        print(f"soakrig: {error}", file=sys.stderr)
        return error.exit_code
    if isinstance(error, OSError) and error.filename is not None and error.errno in _THE_DISK_S_FAULT:
        place = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else error.filename
        print(
            f"soakrig: {place}: {error.strerror}; free space there, unlock it, or name another place",
            file=sys.stderr,
        )
        return 5
    raise error


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


class _Parser(argparse.ArgumentParser):
    """The parser of all commands; its help lists them in groups."""

    def format_help(self) -> str:
        """Return usage, the commands by group, options and the caution."""
        form = self._get_formatter()
        form.add_usage(self.usage, self._actions, self._mutually_exclusive_groups)
        form.add_text(self.description)
        width = max(map(len, _summaries()))
        form.add_text("\n\n".join(
            "\n".join([f"{group}:", *(f"  {name:{width}}  {summary}" for name, summary in listed.items())])
            for group, listed in registry.listed().items()
        ))  # fmt: skip
        form.add_text("soakrig COMMAND --help explains a command with an example. soakrig --version")
        form.add_text(self.epilog)
        return form.format_help()


def _summaries() -> dict[str, str]:
    return {name: summary for listed in registry.listed().values() for name, summary in listed.items()}


def _parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the parser of all commands, or of ``only`` one of them; the others have but their names then."""
    parser = _Parser(
        prog="soakrig",
        description="Data logger and failure forensics of an endurance room for audio power amplifiers.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"soakrig {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", parser_class=argparse.ArgumentParser)
    for name, summary in _summaries().items():
        if only is None or only == name:
            _add(commands, name, summary)
        else:
            commands.add_parser(name, help=summary)
    parser.set_defaults(parser=parser)
    return parser


def _add(commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, summary: str) -> None:
    module = importlib.import_module(registry.module_of(name))
    parser = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example:\n  {module.EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.arguments(parser)
    parser.set_defaults(handler=module.run)


if __name__ == "__main__":
    sys.exit(main())
