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
from pathlib import Path
from typing import TYPE_CHECKING

from rig import __version__
from rig.errors import ConfigError, SoakrigError, UsageError

if TYPE_CHECKING:
    from rig.core.config import RigConfig

CAUTION = """\
Mains, heat, stored energy, fire and noise are dangerous; a variac does not isolate. soakrig is no safety
device: hard-wired thermal cut-outs, fuses, residual-current protection and smoke detection are. Local
codes and competent persons decide."""

Handler = Callable[[argparse.Namespace], int]


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
        return handler(args)
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
    parser = argparse.ArgumentParser(
        prog="soakrig",
        description="Data logger and failure forensics of an endurance room for audio power amplifiers.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"soakrig {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    _add_check(commands)
    _add_log(commands)
    _add_watch(commands)
    _add_postmortem(commands)
    _add_report(commands)
    _add_plot(commands)
    _add_import(commands)
    _add_export(commands)
    _add_alerts(commands)
    _add_verify(commands)
    _add_demo(commands)
    _add_desk(commands)
    parser.set_defaults(parser=parser)
    return parser


if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]  # noqa: SLF001 - it has no public name


def _command(
    commands: Commands, name: str, handler: Handler, summary: str, example: str
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(handler=handler)
    return parser


def _run_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "run",
        metavar="RUN",
        nargs="?",
        default="runs",
        help="a run directory, or a folder of runs (its newest run is taken); default: ./runs",
    )


def _run_path(args: argparse.Namespace) -> Path:
    from rig.store.rundir import newest_run

    return newest_run(Path(args.run))


def _read(path: str) -> RigConfig:
    import drivers
    from rig import rigfile

    return rigfile.read(Path(path), drivers.spec)


def _add_check(commands: Commands) -> None:
    parser = _command(
        commands,
        "check",
        _check,
        "find every mistake in a rig file, then see whether the rig answers",
        "soakrig check configs/room.yaml --no-probe",
    )
    parser.add_argument("file", metavar="FILE", help="the rig file")
    parser.add_argument("--no-probe", action="store_true", help="at the desk: only read the file")


def _check(args: argparse.Namespace) -> int:
    from rig.report import check

    config = _read(args.file)
    print(check.desk(config))
    if args.no_probe:
        return 0
    from rig.daemon import probe

    found = probe.probe(config)
    print(check.probed(found))
    return 0 if found.good else 4


def _add_log(commands: Commands) -> None:
    parser = _command(
        commands,
        "log",
        _log,
        "record a run; goes on with the open run of this rig if there is one",
        "soakrig log configs/room.yaml",
    )
    parser.add_argument("file", metavar="FILE", help="the rig file")
    parser.add_argument("--new", action="store_true", help="close the open run and begin a new one")
    parser.add_argument("--for", dest="duration", metavar="TIME", help="end the run after e.g. '10 min'")


def _log(args: argparse.Namespace) -> int:
    from rig.daemon import session

    duration_s = _duration_s(args.duration) if args.duration else None
    outcome = session.record(_read(args.file), new=args.new, duration_s=duration_s, say=_tell)
    _tell(f"stopped: {outcome.reason}; run {outcome.path}")
    return 0


def _tell(text: str) -> None:
    """Print for whoever watches; where nobody can (closed pipe, full device), go on in silence."""
    try:
        print(text, flush=True)
    except OSError:
        # what is still in the buffer must not fail again at the end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _duration_s(text: str, option: str = "--for") -> float:
    from rig.core.units import UnitError, amount

    try:
        return amount(text).to("s")
    except UnitError as error:
        raise UsageError(f"{option} {text!r}: {error}") from error


def _add_watch(commands: Commands) -> None:
    parser = _command(
        commands,
        "watch",
        _watch,
        "show a run live, or as it ended",
        "soakrig watch runs",
    )
    _run_argument(parser)
    parser.add_argument("--plain", action="store_true", help="print one picture as plain text and end")


def _watch(args: argparse.Namespace) -> int:
    from rig.view import watch

    return watch.main_loop(_run_path(args), once=args.plain)


def _add_postmortem(commands: Commands) -> None:
    parser = _command(
        commands,
        "postmortem",
        _postmortem,
        "say in which order the channels of a unit went out of limit, and how sure that is",
        "soakrig postmortem runs --unit A3",
    )
    _run_argument(parser)
    parser.add_argument("--unit", help="the unit to explain; default: the one that went out first")
    parser.add_argument("--json", action="store_true", help="print JSON (schema: rig/report/POSTMORTEM.md)")
    parser.add_argument("--page", metavar="FILE", help="write a page with pictures: .html (one file) or .md")


def _postmortem(args: argparse.Namespace) -> int:
    import shutil

    from rig import forensics
    from rig.report import postmortem
    from rig.store.reader import Run

    run = Run.open(_run_path(args))
    found = forensics.analyse(run, unit=args.unit)
    if args.page:
        from rig.report.pages import files
        from rig.report.pages import postmortem as pages

        written = files.save(pages.page(found, run), Path(args.page))
        print(f"written: {written[0]}", file=sys.stderr)
    if args.json:
        print(postmortem.as_json(found))
    else:
        print(postmortem.text(found, width=shutil.get_terminal_size((100, 24)).columns))
    return 0


def _add_report(commands: Commands) -> None:
    parser = _command(
        commands,
        "report",
        _report,
        "write what a run was, what happened in it and what was missed, with pictures",
        "soakrig report runs --to report.html",
    )
    _run_argument(parser)
    parser.add_argument(
        "--to", metavar="PLACE", default="report.html",
        help="FILE.html (one file), FILE.md (pictures beside it), or a folder for both; default: report.html",
    )  # fmt: skip


def _report(args: argparse.Namespace) -> int:
    from rig.report.pages import files, run

    for path in files.save_both(run.report(_run_path(args)), Path(args.to)):
        print(f"written: {path}")
    return 0


def _add_plot(commands: Commands) -> None:
    parser = _command(
        commands,
        "plot",
        _plot,
        "draw channels of a run with their limits; a single reading that strayed stays visible",
        "soakrig plot runs 'A*.heatsink' mains --last '2 h' --to heat.svg",
    )
    parser.add_argument(
        "run", metavar="RUN", help="a run directory, or a folder of runs (its newest is taken)"
    )
    parser.add_argument("channels", metavar="CHANNEL", nargs="+", help="a name, or a pattern with *")
    parser.add_argument("--to", metavar="FILE", required=True, help="file to write: .svg or .png")
    parser.add_argument("--from", dest="start", metavar="TIME", help="first moment, as 2031-02-03T04:05:06Z")
    parser.add_argument("--until", dest="end", metavar="TIME", help="last moment")
    parser.add_argument("--last", metavar="TIME", help="only this much before the last moment, as '2 h'")


def _plot(args: argparse.Namespace) -> int:
    from rig.interchange import stamps
    from rig.report import plot
    from rig.store.reader import Run

    try:
        start, end = (stamps.moment(one, None) if one else None for one in (args.start, args.end))
    except ValueError as error:
        raise UsageError(f"--from or --until: {error}") from error
    run = Run.open(_run_path(args))
    if args.last:
        start = (run.span[1] if end is None else end) - round(_duration_s(args.last, "--last") * 1e9)
    plot.save(plot.plot(run, args.channels, start, end), Path(args.to))
    print(f"written: {args.to}")
    return 0


def _add_import(commands: Commands) -> None:
    parser = _command(
        commands,
        "import",
        _import,
        "turn CSV or Parquet files of other loggers into a run",
        "soakrig import week1.csv week2.csv --limits limits.yaml",
    )
    parser.add_argument(
        "files", metavar="FILE", nargs="+", help="tables with a time column, in order of time"
    )
    parser.add_argument(
        "--limits", metavar="FILE", required=True, help="what the columns mean: a limits file"
    )
    parser.add_argument(
        "--runs", metavar="FOLDER", default="runs", help="where the run goes (default ./runs)"
    )
    parser.add_argument("--name", help="name of the run (default: after the rig and the moment)")


def _import(args: argparse.Namespace) -> int:
    from rig.interchange import importing

    files = [Path(one) for one in args.files]
    importing.import_files(
        files, Path(args.limits), runs=Path(args.runs), name=args.name,
        say=lambda text: print(text, flush=True),
    )  # fmt: skip
    return 0


def _add_export(commands: Commands) -> None:
    parser = _command(
        commands,
        "export",
        _export,
        "write readings to a CSV, XLSX or Parquet file",
        "soakrig export runs --to a3.xlsx --unit A3 --every '10 s'",
    )
    _run_argument(parser)
    parser.add_argument("--to", metavar="FILE", required=True, help="file to write: .csv, .xlsx or .parquet")
    parser.add_argument("--channels", metavar="NAME", nargs="+", default=(), help="default: all")
    parser.add_argument("--unit", help="only the channels of this unit")
    parser.add_argument("--from", dest="start", metavar="TIME", help="first moment, as 2031-02-03T04:05:06")
    parser.add_argument("--to-time", dest="end", metavar="TIME", help="last moment")
    parser.add_argument("--every", metavar="TIME", help="step of the grid (default: the shortest poll)")
    parser.add_argument("--age", metavar="TIME", help="how old a value may be (default: 2.5 polls)")
    parser.add_argument("--long", action="store_true", help="a row per reading instead of a grid")
    parser.add_argument("--no-status", action="store_true", help="no status columns; blank where not good")
    parser.add_argument("--zone", help="zone of local time (default: this machine's)")
    parser.add_argument("--decimal", choices=("point", "comma"), default="point", help="decimal sign in CSV")
    parser.add_argument("--force", action="store_true", help="replace the file if it exists")


def _export(args: argparse.Namespace) -> int:
    from rig.interchange import export, limits, stamps

    try:
        zone = limits.zone(args.zone) if args.zone else None
        start, end = (stamps.moment(one, zone) if one else None for one in (args.start, args.end))
    except ValueError as error:
        raise UsageError(f"--zone, --from or --to-time: {error}") from error
    wanted = export.Wanted(
        channels=tuple(args.channels), unit=args.unit, start_ns=start, end_ns=end, long=args.long,
        every_s=_duration_s(args.every, "--every") if args.every else None,
        age_s=_duration_s(args.age, "--age") if args.age else None,
        statuses=not args.no_status, zone=zone, decimal="," if args.decimal == "comma" else ".",
    )  # fmt: skip
    rows = export.export(
        _run_path(args), Path(args.to), wanted, force=args.force, say=lambda text: print(text, flush=True)
    )
    print(f"{rows:,} rows in {args.to}")
    return 0


def _add_alerts(commands: Commands) -> None:
    parser = _command(
        commands,
        "alerts",
        _alerts,
        "tell people of what happens in a run; 'soakrig log' starts this by itself",
        "soakrig alerts runs",
    )
    _run_argument(parser)
    parser = _command(
        commands,
        "alert-test",
        _alert_test,
        "send one test message by every way of a rig file",
        "soakrig alert-test configs/alerts.yaml",
    )
    parser.add_argument("file", metavar="FILE", help="the rig file")


def _alerts(args: argparse.Namespace) -> int:
    from rig.alerts.__main__ import main as follow

    return follow([str(_run_path(args))])


def _alert_test(args: argparse.Namespace) -> int:
    from rig import alerts

    results = alerts.test_message(_read(args.file))
    for one in results:
        print(f"{'delivered' if one.delivered else 'FAILED   '}  {one.way}  {one.note} ({one.took_s:.1f} s)")
    return 0 if all(one.delivered for one in results) else 4


def _add_verify(commands: Commands) -> None:
    parser = _command(
        commands,
        "verify",
        _verify,
        "check every byte of a run against its checksums",
        "soakrig verify runs",
    )
    _run_argument(parser)


def _verify(args: argparse.Namespace) -> int:
    from rig.core.wording import stamp
    from rig.errors import DamageError
    from rig.store.verify import verify

    path = _run_path(args)
    found = verify(path)
    for one in found.faults:
        span = (
            "" if one.start_ns is None else f"  {stamp(one.start_ns)} to {stamp(one.end_ns or one.start_ns)}"
        )
        print(f"DAMAGED  {one.path.relative_to(path)}: {one.reason}{span}")
    good = f"{found.files} files, {found.readings} readings and {found.events} events are good"
    print(f"{path}: {good}; {len(found.faults) or 'no'} fault{'s' if len(found.faults) != 1 else ''}")
    return DamageError.exit_code if found.faults else 0


def _add_desk(commands: Commands) -> None:
    from rig import desk, reckon
    from rig.setup import commands as setup

    def handler(run: Callable[[argparse.Namespace], tuple[int, str]]) -> Handler:
        def carry_out(args: argparse.Namespace) -> int:
            code, text = run(args)
            print(text)
            return code

        return carry_out

    for one in (*desk.COMMANDS, *reckon.COMMANDS, *setup.COMMANDS):
        one.arguments(_command(commands, one.name, handler(one.run), one.summary, one.example))


def _add_demo(commands: Commands) -> None:
    parser = _command(
        commands,
        "demo",
        _demo,
        "record a simulated room over real transports, let a unit die, explain its death",
        "soakrig demo --scenario fan-failure --seed 3 --keep",
    )
    parser.add_argument("--scenario", help="what goes wrong; 'list' names all")
    parser.add_argument("--seed", type=int, default=7, help="start of the random numbers (default 7)")
    parser.add_argument("--folder", help="where to put it (default: a new temporary folder)")
    parser.add_argument("--keep", action="store_true", help="keep the recording and say where it is")


def _demo(args: argparse.Namespace) -> int:
    from rig import demo

    return demo.run(
        scenario=args.scenario,
        seed=args.seed,
        folder=Path(args.folder) if args.folder else None,
        keep=args.keep or args.folder is not None,
        say=lambda text: print(text, flush=True),
    )


if __name__ == "__main__":
    sys.exit(main())
