"""Commands of the first hour: a new rig file, the reference of rig files, completion for shells."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rig.cli.order_commands import CliCommand
from rig.errors import UsageError

SHELLS = ("bash", "zsh", "fish")
_FILES = frozenset({"FILE"})
_FOLDERS = frozenset({"RUN", "FOLDER"})


def _new_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", nargs="?", default="rig.yaml", help="default: rig.yaml")
    parser.add_argument("--yes", action="store_true", help="ask nothing, take what is found, open no port")
    parser.add_argument(
        "--serial", metavar="PATH", action="append", default=[], help="offer this serial port too"
    )
    parser.add_argument(
        "--lan", metavar="ADDRESS", action="append", default=[],
        help="HOST:PORT or VISA resource of an instrument; it is asked *IDN?",
    )  # fmt: skip


def _new(args: argparse.Namespace) -> tuple[int, str]:
    from rig.setup import newfile
    from rig.setup.found_ports import Port, serial_ports

    ports = [*serial_ports(), *(Port(path=one, device=str(Path(one).resolve())) for one in args.serial)]
    interactive = not args.yes
    if interactive and not sys.stdin.isatty():
        raise UsageError("there is nobody to ask: this is no terminal; write --yes to take what is found")
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
        raise UsageError("the answers ended before the questions; nothing was written") from None


def _reference_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "word", metavar="WORD", nargs="?",
        help="a driver, or a key of the rig file such as channels (default: everything)",
    )  # fmt: skip


def _reference(args: argparse.Namespace) -> tuple[int, str]:
    import drivers
    from rig.setup import reference

    return 0, reference.text({name: drivers.load(name) for name in drivers.available()}, args.word)


def _completion_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("shell", choices=SHELLS, help="the shell to complete for")


def _completion(args: argparse.Namespace) -> tuple[int, str]:
    import shtab

    _mark_files(args.parser)
    text: str = shtab.complete(args.parser, shell=args.shell)
    return 0, text


def _mark_files(parser: argparse.ArgumentParser) -> None:
    """Tell the library which arguments are files or folders: those whose metavar says so."""
    import shtab

    for action in parser._actions:  # noqa: SLF001 - argparse offers no other way to its arguments
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 - as above
            for one in action.choices.values():
                _mark_files(one)
        elif action.metavar in _FILES:
            action.complete = shtab.FILE  # type: ignore[attr-defined]
        elif action.metavar in _FOLDERS:
            action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]


COMMANDS = (
    CliCommand(
        name="new",
        summary="write a rig file to begin with, by asking what is connected",
        example="soakrig new room.yaml",
        arguments=_new_arguments,
        run=_new,
    ),
    CliCommand(
        name="reference",
        summary="explain every key of a rig file, or those of one driver",
        example="soakrig reference modbus",
        arguments=_reference_arguments,
        run=_reference,
    ),
    CliCommand(
        name="completion",
        summary="print what makes a shell complete soakrig's commands and options",
        example="soakrig completion bash > ~/.local/share/bash-completion/completions/soakrig",
        arguments=_completion_arguments,
        run=_completion,
    ),
)
