"""Commands that explain a run: the post-mortem, the report, plots, and whether its bytes are whole."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from rig.cli import progress
from rig.cli.arguments import (
    aside,
    duration_s,
    moment_arguments,
    moments_ns,
    readable,
    run_argument,
    run_path,
    tell_left_out,
)
from rig.cli.order_commands import CliCommand
from rig.errors import DamageError

if TYPE_CHECKING:
    from rig.forensics import PostMortem
    from rig.render.stored_answers import StoredPostMortem


def _postmortem_arguments(parser: argparse.ArgumentParser) -> None:
    run_argument(parser)
    parser.add_argument("--unit", help="the unit to explain; default: the one that fared worst")
    parser.add_argument("--json", action="store_true", help="print JSON (schema: rig/render/POSTMORTEM.md)")
    parser.add_argument("--page", metavar="FILE", help="write a page with pictures: .html (one file) or .md")
    parser.add_argument(
        "--anew", action="store_true", help="work it out again, even if the run keeps an answer that holds"
    )


def _postmortem(args: argparse.Namespace) -> tuple[int, str]:
    from rig.render import postmortem_text, stored_answers

    path = run_path(args)
    asked = stored_answers.StoredPostMortem(path, args.unit)
    found = None if args.anew else asked.answer()
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
        raise DamageError(f"not one reading of {run.path} can be read: {run.skipped[0].reason}")
    asked.keep(found, run)
    return found


def _report_arguments(parser: argparse.ArgumentParser) -> None:
    run_argument(parser)
    parser.add_argument(
        "--to", metavar="PLACE", default="report.html",
        help="FILE.html (one file), FILE.md (pictures beside it), or a folder for both; default: report.html",
    )  # fmt: skip


def _report(args: argparse.Namespace) -> tuple[int, str]:
    from rig.render.pages import page_files
    from rig.render.pages import run_report as run

    with progress.shown("writing the report"):
        written = page_files.save_both(run.report(run_path(args)), Path(args.to))
    return 0, "\n".join(f"written: {path}" for path in written)


def _plot_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "run", metavar="RUN", help="a run directory, or a folder of runs (its newest is taken)"
    )
    parser.add_argument("channels", metavar="CHANNEL", nargs="+", help="a name, or a pattern with *")
    parser.add_argument("--to", metavar="FILE", required=True, help="file to write: .svg or .png")
    moment_arguments(parser)
    parser.add_argument("--last", metavar="TIME", help="only this much before the last moment, as '2 h'")


def _plot(args: argparse.Namespace) -> tuple[int, str]:
    from rig.render import plot
    from rig.store.reader import RunReader

    start, end = moments_ns(args, "--from or --until")
    run = readable(RunReader.open(run_path(args)))
    if args.last:
        start = (run.span[1] if end is None else end) - round(duration_s(args.last, "--last") * 1e9)
    with progress.shown("drawing"):
        plot.save(plot.plot(run, args.channels, start, end), Path(args.to))
    tell_left_out(run)
    return 0, f"written: {args.to}"


def _verify(args: argparse.Namespace) -> tuple[int, str]:
    from rig.domain.formatting import stamp
    from rig.store.verify import verify

    path = run_path(args)
    with progress.shown("reading every byte") as done:
        found = verify(path, told=done)
    lines = []
    for one in found.faults:
        known = one.start_ns is not None
        span = f"  {stamp(one.start_ns or 0)} to {stamp(one.end_ns or one.start_ns or 0)}" if known else ""
        reason = one.reason.removeprefix(f"{one.path}").lstrip(": ")
        lines.append(f"DAMAGED  {one.path.relative_to(path)}: {reason}{span}")
    good = f"{found.files} files, {found.readings} readings and {found.events} events are good"
    count = len(found.faults)
    lines.append(f"{path}: {good}; {count or 'no'} fault{'s' if count != 1 else ''}")
    return DamageError.exit_code if found.faults else 0, "\n".join(lines)


COMMANDS = (
    CliCommand(
        name="postmortem",
        summary="say in which order the channels of a unit went out of limit, and how sure that is",
        example="soakrig postmortem runs --unit A3",
        arguments=_postmortem_arguments,
        run=_postmortem,
    ),
    CliCommand(
        name="report",
        summary="write what a run was, what happened in it and what was missed, with pictures",
        example="soakrig report runs --to report.html",
        arguments=_report_arguments,
        run=_report,
    ),
    CliCommand(
        name="plot",
        summary="draw channels of a run with their limits; a single reading that strayed stays visible",
        example="soakrig plot runs 'A*.heatsink' mains --last '2 h' --to heat.svg",
        arguments=_plot_arguments,
        run=_plot,
    ),
    CliCommand(
        name="verify",
        summary="check every byte of a run against its checksums",
        example="soakrig verify runs",
        arguments=run_argument,
        run=_verify,
    ),
)
