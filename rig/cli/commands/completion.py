"""Set up: print the shell completion of soakrig's commands and options."""

from __future__ import annotations

import argparse

EXAMPLE = "soakrig completion bash > ~/.local/share/bash-completion/completions/soakrig"
SHELLS = ("bash", "zsh", "fish")
_FILES = frozenset({"FILE"})
_FOLDERS = frozenset({"RUN", "FOLDER"})


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("shell", choices=SHELLS, help="the shell to complete for")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
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
