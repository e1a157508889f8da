"""Explain: sequence of excursions of a failed unit, its cause, and the confidence in both."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from rig.cli import progress
from rig.cli.arguments import aside, readable, run_argument, run_path, tell_left_out
from rig.errors import DamageError

if TYPE_CHECKING:
    from rig.forensics import PostMortem
    from rig.render.stored_answers import StoredPostMortem

EXAMPLE = "soakrig postmortem runs --unit A3"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    run_argument(parser)
    parser.add_argument("--unit", help="the unit to explain; default: the worst affected one")
    parser.add_argument("--json", action="store_true", help="print JSON (schema: rig/render/POSTMORTEM.md)")
    parser.add_argument("--page", metavar="FILE", help="write a page with pictures: .html (one file) or .md")
    parser.add_argument("--recompute", action="store_true", help="ignore the stored result")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.render import postmortem_text, stored_answers

    path = run_path(args)
    asked = stored_answers.StoredPostMortem(path, args.unit)
    found = None if args.recompute else asked.answer()
    if found is None:
        found = _worked_out(asked)
    if args.page:
        from rig.render.pages import page_files
        from rig.render.pages import postmortem_page as pages
        from rig.store.reader import RunReader

        aside(f"written: {page_files.save(pages.page(found, RunReader.open(path)), Path(args.page))[0]}")
    if args.json:
        return 0, postmortem_text.as_json(found)
    return 0, postmortem_text.text(found, width=shutil.get_terminal_size((100, 24)).columns)


def _worked_out(asked: StoredPostMortem) -> PostMortem:
    """Return the answer from the readings themselves; the run keeps it where it can."""
    from rig import forensics
    from rig.forensics.answer import Censoring
    from rig.store.reader import RunReader

    run = readable(RunReader.open(asked.path))
    with progress.shown("analysing"):
        found = forensics.analyse(run, unit=asked.unit)
    tell_left_out(run)
    judged = [one for one in found.channels if one.censoring is not Censoring.UNLIMITED]
    if run.skipped and judged and all(one.censoring is Censoring.UNREAD for one in judged):
        raise DamageError(f"no reading of {run.path} can be read: {run.skipped[0].reason}")
    asked.keep(found, run)
    return found
